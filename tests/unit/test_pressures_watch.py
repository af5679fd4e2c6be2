"""The pressures watch: the pattern's name, its doubt, and what it points at."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Mark
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Outcome
from baytrace.physics.fluid_names import resolve
from baytrace.watches.pressures import judge
from baytrace.watches.pressures.blind import Blind
from baytrace.watches.pressures.expect import Range, at_ambient, expected
from baytrace.watches.pressures.likelihood import Cause, Ranking
from baytrace.watches.pressures.pattern import side_of
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.figures import Value
from baytrace.watches.running.own_judgement import OwnJudgement
from baytrace.watches.watch import View, build
from charge_bench import ROLES, STANDING, assumed_sea_level, fed, items, relaxing, view

TIMES = np.arange(0.0, 480.0, 1.0)
ON = [(60.0, "engine on")]


SOUND = Ranking((Cause("nothing wrong", 0.8), Cause("undercharge", 0.15, ("restriction",))))
UNSURE = Ranking((Cause("undercharge", 0.5), Cause("nothing wrong", 0.4)))
SUSPECT = Ranking((Cause("condenser airflow", 0.7), Cause("nothing wrong", 0.1)), suspected=True)


@pytest.fixture
def signs(monkeypatch):
    """Says what the ranking of causes comes to, whatever the readings: the ranking itself is tested elsewhere."""

    def say(ranking, spots=()):
        monkeypatch.setattr(judge, "ranked", lambda *_: ranking)
        monkeypatch.setattr(judge, "blind_spots", lambda *_: spots)
        monkeypatch.setattr(judge, "not_judged", lambda *_: "")

    say(SOUND)
    return say


def watched(running=None, marks=ON, times=TIMES, *, only_pressures=False, standing=None, **settings):
    fluid = "" if settings.get("refrigerant") == "R744" else "R134a"
    columns = relaxing(times, 60.0, tau=25.0, running=running, standing=standing, fluid=fluid)
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
        (2, 88, "both low", Outcome.FAIL),
        (70, 120, "low high and high low", Outcome.FAIL),
        (3, 330, "low low and high high", Outcome.FAIL),
    ],
)
def test_the_pattern_has_the_trades_name(low, high, finding, outcome, signs):
    """R134a on a day of 27 degC: psi on both gauges, and what it is called where the other signs agree."""
    signs(SOUND if finding == "normal" else Ranking((), suspected=True))
    verdict = watched({"low": low, "high": high}).verdict()
    assert (verdict.finding, verdict.outcome) == (finding, outcome)
    assert verdict.evidence["low_side_pressure"].value == pytest.approx(low * 6894.757 + 101325.0, rel=0.01)


def test_evacuation_and_charging_before_do_not_count(signs):
    """A whole job on one trace: deep vacuum and standing pressure first; only the running loop is judged."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        columns[role][TIMES < 40.0] = -14.6
    verdict = fed("pressures", items(TIMES, columns, [(40.0, "charge start"), (55.0, "charge end"), *ON])).verdict()
    assert verdict.finding == "normal"


