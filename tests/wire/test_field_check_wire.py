"""A field check on a running bench, and what it does to the verdicts after it."""

import contextlib
import subprocess
import sys
import threading

import pytest

from running_bench import RunningBench
from servers import pseudo_terminal

MANIFOLD = """
[bench]
name = "bay-3"
elevation_m = 0
[[instrument]]
name = "manifold"
adapter = "line"
port = "{port}"
separator = ","
accuracy = "1 kPa"
[[instrument.channel]]
role = "low_side"
unit = "kPa"
field = 0
[[instrument.channel]]
role = "high_side"
unit = "kPa"
field = 1
[[limit]]
channel = "high_side"
high = 300
priority = "high"
quiet_in = ["no session"]
"""
KEPT = {"limits": {"limits": [{"channel": "high_side", "high": 900, "unit": "kPa"}]}}
CHECK = {"field_check": {"check": "manifold", "rest_s": 1}}


@contextlib.contextmanager
def speaking(terminal, figures):
    """The two pressures, ten times a second, until left; `figures` may be changed meanwhile."""
    over = threading.Event()

    def speak():
        while not over.wait(0.1):
            terminal.write("{:.1f},{:.1f}\n".format(*figures).encode())

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        yield
    finally:
        over.set()
        speaker.join()


@contextlib.contextmanager
def manifold_bench(folder, figures):
    with pseudo_terminal() as terminal, speaking(terminal, figures):
        made = RunningBench(folder, MANIFOLD.format(port=terminal.name))
        try:
            yield made.start()
        finally:
            made.stop()


def session(bench, plan, finding):
    """Run a session until its only watch, before any gate, says `finding`; end it; its id and the verdict it ended with."""
    name = next(iter(plan))
    made = bench.post("/api/sessions", {"title": name, "plan": plan})["id"]

    def said():
        verdict = bench.get(f"/api/sessions/{made}")["verdicts"][name]
        return verdict.get("finding_before_gate", verdict["finding"]) == finding

    bench.until(said)
    return made, bench.post(f"/api/sessions/{made}/close", {})["verdicts"][name]


@pytest.mark.slow
def test_an_instrument_found_off_passes_nothing_until_a_check_agrees(tmp_path):
    """Off by its field check: a pass becomes undecided and says why, also after a restart and from the pack; mended, it passes."""
    figures = [500.0, 500.0]
    with manifold_bench(tmp_path, figures) as bench:
        bench.until(lambda: bench.channel("high_side")["value"])
        assert session(bench, KEPT, "limits kept")[1]["verdict"] == "pass"
        figures[1] = 520.0
        checked, verdict = session(bench, CHECK, "off")
        assert (verdict["verdict"], verdict["checked"]) == ("fail", ["low_side", "high_side"])
        steps = {step["id"]: step["state"] for step in bench.get(f"/api/sessions/{checked}")["steps"]}
        assert steps == {"known": "left open", "at_rest": "left open", "compare": "done", "after": "left open"}
        assert "manifold check" in bench.channel("high_side")["found_off"]
        bench.kill()
        bench.start()
        bench.until(lambda: bench.channel("high_side")["value"])
        kept, verdict = session(bench, KEPT, "limits kept")
        assert (verdict["verdict"], verdict["finding"]) == ("undecided", "undecided")
        assert "found off by +2e+04 Pa" in verdict["reasons"][0]
        told = [
            sys.executable,
            "-m",
            "baytrace",
            "export",
            kept,
            "--to",
            str(tmp_path),
            "--journal",
            str(tmp_path / "journal"),
        ]
        subprocess.run(told, check=True)
        (pack,) = tmp_path.glob("*.zip")
        subprocess.run([sys.executable, "-m", "baytrace", "verify", str(pack)], check=True)
        figures[1] = 500.0
        assert session(bench, CHECK, "agrees")[1]["verdict"] == "pass"
        assert "found_off" not in bench.channel("high_side")
        assert session(bench, KEPT, "limits kept")[1]["verdict"] == "pass"


def test_an_alarm_is_quiet_by_design_and_by_hand(tmp_path):
    """A limit that is quiet without a session calls once one runs; a person suppresses it with a reason and takes that back."""
    with manifold_bench(tmp_path, [500.0, 500.0]) as bench:

        def high():
            return next((row for row in bench.get("/api/alarms") if row["id"] == "high_side-high"), None)

        quiet = bench.until(lambda: (row := high()) and row["beneath"] == "unacknowledged" and row)
        assert (quiet["state"], quiet["suppressed"]) == ("suppressed", "by design, quiet in no session")
        bench.post("/api/sessions", {"title": "watch", "plan": KEPT})
        bench.until(lambda: high()["state"] == "unacknowledged")
        status, problem = bench.status_of("/api/alarms/high_side-high/suppress", {"who": "Kim"})
        assert status == 422, problem
        bench.post("/api/alarms/high_side-high/suppress", {"who": "Kim", "comment": "gauge being changed"})
        assert (high()["state"], high()["suppressed"], high()["who"]) == ("suppressed", "gauge being changed", "Kim")
        bench.post("/api/alarms/high_side-high/unsuppress", {"who": "Kim"})
        assert high()["state"] == "unacknowledged"
