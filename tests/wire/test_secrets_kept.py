"""No secret leaves the bench: not in a log, an error, an export, the API, what it writes, or its command line."""

import base64
import http.server
import json
import subprocess
import sys
from pathlib import Path

import pytest

from guarded_bench import GuardedBench
from running_bench import GAUGE
from servers import mosquitto, need, pseudo_terminal, served

pytestmark = pytest.mark.server

BROKER, HOOK, SERVER = "broker-sesame-1", "hook-sesame-2", "kim:server-sesame-3"
"""Invented; looked for everywhere."""
CONFIG = """
[mqtt]
url = "mqtt://127.0.0.1:{broker}"
username = "kim"
password_file = "broker.secret"
[webhook]
url = "http://127.0.0.1:{web}/hook"
secret_env = "HOOK_SECRET"
[forward]
url = "http://127.0.0.1:{web}"
token_file = "server.secret"
basic_auth = true
"""


class Refusing(http.server.BaseHTTPRequestHandler):
    """A server that takes the bench's password and denies everything, at length."""

    def log_message(self, *_):
        pass

    def do_GET(self):
        self.do_POST()

    def do_POST(self):
        self.rfile.read(int(self.headers.get("Content-Length", 0)))
        self.server.seen.append(str(self.headers))
        answer = str(self.headers).encode()
        self.send_response(401)
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)


@pytest.fixture
def refusing():
    made = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Refusing)
    made.seen = []
    with served(made):
        yield made


def secret_file(folder, name, text):
    file = folder / name
    file.touch(mode=0o600)
    file.write_text(text + "\n")


def command(bench, *words):
    done = subprocess.run(
        [sys.executable, "-m", "baytrace", *words, "--config", str(bench.file)],
        capture_output=True,
        env=bench.environment,
        timeout=90,
        check=False,
    )
    return done.stdout + done.stderr


def command_lines():
    """Those of every process here."""
    for file in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            yield file.read_bytes()
        except OSError:
            continue


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_no_secret_is_found_anywhere(tmp_path, refusing, monkeypatch):
    """Broker, webhook and server all deny; a whole session is run and exported; then every secret is looked for."""
    monkeypatch.setenv("HOOK_SECRET", HOOK)
    passwords = tmp_path / "passwords"
    subprocess.run(
        [need("mosquitto_passwd"), "-c", "-b", str(passwords), "kim", "another"], check=True, capture_output=True
    )
    passwords.chmod(0o644)
    secret_file(tmp_path, "broker.secret", BROKER)
    secret_file(tmp_path, "server.secret", SERVER)
    lines = ("allow_anonymous false", f"password_file {passwords}")
    with pseudo_terminal() as gauge, mosquitto(lines=lines) as broker:
        text = CONFIG.format(broker=broker.port, web=refusing.server_port) + GAUGE.format(port=gauge.name)
        limit = '[[limit]]\nchannel = "system_pressure"\nhigh = 1\nunit = "Pa"\n'
        bench = GuardedBench(tmp_path, limit + text)
        bench._extra += ["--log", "json", "--verbose"]
        bench.environment = None
        bench.start()
        try:
            session = bench.post("/api/sessions", {"title": "on"})["id"]
            bench.until(lambda: gauge.write(b"512\n") or bench.get("/api/bench")["forward"]["last_error"])
            bench.until(lambda: any("hook" in seen.lower() or "sign" in seen.lower() for seen in refusing.seen))
            bench.post(f"/api/sessions/{session}/close", {"who": "Kim"})
            said = {"log": b"", "command lines": b"\n".join(command_lines())}
            paths = [
                "/api/bench",
                "/api/channels",
                "/api/frame",
                "/api/alarms",
                f"/api/sessions/{session}",
                "/openapi.json",
            ]
            for path in [*paths, "/metrics", "/healthz", "/manual", "/nothing", f"/api/sessions/{session}/report.html"]:
                said[path] = bench.ask(path)[2].encode()
            for words in (
                ["forward", "status", "--json"],
                ["doctor", "--json"],
                ["check"],
                ["token", "list", "--json"],
            ):
                said[" ".join(words)] = command(bench, *words)
            said["export"] = command(bench, "export", session, "--to", str(tmp_path / "out"))
            bench.file.write_text(bench.file.read_text().replace('"mqtt://', f'"mqtt://kim:{BROKER}@'))
            said["a wrong bench.toml"] = command(bench, "check")
            assert b"mqtt.url" in said["a wrong bench.toml"]
        finally:
            bench.stop()
        said["log"] = (tmp_path / "daemon.log").read_bytes()
    kept = {"broker.secret", "server.secret", "passwords", "bench.toml"}
    for file in tmp_path.rglob("*"):
        if file.is_file() and file.name not in kept:
            said[str(file.relative_to(tmp_path))] = file.read_bytes()
    assert refusing.seen
    assert any("Basic" in seen for seen in refusing.seen), "the password was really sent"
    encoded = base64.b64encode(SERVER.encode()).decode()
    secrets = [BROKER, HOOK, SERVER, SERVER.split(":")[1], encoded, *bench.tokens.values()]
    found = [(where, secret) for where, text in said.items() for secret in secrets if secret.encode() in text]
    assert not found
    assert len(said["log"]) > 100
    for line in said["log"].decode().splitlines():
        json.loads(line)


def test_files_the_bench_writes_are_its_owners(tmp_path):
    """Signing keys and tokens are private whatever the umask was."""
    with pseudo_terminal() as gauge:
        bench = GuardedBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        try:
            session = bench.post("/api/sessions", {"title": "on"})["id"]
            bench.post(f"/api/sessions/{session}/close", {"who": "Kim"})
            assert bench.ask(f"/api/sessions/{session}/pack")[0] == 200
        finally:
            bench.stop()
    private = [file for file in (tmp_path / "keys").rglob("*") if file.is_file() and b"PRIVATE" in file.read_bytes()]
    assert private
    for file in [*private, tmp_path / "tokens.json"]:
        assert file.stat().st_mode & 0o077 == 0, file
