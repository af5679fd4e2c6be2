"""The pressures watch: the pattern's name, its doubt, and what it points at."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Mark
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Outcome
from baytrace.watches.pressures.expect import Range
from baytrace.watches.pressures.pattern import pattern_of, side_of
from baytrace.watches.running.figures import Value
from baytrace.watches.watch import View, build
from charge_bench import ROLES, STANDING, fed, items, relaxing

TIMES = np.arange(0.0, 480.0, 1.0)
ON = [(60.0, "engine on")]


def watched(running=None, marks=ON, times=TIMES, *, only_pressures=False, **settings):
    columns = relaxing(times, 60.0, tau=25.0, running=running)
    if only_pressures:
        columns = {role: columns[role] for role in (Role.LOW_SIDE, Role.HIGH_SIDE)}
    return fed("pressures", items(times, columns, marks), settings)


@pytest.mark.parametrize(
    ("low", "high", "finding", "outcome"),
    [
        (35, 200, "normal", Outcome.PASS),
        (32, 175, "normal", Outcome.PASS),
        (38, 235, "normal", Outcome.PASS),
        (65, 340, "both high", Outcome.FAIL),
        (12, 95, "both low", Outcome.FAIL),
        (70, 120, "low high and high low", Outcome.FAIL),
        (10, 330, "low low and high high", Outcome.FAIL),
    ],
)
def test_the_pattern_has_the_trades_name(low, high, finding, outcome):
    """R134a on a day of 27 degC: psi on both gauges, and what it is called."""
    verdict = watched({"low": low, "high": high}).verdict()
    assert (verdict.finding, verdict.outcome) == (finding, outcome)
    assert verdict.evidence["low_side_pressure"].value == pytest.approx(low * 6894.757 + 101325.0, rel=0.01)


@pytest.mark.parametrize(
    ("low", "high", "finding"), [(35, 200, "normal"), (65, 340, "both high"), (12, 95, "both low")]
)
def test_two_gauges_alone_are_enough(low, high, finding):
    """Without ambient, lines or marks the rule of thumb is used, and that is said."""
    verdict = watched({"low": low, "high": high}, marks=(), only_pressures=True).verdict()
    assert verdict.finding == finding
    assert any("ambient is not known" in reason for reason in verdict.reasons)


def test_a_short_steady_record_is_judged():
    """A minute of constant readings, one in five seconds, no noise."""
    times = np.arange(0.0, 65.0, 5.0)
    columns = {Role.LOW_SIDE: np.full(len(times), 35.0), Role.HIGH_SIDE: np.full(len(times), 200.0)}
    assert fed("pressures", items(times, columns)).verdict().finding == "normal"


def test_evacuation_and_charging_before_do_not_count():
    """A whole job on one trace: deep vacuum and standing pressure first; only the running loop is judged."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        columns[role][TIMES < 40.0] = -14.6
    verdict = fed("pressures", items(TIMES, columns, [(40.0, "charge start"), (55.0, "charge end"), *ON])).verdict()
    assert verdict.finding == "normal"


def test_after_the_engine_stops_nothing_is_judged():
    """The equalised pressures after `engine off` do not spoil the verdict."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        columns[role][TIMES > 380.0] = 90.0
    for marks in ([*ON, (380.0, "engine off")], ON):
        assert fed("pressures", items(TIMES, columns, marks)).verdict().finding == "normal"


def test_warm_days_are_expected_to_run_higher():
    """300 psi is too much at 20 degC and as it should be at 42 degC."""
    running = {"low": 38.0, "high": 300.0}
    columns = relaxing(TIMES, 60.0, tau=25.0, running=running)
    columns[Role.AMBIENT_AIR][:] = 42.0
    assert fed("pressures", items(TIMES, columns, ON)).verdict().finding == "normal"
    columns[Role.AMBIENT_AIR][:] = 20.0
    assert fed("pressures", items(TIMES, columns, ON)).verdict().outcome is Outcome.FAIL


def test_another_refrigerant_is_expected_at_its_own_pressures():
    """R1234yf at the same temperatures passes; R152a at R134a's pressures runs too warm to be normal."""
    assert watched(refrigerant="R1234yf").verdict().finding == "normal"
    r744 = watched({"low": 560.0, "high": 1300.0}, refrigerant="R744").verdict()
    assert r744.finding == "normal"
    assert "condensing_temperature" not in r744.evidence


