"""The runs of the loop in the report: a column each, with what moved since the loop was worked on."""

import pytest

from baytrace.physics.fluid_names import resolve
from baytrace.records.report.runs import runs_table
from baytrace.records.report.units_shown import System
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.own_runs import runs_json
from car_runs import session

SETTINGS = PressuresSettings(refrigerant="R134a", ambient_humidity=0.5)


def verdicts(*runs, watch="pressures"):
    return [{"watch": watch, "running": runs_json(session(*runs), resolve("R134a"), SETTINGS)}]


def test_every_run_is_a_column():
    """State, conditions and figures of three runs in three columns; what moved is told beneath, with its interval."""
    table = runs_table(verdicts({}, {"high": 230.0}, {}), System.SI)
    assert table["heads"] == ["Figure", "Run 1", "Run 2", "Run 3"]
    rows = {row[0]: row[1:] for row in table["rows"]}
    assert rows["Settled"] == ["yes", "yes", "yes"]
    assert rows["Marked"] == ["idle, shut, recirculation, high"] * 3
    assert rows["High side"][0] == rows["High side"][2] != rows["High side"][1]
    assert any(
        said.startswith("Run 2 against the run before the work: condensing above ambient up by")
        for said in table["said"]
    )


def test_a_run_that_cannot_be_compared_says_why():
    """The condition that differs stands in the report."""
    table = runs_table(verdicts({}, {"marked": "engine on, fast, doors shut, recirculation, blower high"}), System.SI)
    assert any("engine speed: idle before, fast now" in said for said in table["said"])


def test_many_runs_fit_the_page():
    """Of nine the first and the last four are shown, under their own numbers."""
    [verdict] = verdicts({}, {})
    table = runs_table([verdict | {"running": verdict["running"][:1] * 9}], System.SI)
    assert table["heads"] == ["Figure", "Run 1", "Run 6", "Run 7", "Run 8", "Run 9"]


@pytest.mark.parametrize("verdict", [{"watch": "pressures"}, {"watch": "sweep", "running": [{}, {}]}])
def test_one_run_or_none_makes_no_table(verdict):
    """Nothing to put side by side."""
    assert runs_table([verdict], System.SI) == {}