def test_after_the_engine_stops_nothing_is_judged(signs):
    """The equalised pressures after `engine off` do not spoil the verdict."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        columns[role][TIMES > 380.0] = 90.0
    for marks in ([*ON, (380.0, "engine off")], ON):
        assert fed("pressures", items(TIMES, columns, marks)).verdict().finding == "normal"


def test_a_clutch_that_does_not_engage_is_named_first():
    """Engine on, pressures equal: nothing pumps."""
    columns = {role: np.full(len(TIMES), STANDING[name]) for name, role in ROLES.items()}
    columns[Role.AMBIENT_AIR] = np.full(len(TIMES), 27.0)
    verdict = fed("pressures", items(TIMES, columns, ON)).verdict()
    assert (verdict.finding, verdict.outcome) == ("no pumping", Outcome.FAIL)
    assert "nothing pumps" in verdict.reasons[0]
    assert verdict.more["causes"][0]["cause"] == "clutch not engaged"


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


@pytest.mark.parametrize("wrong", [{"valve": "tap"}, {"refrigerant": "R999"}, {"label_g": 600}])
def test_wrong_settings_are_refused(wrong):
    """A valve that is none, an unknown fluid, a setting of another watch."""
    with pytest.raises(BadInput):
        build("pressures", wrong, View())


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


# -- what a pass means


def test_without_own_figures_a_pass_speaks_of_the_usual_range(signs):
    """Its first sentence says no more than that; causes, blind spots and laws are there, and none of it says that all is well."""
    verdict = watched().verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.PASS, "normal")
    assert verdict.reasons[0] == "Within the usual range for this refrigerant and this day."
    assert [cause["cause"] for cause in verdict.more["causes"]] == ["nothing wrong", "undercharge"]
    assert verdict.more["causes"][1]["or"] == ["restriction"]
    assert verdict.more["laws"] == []


@pytest.mark.parametrize("ranking", [SUSPECT, UNSURE, Ranking(), Ranking((), suspected=True)])
def test_nothing_passes_beside_a_likely_cause(ranking, signs):
    """Pressures in the usual range with signs that are suspect, or that speak for a fault first, or that cannot be weighed."""
    signs(ranking)
    verdict = watched().verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.UNDECIDED, "undecided")
    assert "usual range for this" not in " ".join(verdict.reasons)


@pytest.mark.parametrize("ranking", [SOUND, UNSURE])
def test_a_side_beyond_all_sound_cars_fails_only_where_the_signs_agree(ranking, signs):
    """65 and 340 psi with signs of a sound loop contradict each other: that is told, and nothing decided."""
    signs(ranking)
    verdict = watched({"low": 65, "high": 340}).verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "do not agree" in verdict.reasons[0]
    signs(SUSPECT)
    assert watched({"low": 65, "high": 340}).verdict().finding == "both high"


def test_own_figures_make_a_pass_speak_of_the_car(signs, monkeypatch):
    """The car's own figures pass, fail or leave undecided in place of the usual range, and never beside a likely cause."""

    def own(outcome, *, spoke=True):
        said = OwnJudgement(outcome, "maker's table", ("low side as the table has it",), {}, spoke)
        monkeypatch.setattr("baytrace.watches.pressures.watch.own_judgement", lambda *_: said)
        return watched().verdict()

    passed = own(Outcome.PASS)
    assert passed.outcome is Outcome.PASS
    assert passed.reasons[0] == "Within the car's own figures (maker's table)."
    assert own(Outcome.FAIL).outcome is Outcome.FAIL
    assert own(Outcome.UNDECIDED).outcome is Outcome.UNDECIDED
    assert own(Outcome.UNDECIDED, spoke=False).reasons[0].startswith("Within the usual range")
    signs(SUSPECT)
    assert own(Outcome.PASS).outcome is Outcome.UNDECIDED


def test_a_bench_that_asks_for_own_figures_passes_nothing_without(signs):
    """`running_reference = "required"` leaves a usual loop undecided, and says why."""
    verdict = watched(reference="required").verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "asks for the car's own figures" in verdict.reasons[0]


def test_blind_spots_are_said_with_every_verdict(signs):
    """One sentence and one entry a cause, whatever the outcome."""
    signs(SOUND, (Blind("condenser airflow", 40.0, 70.0), Blind("undercharge", None, 70.0)))
    for running in (None, {"low": 65, "high": 340}):
        verdict = watched(running).verdict()
        assert verdict.more["blind"][0]["smallest"] == {"value": 40.0, "unit": "%"}
        assert "smallest" not in verdict.more["blind"][1]
        assert verdict.reasons[-1].startswith("Against cars at large it would have shown ")
        assert verdict.reasons[-1].count("; it would") == 1


# -- what is not known


def test_two_gauges_alone_pass_nothing(signs):
    """Without ambient no range is that of a day: nothing passes, what no day explains still fails, and what to enter is said."""
    usual = watched(marks=(), only_pressures=True).verdict()
    assert usual.outcome is Outcome.UNDECIDED
    assert any("ambient_c" in reason for reason in usual.reasons)
    signs(SUSPECT)
    assert watched({"low": 80, "high": 420}, marks=(), only_pressures=True).verdict().finding == "both high"