def test_a_coarse_gauge_leaves_a_doubtful_side_undecided():
    """46 psi with a gauge good to 17 psi lies outside, but not for certain."""
    columns = relaxing(TIMES, 60.0, tau=25.0, running={"low": 48.0})
    coarse = {"low_side": "10 % of full scale (10 bar)"}
    verdict = fed("pressures", items(TIMES, columns, ON), accuracy=coarse).verdict()
    assert (verdict.finding, verdict.outcome) == ("undecided", Outcome.UNDECIDED)
    assert any("not for certain" in reason for reason in verdict.reasons)


def test_a_clutch_that_does_not_engage_is_named_first():
    """Engine on, pressures equal: nothing pumps."""
    columns = {role: np.full(len(TIMES), STANDING[name]) for name, role in ROLES.items()}
    columns[Role.AMBIENT_AIR] = np.full(len(TIMES), 27.0)
    verdict = fed("pressures", items(TIMES, columns, ON)).verdict()
    assert (verdict.finding, verdict.outcome) == ("low high and high low", Outcome.FAIL)
    assert verdict.reasons[0].startswith("clutch not engaged")


def test_air_shows_before_the_start():
    """A standing pressure 12 K above saturation for the air around speaks for air in the loop."""
    columns = relaxing(
        TIMES, 60.0, tau=25.0, running={"high": 330.0, "liquid": 46.0}, standing={"low": 125.0, "high": 125.0}
    )
    verdict = fed("pressures", items(TIMES, columns, ON), {"valve": "expansion valve"}).verdict()
    assert verdict.evidence["static_excess"].value > 8.0
    assert verdict.evidence["static_pressure"].value > verdict.evidence["static_saturation_pressure"].value
    assert verdict.more["causes"][0]["cause"] == "air in the loop"
    assert verdict.reasons[0].startswith("air in the loop")


def test_little_refrigerant_is_told_from_its_signs():
    """Low pressures, much superheat, no subcooling, warm vents."""
    running = {"low": 18.0, "high": 115.0, "suction": 24.0, "liquid": 33.0, "vent": 16.0}
    verdict = watched(running).verdict()
    assert verdict.finding == "both low"
    first = verdict.more["causes"][0]
    assert first["cause"] == "undercharge"
    assert any("superheat" in text for text in first["for"])
    assert sum(cause["likelihood"] for cause in verdict.more["causes"]) <= 1.0


def test_normal_pressures_with_odd_signs_pass_but_the_suspicion_is_said():
    """No superheat and a cold discharge at good pressures: a valve stuck open may hide behind a normal pattern."""
    columns = relaxing(TIMES, 60.0, tau=25.0, running={"suction": 1.5, "liquid": 53.0, "low": 34.0, "high": 195.0})
    columns[Role.DISCHARGE_LINE] = np.full(len(TIMES), 48.0)
    verdict = fed("pressures", items(TIMES, columns, ON), {"valve": "expansion valve"}).verdict()
    assert (verdict.finding, verdict.outcome) == ("normal", Outcome.PASS)
    assert any("look like" in reason for reason in verdict.reasons)


