"""What a watch's status carries for a page to draw, beside its sentence."""

import math

import numpy as np

import hold_traces as traces
from baytrace.measure.roles import Role
from charge_bench import fed, items, weighed
from coil_streams import judge, ohm

CHARGE_MARKS = [(60.0, "charge start")]


def during(seconds):
    """An evacuation followed for so long."""
    following = traces.watch(volume_l=2.5)
    items_of = traces.job()
    until = items_of[0].time_ns + seconds * 1e9
    traces.follow(following, [item for item in items_of if item.time_ns <= until])
    return following


def test_a_pull_down_shows_the_pressure_now_and_its_target():
    """While the pump runs the figure to watch is the pressure, against the target it has to reach."""
    details = during(60.0).status().details
    assert details["shown"]["unit"] == "Pa"
    assert details["bands"] == [
        {"role": "system_pressure", "name": "deep vacuum", "kind": "target", "low": None, "high": 66.661193707}
    ]


def test_isolation_is_asked_for_once_the_vacuum_was_deep_for_long_enough():
    """The large button says `isolated` then, and nothing during the hold itself."""
    assert "mark" not in during(900.0).status().details
    assert during(2390.0).status().details["mark"] == "isolated"
    assert "mark" not in during(2900.0).status().details


def test_a_hold_shows_what_a_leak_at_the_limit_would_do():
    """The line begins with the hold and rises by the limit's rate: 5e-5 Pa m3/s in 2.5 L are 18 Pa in 15 min."""
    line = during(2900.0).status().details["limit_line"]
    assert line["time_ms"][1] - line["time_ms"][0] == 900_000
    assert math.isclose(line["value"][1] - line["value"][0], 18.0, rel_tol=1e-6)
    assert during(2900.0).status().details["against"] == {"value": 5e-5, "unit": "Pa*m3/s"}


def charging():
    times = np.arange(0.0, 400.0)
    columns = {Role.TANK_MASS: weighed(times, 60.0, 300.0, 600.0)}
    return fed("charge", items(times, columns, CHARGE_MARKS), {"label_g": 560.0, "vent_max_c": 12.0})


def test_a_charge_shows_its_mass_against_label_and_tolerance():
    """Label and tolerance come with the mass, so that a bar can be drawn of them."""
    details = charging().status().details
    assert (details["mass"]["label_g"], details["mass"]["tolerance_g"]) == (560.0, 15.0)
    assert details["mass"]["charged_g"] > 500.0
    assert details["bands"][0]["role"] == "vent_air"
    assert details["bands"][0]["high"] == 12.0 + 273.15


def test_the_coil_under_the_probes_is_named():
    """While the second coil is touched it is the one shown as now; lifted, the third is next."""
    stream = [ohm(0.2 * n, math.inf) for n in range(10)]
    stream += [ohm(2.0 + 0.2 * n, 14.5) for n in range(15)] + [ohm(5.0 + 0.2 * n, math.inf) for n in range(10)]
    second = [ohm(7.0 + 0.2 * n, 14.6) for n in range(15)]
    lifted = [ohm(10.0 + 0.2 * n, math.inf) for n in range(10)]
    settings = {"coils": 4, "low_ohm": 13.5, "high_ohm": 17.5, "temperature_c": 20.0}
    touching = judge([*stream, *second], settings).status().details
    assert (touching["touching"], touching["now"]) == (True, 2)
    after = judge([*stream, *second, *lifted], settings).status().details
    assert (after["touching"], after["next"]) == (False, 3)
    assert after["limits"] == {"low": 13.5, "high": 17.5, "reference_c": 20.0}
