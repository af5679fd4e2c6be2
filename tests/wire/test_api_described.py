"""The API answers as its own OpenAPI says, whatever it is asked; schemathesis asks a running daemon."""

import os
import subprocess
import sys

import pytest

from running_bench import GAUGE, RunningBench
from servers import pseudo_terminal

CASES = os.environ.get("BAYTRACE_API_CASES", "4")
"""Random requests an operation and phase, beside the systematic ones; more for a longer run by hand."""
SEED = os.environ.get("BAYTRACE_API_SEED", "20261125")

KNOWN = """
[parameters]
session = ["{closed}", "{running}"]
alarm = "silent-system_pressure"
channel = "system_pressure"
"""


@pytest.fixture
def running(tmp_path):
    """A daemon with one session over, one running, an alarm that stands, and a few readings."""
    with pseudo_terminal() as gauge:
        bench = RunningBench(tmp_path, GAUGE.format(port=gauge.name)).start()
        try:
            bench.until(lambda: gauge.write(b"512\n") or bench.channel("system_pressure")["count"])
            closed = bench.post("/api/sessions", {"title": "over"})["id"]
            bench.post(f"/api/sessions/{closed}/close", {"who": "Kim"})
            known = KNOWN.format(closed=closed, running=bench.post("/api/sessions", {"title": "on"})["id"])
            (tmp_path / "schemathesis.toml").write_text(known)
            yield bench
        finally:
            bench.stop()


def asked(bench, *options):
    """What schemathesis says after asking; '' when nothing is wrong."""
    command = [sys.executable, "-m", "schemathesis.cli", "run", f"{bench.url}/openapi.json", "--url", bench.url]
    command += ["-n", CASES, "--seed", SEED, "--workers", "2", "--request-timeout", "20", "--no-color"]
    # a stream does not end, so that no client of this kind can ask for it; it has tests of its own
    # a request of the right form can still say what is not so, as a fluid nobody knows: that is answered with 422
    command += ["--exclude-checks", "positive_data_acceptance"]
    command += ["--exclude-path", "/api/stream", "--suppress-health-check", "all", "--warnings", "off", *options]
    done = subprocess.run(command, cwd=bench.folder, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stdout[-12_000:] + done.stderr[-2000:]


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_api_is_what_it_says_it_is(running):
    """No 500, no undeclared status, type or body, no wrong input taken; the daemon stays up and writes no traceback."""
    if wrong := asked(running):
        pytest.fail(wrong, pytrace=False)
    assert running.get("/healthz")["ok"]
    assert "Traceback" not in running.said()
    assert running.stop() == 0


def test_every_route_and_problem_is_described(running):
    """Each route under /api says what it does; every problem is declared as a problem document of one shape."""
    described = running.get("/openapi.json")
    for path, operations in described["paths"].items():
        for operation in operations.values():
            assert operation["summary"], path
            problems = {status: told for status, told in operation["responses"].items() if status[0] in "45"}
            assert {"401", "403", "421", "429"} <= set(problems), path
            for told in problems.values():
                assert list(told["content"]) in (["application/problem+json"], ["application/json"]), path
                if path != "/healthz":
                    schema = told["content"]["application/problem+json"]["schema"]
                    assert schema == {"$ref": "#/components/schemas/Problem"}
    asked_for = ["type", "title", "status", "detail"]
    assert described["components"]["schemas"]["Problem"]["required"] == asked_for