def test_a_moving_loop_is_undecided():
    """The high side still climbs."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    columns[Role.HIGH_SIDE] += np.clip(TIMES - 60.0, 0.0, None) * 0.5
    watch = fed("pressures", items(TIMES, columns, ON))
    assert watch.verdict().finding == "undecided"
    assert watch.status().phase == "settling"


def test_nothing_seen_is_undecided():
    """No readings, one gauge only."""
    assert build("pressures", {}, View()).verdict().finding == "undecided"
    columns = {Role.LOW_SIDE: relaxing(TIMES, 60.0)[Role.LOW_SIDE]}
    assert fed("pressures", items(TIMES, columns, ON)).verdict().finding == "undecided"


def test_a_shop_can_set_its_own_ranges():
    """The vehicle maker's figures replace the rule of thumb."""
    own = {"low_min_psi": 20.0, "low_max_psi": 28.0, "high_min_psi": 120.0, "high_max_psi": 160.0}
    assert watched(**own).verdict().finding == "both high"


@pytest.mark.parametrize("wrong", [{"valve": "tap"}, {"refrigerant": "R999"}, {"label_g": 600}])
def test_wrong_settings_are_refused(wrong):
    """A valve that is none, an unknown fluid, a setting of another watch."""
    with pytest.raises(BadInput):
        build("pressures", wrong, View())


@given(st.floats(1e5, 3e6), st.floats(0.0, 1e5))
def test_a_side_is_out_only_with_its_whole_interval(value, u):
    """Guarded rejection, simple acceptance within a wider range (JCGM 106, 8.2 and 8.3)."""
    expected = Range(1.0e6, 1.5e6, 0.8e6, 1.8e6, 1.1e6, 1.4e6)
    side = side_of(Value(value, u), expected)
    low, high = value - 1.959964 * u, value + 1.959964 * u
    assert side.out == (low > 1.5e6 or high < 1.0e6)
    if side.word == "normal":
        assert 1.0e6 <= value <= 1.5e6
        assert low >= 0.8e6
        assert high <= 1.8e6
    outcome, finding = pattern_of(side, side_of(Value(1.2e6, 0.0), expected))
    assert (outcome is Outcome.PASS) == (finding == "normal") == (side.word == "normal")


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 600.0), st.floats(-20.0, 500.0), st.floats(-20.0, 500.0)), max_size=60),
    st.booleans(),
)
def test_no_readings_break_the_watch(rows, mark):
    """Vacuum, nonsense or sparse: a verdict and a status always come, and twice the same."""
    times = np.array([row[0] for row in rows])
    columns = {Role.LOW_SIDE: np.array([row[1] for row in rows]), Role.HIGH_SIDE: np.array([row[2] for row in rows])}
    watch = fed("pressures", items(times, columns, ON if mark else []))
    watch.mark(Mark(0, "x"))
    assert watch.verdict().to_json() == watch.verdict().to_json()
    assert watch.status().sentence


def test_a_pattern_named_after_one_side_says_so():
    """A low side within its range is called normal though the pattern has it low; both out need no such words."""
    named = "the pattern is named after the side that is out, the other's lean and the likeliest cause"
    assert named in watched({"low": 33, "high": 345}).verdict().reasons
    assert named not in watched({"low": 10, "high": 330}).verdict().reasons


def test_a_charge_that_goes_in_is_no_running_loop():
    """Liquid let in by the high side parts the two sides; only a low side pulled down from its highest shows a compressor."""
    times = np.arange(0.0, 400.0, 1.0)
    filling = np.clip((times - 60.0) / 300.0, 0.0, 1.0)
    columns = {Role.LOW_SIDE: -14.0 + 60.0 * filling, Role.HIGH_SIDE: -14.0 + 110.0 * np.sqrt(filling)}
    charging = [(60.0, "charge start")]
    assert fed("pressures", items(times, columns, charging)).status().phase == "waiting"
    columns[Role.LOW_SIDE] = np.where(times > 300.0, 25.0, columns[Role.LOW_SIDE])
    columns[Role.HIGH_SIDE] = np.where(times > 300.0, 200.0, columns[Role.HIGH_SIDE])
    assert fed("pressures", items(times, columns, charging)).status().phase == "judged"
