"""The manual's lines that check a letter's signature do what it says, as they stand there."""

import re
import shutil
import subprocess
import time
from importlib.resources import files

import pytest

from baytrace.bench.webhook import key_of, signature

MANUAL = (files("baytrace_dashboards") / "manual" / "alarms.md").read_text(encoding="utf-8")
BODY = '{"kind": "alarm", "text": "Druck über Grenze"}'.encode()


def signed(secret, seconds):
    return {
        "webhook-id": "boot.7",
        "webhook-timestamp": str(seconds),
        "webhook-signature": signature(key_of(secret), "boot.7", seconds, BODY),
    }


@pytest.mark.parametrize("secret", ["plain words", "whsec_dGhpcyBpcyBhIHRlc3Qgc2VjcmV0IG9mIG91cnM="])
def test_the_lines_of_python_accept_what_is_genuine_and_nothing_else(secret):
    """A letter passes; one of another secret, one changed, and one sent again next day do not."""
    namespace = {}
    exec(re.search(r"```python\n(.*?)```", MANUAL, re.DOTALL)[1], namespace)
    genuine, now = namespace["genuine"], int(time.time())
    headers = signed(secret, now)
    assert genuine(headers, BODY, secret)
    assert not genuine(headers, BODY, "other words")
    assert not genuine(headers, BODY.replace(b"alarm", b"alert"), secret)
    assert not genuine(headers | {"webhook-id": "boot.8"}, BODY, secret)
    assert not genuine(signed(secret, now - 86_400), BODY, secret)


def test_the_line_of_shell_prints_the_signature(tmp_path):
    """`openssl` alone works the signature out."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    line = next(line.strip() for line in MANUAL.splitlines() if line.startswith("    (printf"))
    headers = signed("plain words", 1_792_567_620)
    (tmp_path / "body.json").write_bytes(BODY)
    env = {"ID": "boot.7", "TIMESTAMP": "1792567620", "SECRET": "plain words", "PATH": "/usr/bin:/bin:/usr/local/bin"}
    done = subprocess.run(["sh", "-c", line], cwd=tmp_path, env=env, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == headers["webhook-signature"].removeprefix("v1,")
