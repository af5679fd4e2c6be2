"""Commands that are told to end while they wait or work."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads from /proc whether a signal is waited for")


def listens(process, number):
    """Wait until the process has a handler of its own for a signal."""
    until = time.monotonic() + 30
    while time.monotonic() < until:
        lines = Path(f"/proc/{process.pid}/status").read_text(encoding="ascii").splitlines()
        caught = next(line.split()[1] for line in lines if line.startswith("SigCgt"))
        if int(caught, 16) >> (number - 1) & 1:
            return
        time.sleep(0.05)
    raise AssertionError("no handler within 30 s")


def begun(*arguments):
    pipe = subprocess.PIPE
    command = [sys.executable, "-m", "baytrace", *arguments]
    return subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True)


def test_a_command_that_is_ended_says_so_and_clears_away(tmp_path):
    """SIGTERM while it reads: one line, exit 143 as shells have it, and no traceback."""
    with begun("judge", "/dev/stdin", "--watch", "evacuation") as process:
        listens(process, signal.SIGTERM)
        process.terminate()
        out, err = process.communicate(timeout=30)
    assert (process.returncode, out, err) == (143, "", "baytrace: stopped\n")


def test_a_simulator_that_waits_for_its_line_ends_when_told(tmp_path):
    """SIGTERM while `sim --wait` waits for a line on stdin that never comes."""
    with begun(
        "sim", "--scenario", "bad-coil", "--config-out", str(tmp_path / "b.toml"), "--wait", "--announce"
    ) as process:
        assert "ready" in process.stdout.readline()
        process.terminate()
        process.communicate(timeout=30)
    assert process.returncode == 0


def test_a_simulators_script_begins_with_the_line(tmp_path):
    """A line on stdin begins it: the script of half a minute's job comes to its end."""
    arguments = ("--scenario", "bad-coil", "--rate", "400", "--config-out", str(tmp_path / "b.toml"))
    with begun("sim", *arguments, "--wait", "--announce") as process:
        assert "ready" in process.stdout.readline()
        process.stdin.write("begin\n")
        process.stdin.flush()
        assert "finished" in process.stdout.readline()
        process.terminate()
        process.communicate(timeout=30)
