"""What `judge` and `saturation` print for people: words, figures as precise as their interval, the reader's units."""

import re

import pytest

from baytrace.cli import run
from baytrace.commands.sessions import listed
from baytrace.records.session import list_sessions
from record_kit import vacuum_session


@pytest.fixture
def leaking(tmp_path):
    """Fifteen minutes of hold that rise by 0.2 Pa/s."""
    path = tmp_path / "hold.csv"
    path.write_text(
        "time [s],system_pressure [Pa]\n" + "".join(f"{n},{50.0 + 0.2 * n:.3f}\n" for n in range(0, 1000, 2))
    )
    return str(path)


def printed(capsys, *arguments):
    run(list(arguments))
    return capsys.readouterr().out


@pytest.mark.parametrize(("units", "rise"), [("SI", "12 Pa/min"), ("US", "90 micron/min")])
def test_judge_prints_words_and_the_readers_units(capsys, monkeypatch, leaking, units, rise):
    """0.2 Pa/s are 12 Pa/min and 90 micron/min (1 micron of mercury is 0.133322 Pa); no bare name of a figure is left."""
    monkeypatch.setenv("COLUMNS", "110")
    settings = ("--set", "phase=hold", "--set", "volume_l=2.5")
    out = printed(capsys, "judge", leaking, "--watch", "evacuation", *settings, "--units", units)
    assert out.startswith("evacuation: fail, leak\n")
    found = re.search(r"Rise that does not level off +([\d.]+) (\S+)", out)
    assert (round(float(found[1])), found[2]) == (round(float(rise.split()[0])), rise.split()[1])
    assert "_" not in out


def test_units_that_are_none_get_one_line(capsys, leaking):
    """And exit 2."""
    assert run(["judge", leaking, "--watch", "evacuation", "--units", "imperial"]) == 2
    assert capsys.readouterr().err.endswith("units: 'imperial' is no system of units; use SI or US\n")


@pytest.mark.parametrize(
    ("fluid", "at", "lines"),
    [
        ("R134a", ("0", "degC"), ["temperature: 0 °C (32 °F)", "pressure: 292.8 kPa abs (42.47 psia)"]),
        ("Water", ("0.01", "degC"), ["pressure: 611.7 Pa (4588 micron)"]),
    ],
)
def test_saturation_is_told_in_both_systems(capsys, fluid, at, lines):
    """R134a: 292.8 kPa at 0 degC (Tillner-Roth and Baehr, 1994); water's triple point: 611.7 Pa (IAPWS)."""
    out = printed(capsys, "saturation", fluid, "--at", *at)
    assert all(line in out for line in lines)


@pytest.mark.parametrize(("closed", "took"), [(True, "24 s  undecided, signed off"), (False, "running")])
def test_sessions_are_listed_with_whole_ids_and_times(closed, took):
    """Id, start and how long it took stand in columns and are never cut; a session that runs says so."""
    session = vacuum_session(minutes=(0.2, 0.2), close=closed)
    head, row = listed(list_sessions(session.journal))
    assert row.startswith(f"{session.id}  2026-11-25 10:00  {took}")
    assert head.index("took") == row.index(took.split()[0])