def test_a_refrigerant_that_nobody_named_passes_nothing(signs):
    """Its figures span the usual ones (R1234yf boils at 2.7 bar and -3 degC where R134a does at +... : wider), and it is asked for."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    watch = build("pressures", {}, view())
    for thing in items(TIMES, columns, ON):
        (watch.mark if isinstance(thing, Mark) else watch.reading)(thing)
    verdict, named = watch.verdict(), watched().verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert any("(refrigerant)" in reason for reason in verdict.reasons)
    wide, narrow = (each.evidence["evaporating_temperature"] for each in (verdict, named))
    assert wide.low < narrow.low - 2.0
    assert wide.high == pytest.approx(narrow.high, abs=0.1)


def test_an_unknown_site_widens_what_is_judged(signs):
    """A low side near its lower edge passes at the sea and not at a site nobody knows; elevation settles it."""
    columns = relaxing(TIMES, 60.0, tau=25.0, running={"low": 24.0, "high": 200.0})
    things = items(TIMES, columns, ON, assumed_sea_level())
    assert fed("pressures", items(TIMES, columns, ON)).verdict().outcome is Outcome.PASS
    unknown = fed("pressures", things).verdict()
    assert unknown.outcome is Outcome.UNDECIDED
    assert any("elevation_m" in reason for reason in unknown.reasons)
    assert fed("pressures", things, {"elevation_m": 0.0}).verdict().outcome is Outcome.PASS


def test_a_coarse_gauge_passes_nothing(signs):
    """The same pressures with a gauge good to 1 bar: inside, but not for certain."""
    coarse = {"low_side": "10 % of full scale (10 bar)"}
    verdict = fed("pressures", items(TIMES, relaxing(TIMES, 60.0, tau=25.0), ON), accuracy=coarse).verdict()
    assert (verdict.finding, verdict.outcome) == ("undecided", Outcome.UNDECIDED)
    assert any("not for certain" in reason for reason in verdict.reasons)


# -- ranges


def test_warm_days_are_expected_to_run_higher(signs):
    """330 psi lies beyond every sound car at 15 degC, and in the usual range at 42 degC."""
    running = {"low": 38.0, "high": 330.0}
    warm = relaxing(TIMES, 60.0, tau=25.0, running=running, standing={"low": 141.0, "high": 141.0})
    warm[Role.AMBIENT_AIR][:] = 42.0
    assert fed("pressures", items(TIMES, warm, ON)).verdict().finding == "normal"
    cool = relaxing(TIMES, 60.0, tau=25.0, running=running | {"low": 30.0}, standing={"low": 57.0, "high": 57.0})
    cool[Role.AMBIENT_AIR][:] = 15.0
    signs(SUSPECT)
    assert fed("pressures", items(TIMES, cool, ON)).verdict().outcome is Outcome.FAIL


def test_another_refrigerant_is_expected_at_its_own_pressures():
    """Ranges are temperatures: R1234yf's low side is expected some tenths of a bar above R134a's."""
    ambient = Value(300.15, 0.5)
    own = [
        expected(resolve(name), PressuresSettings(refrigerant=name), ambient, 0.5).low_side
        for name in ("R134a", "R1234yf")
    ]
    assert 0.1e5 < own[1].low - own[0].low < 0.5e5


def test_a_shop_can_set_its_own_ranges(signs):
    """The vehicle maker's figures replace the usual range."""
    signs(SUSPECT)
    own = {"low_min_psi": 20.0, "low_max_psi": 28.0, "high_min_psi": 120.0, "high_max_psi": 160.0}
    assert watched(**own).verdict().finding == "both high"


def test_a_pattern_named_after_one_side_says_so(signs):
    """A low side within its range leans as the likeliest cause has it; both out need no such words."""
    signs(SUSPECT)
    named = "The pattern is named after the side that is out, the other's lean and the likeliest cause."
    assert named in watched({"low": 33, "high": 420}).verdict().reasons
    assert named not in watched({"low": 2, "high": 420}).verdict().reasons


@given(st.floats(1e5, 3e6), st.floats(0.0, 1e5), st.floats(0.0, 3e4))
def test_acceptance_and_rejection_are_guarded(value, u, below):
    """Out or inside only with the whole interval, with what is not known in it (JCGM 106, 8.3)."""
    side = side_of(Value(value, u, below), Range(1.0e6, 1.5e6, 0.8e6, 1.8e6))
    low, high = value - 1.959964 * u - below, value + 1.959964 * u
    assert side.out == (low > 1.8e6 or high < 0.8e6)
    assert (side.word == "normal") == (low >= 1.0e6 and high <= 1.5e6)


@pytest.mark.parametrize("name", ["R134a", "R1234yf", "R744"])
@pytest.mark.parametrize("celsius", [-40.0, 0.0, 15.0, 33.0, 45.0, 75.0, 90.0])
def test_every_day_has_ranges_in_order(name, celsius):
    """From arctic to desert, and for an ambient that is none: no error, and the usual range lies within the widest."""
    wanted = expected(resolve(name), PressuresSettings(refrigerant=name), Value(celsius + 273.15, 0.2), 0.5)
    for side in (wanted.low_side, wanted.high_side):
        assert side.widest_low <= side.low
        assert side.high <= side.widest_high


def test_an_ambient_of_75_degrees_gives_a_verdict():
    """A thermometer in the sun, or a slip: every watch of the running loop still says something."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    columns[Role.AMBIENT_AIR][:] = 75.0
    columns[Role.AMBIENT_HUMIDITY] = np.full(len(TIMES), 0.5)
    for name in ("pressures", "charge"):
        watch = fed(name, items(TIMES, columns, ON))
        assert watch.verdict().outcome is not Outcome.PASS
        assert watch.status().sentence


@given(st.floats(-50.0, 90.0))
def test_a_range_lies_between_its_neighbours(celsius):
    """Straight between rows and held beyond them."""
    rows = [[20.0, 1.0, 5.0], [30.0, 3.0, 4.0]]
    low, high = at_ambient(rows, celsius)
    assert 1.0 <= low <= 3.0
    assert 4.0 <= high <= 5.0
