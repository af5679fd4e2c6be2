"""The evacuation watch as its users see it: findings, phases, gaps, wild readings, replay."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hold_traces as traces
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Quality, Reading
from baytrace.measure.verdict import Outcome
from baytrace.watches.evacuation.phases import Said, meaning
from baytrace.watches.evacuation.wording import plain
from baytrace.watches.watch import build

LEAK, WATER = {"rate": 0.15}, {"vapour": 600.0}
PASS, FAIL, UNDECIDED = Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED


def judged(items, **settings):
    return traces.follow(traces.watch(**settings), items).verdict()


@pytest.mark.parametrize("period", [0.5, 1.0, 10.0])
@pytest.mark.parametrize(
    ("of_hold", "outcome", "finding"),
    [({}, PASS, "tight"), (LEAK, FAIL, "leak"), (WATER, FAIL, "moisture"), (LEAK | WATER, FAIL, "leak and moisture")],
    ids=["tight", "leak", "moisture", "both"],
)
def test_evacuation_whole_job_finds_what_is_there(of_hold, outcome, finding, period):
    """A whole marked job ends in its finding at any usual sample period, whatever the charge does to the gauge later."""
    verdict = judged(traces.job(period=period, **of_hold))
    assert (verdict.outcome, verdict.finding) == (outcome, finding), verdict.reasons


@pytest.mark.parametrize(
    ("of_hold", "finding"),
    [
        ({"vapour": 8.0, "tau": 100.0}, "tight"),
        (LEAK, "leak"),
        (WATER, "moisture"),
        (LEAK | WATER, "leak and moisture"),
    ],
)
def test_evacuation_without_marks_sees_the_turn(of_hold, finding):
    """Isolation that nobody marked is seen in the curve, and the charge without a mark ends the hold."""
    verdict = judged(traces.job(marks=False, seconds=1300.0, **of_hold))
    assert verdict.finding == finding, verdict.reasons
    assert any("not marked" in reason for reason in verdict.reasons)


def test_evacuation_flat_without_marks_is_not_passed():
    """A pressure that just stays low tells nothing of the pump: no mark, no turn, no pass."""
    verdict = judged(traces.pull_down(4500.0))
    assert (verdict.outcome, verdict.finding) == (UNDECIDED, "too short")
    assert "isolated" in " ".join(verdict.reasons)


def test_evacuation_hold_only_needs_no_pull_down():
    """With phase=hold the first reading begins the hold, and deep vacuum is not asked for."""
    verdict = judged(traces.hold(), phase="hold")
    assert verdict.finding == "tight"
    assert "deep_vacuum_time" not in verdict.evidence


def test_evacuation_evidence_holds_the_truth():
    """The interval of the leak holds the true leak, in the contract's names and units."""
    evidence = judged(traces.job(**(LEAK | WATER)), refrigerant="R134a").evidence
    assert evidence["leak_rate"].low < 0.15 * 2e-3 < evidence["leak_rate"].high
    assert evidence["vapour_rise"].low < 600.0 < evidence["vapour_rise"].high
    assert evidence["vapour_time"].value == pytest.approx(300.0, rel=0.1)
    assert {name: evidence[name].unit for name in ("rise_rate", "leak_rate", "vapour_rise", "hold_time")} == {
        "rise_rate": "Pa/s",
        "leak_rate": "Pa*m3/s",
        "vapour_rise": "Pa",
        "hold_time": "s",
    }
    assert evidence["yearly_loss_laminar"].value > 40.0 * evidence["yearly_loss_equal_throughput"].value


def test_evacuation_without_volume_has_no_leak_rate():
    """A leak rate that could not be had is left out; the rise is judged for the usual loop, and that is said."""
    verdict = judged(traces.job(**LEAK), volume_l=None)
    assert verdict.finding == "leak"
    assert "leak_rate" not in verdict.evidence
    assert any("volume" in reason for reason in verdict.reasons)


def test_evacuation_not_deep_enough():
    """A pump that stays clear of the target fails, with the deepest pressure shown."""
    items = traces.pull_down(2400.0, lowest=150.0) + traces.hold(at=2400.0, start=150.0)
    verdict = judged([traces.mark(0, "pump on"), *items[:2400], traces.mark(2400, "isolated"), *items[2400:]])
    assert (verdict.outcome, verdict.finding) == (FAIL, "not deep enough")
    assert verdict.evidence["deepest_pressure"].value == pytest.approx(150.0, abs=2.0)


def test_evacuation_short_deep_vacuum_and_short_hold():
    """Too little time below the target, or a hold cut short, is undecided and names the time missing."""
    for items in (traces.job(pump=1200.0), traces.job(seconds=500.0)):
        verdict = judged(items)
        assert (verdict.outcome, verdict.finding) == (UNDECIDED, "too short")
        assert verdict.evidence["more_time_needed"].value > 300.0


def test_evacuation_deep_vacuum_leaves_out_bounces_and_gaps():
    """Time counts below the target only: a bounce above it and a silence of the gauge add nothing."""
    items = traces.pull_down(2000.0)
    bounced = [r._replace(value=300.0) if 1000 <= (r.time_ns - traces.T0_NS) / 1e9 < 1300 else r for r in items]
    gone = [r for r in bounced if not 1500 <= (r.time_ns - traces.T0_NS) / 1e9 < 1800]
    whole, less = (traces.follow(traces.watch(), [traces.mark(0, "pump on"), *part]) for part in (items, gone))
    counted = [one.verdict().evidence["deep_vacuum_time"].value for one in (whole, less)]
    assert counted[0] - counted[1] == pytest.approx(600.0, abs=10.0)


def test_evacuation_gap_in_hold_cannot_pass():
    """A hold with a silence longer than allowed is undecided and says so; before and after it all was well."""
    items = [r for r in traces.job(seconds=1500.0) if not 2700 < (r.time_ns - traces.T0_NS) / 1e9 < 2900]
    verdict = judged(items)
    assert verdict.outcome is UNDECIDED
    assert any("Nothing was read" in reason for reason in verdict.reasons)


def test_evacuation_gauge_taken_off_after_a_full_hold():
    """Silence after the set hold is the gauge being disconnected, and takes nothing from the verdict."""
    following = traces.follow(traces.watch(), traces.job(charge=False, seconds=905.0))
    following.advance(traces.T0_NS + 5000 * traces.NS)
    assert following.verdict().finding == "tight"
    assert following.status().phase == "over"


def test_evacuation_silent_gauge_is_told_live():
    """While the gauge is silent in a hold, the status says so from the heartbeat alone."""
    following = traces.follow(traces.watch(), traces.job(charge=False, seconds=300.0))
    following.advance(traces.T0_NS + 2900 * traces.NS)
    assert "Nothing was read" in following.status().sentence


def test_evacuation_pump_restarted_ends_the_hold():
    """A hold that is drawn down again is over; a second isolation begins another, judged alone."""
    first = traces.job(charge=False, seconds=400.0, **WATER)
    again = traces.pull_down(1900.0, time=20.0, at=2900.0)
    second = [traces.mark(4800.0, "isolated"), *traces.hold(at=4800.0)]
    following = traces.follow(traces.watch(), first + [r._replace(value=min(r.value, 400.0)) for r in again])
    assert following.phase == "deep vacuum"
    assert following.verdict().finding == "too short"
    assert traces.follow(following, second).verdict().finding == "tight"


@pytest.mark.parametrize("speed", [30.0, 3000.0, 90_000.0])
def test_evacuation_valve_opened_does_not_read_as_leak(speed):
    """A valve opened late in a hold ends it; the rush of gas is no part of the fit."""
    opened = [traces.pressure(3306.0 + s, min(60.0 + speed * s, 3e5)) for s in range(1, 200)]
    items = traces.job(charge=False) + opened
    verdict = judged(items)
    assert verdict.finding == "tight", verdict.reasons


def test_evacuation_gross_leak_fails_before_the_set_time():
    """A rise beyond what any vapour could reach is a leak, however short the hold."""
    items = [traces.mark(0, "pump on"), *traces.pull_down(), traces.mark(2400, "isolated")]
    items += [traces.pressure(2400.0 + s, 40.0 + 25.0 * s) for s in range(500)]
    verdict = judged(items)
    assert (verdict.outcome, verdict.finding) == (FAIL, "leak"), verdict.reasons


def test_evacuation_early_evidence_is_told_but_the_hold_runs_on():
    """Enough evidence before the set time is said, the verdict waits, unless the session allows stopping early."""
    items = traces.job(charge=False, seconds=600.0)
    patient = traces.follow(traces.watch(), items)
    assert patient.verdict().finding == "too short"
    assert patient.status().details["early"]["finding"] == "tight"
    assert "the set time runs on" in patient.status().sentence
    assert traces.follow(traces.watch(stop_early=True), items).verdict().finding == "tight"


def test_evacuation_water_plateau_in_pull_down_is_told():
    """A pull-down that stands still at saturation of the loop's temperature is liquid water boiling off."""
    following = traces.watch()
    for s in range(600):
        following.reading(traces.temperature(s, 295.15))
        following.reading(traces.pressure(s, max(101_325.0 * math.exp(-s / 30.0), 2640.0)))
    assert "water was boiling off" in " ".join(following.verdict().reasons)
    assert "water is boiling off" in following.status().sentence


def test_evacuation_unusable_and_late_readings_change_nothing():
    """Readings flagged as unusable, and readings older than what was seen, are left out without harm."""
    clean = traces.job()
    dirty = list(clean)
    for at in range(50, len(dirty), 400):
        item = dirty[at]
        if isinstance(item, Reading):
            dirty.insert(at, item._replace(value=math.nan, quality=int(Quality.NOT_A_NUMBER)))
            dirty.insert(at + 2, item._replace(time_ns=item.time_ns - 30 * traces.NS, value=9e4))
    assert judged(dirty).finding == "tight"


def test_evacuation_single_wild_readings_are_left_out():
    """Single stray values in a hold, zero or huge, change neither finding nor interval by much, and are counted."""
    items = traces.job()
    wild = [
        r._replace(value=0.0 if i % 400 else 9e4) if isinstance(r, Reading) and r.channel == "p" and i % 200 == 7 else r
        for i, r in enumerate(items)
    ]
    clean, stray = judged(items), judged(wild)
    assert stray.finding == "tight"
    assert stray.evidence["rise_rate"].high < 2.0 * clean.evidence["rise_rate"].high + 1e-3
    assert any("wild" in reason for reason in stray.reasons)


def test_evacuation_replay_is_equal_to_the_bit():
    """Asking in between changes nothing: a replay gives the same verdict and evidence to the last bit."""
    items = traces.job(**(LEAK | WATER))
    quiet = traces.follow(traces.watch(), items)
    asked = traces.watch()
    for index, item in enumerate(items):
        traces.follow(asked, [item])
        if index % 500 == 0:
            asked.status()
            asked.verdict()
    assert quiet.verdict().to_json() == asked.verdict().to_json()


@given(
    st.lists(st.tuples(st.floats(-100, 1e6), st.floats(-1e7, 1e9)), max_size=60),
    st.sampled_from(["pump on", "isolated", "x"]),
)
@settings(max_examples=60, deadline=None)
def test_evacuation_survives_any_readings(points, text):
    """Whatever comes, in whatever order, the watch answers with a verdict and a status and never raises."""
    following = traces.watch(hold_s=60.0)
    for index, (second, value) in enumerate(points):
        if index == 5:
            following.mark(traces.mark(second, text))
        following.reading(traces.pressure(second, value))
        following.advance(traces.T0_NS + round(second * traces.NS))
    assert following.verdict().watch == "evacuation"
    assert following.status().sentence


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("pump on", Said.PUMP_ON),
        ("Isolated", Said.ISOLATED),
        ("pump off, valves closed", Said.ISOLATED),
        ("charge start", Said.ENDED),
        ("engine on", Said.ENDED),
        ("coil 1", None),
        ("charge end", None),
    ],
)
def test_evacuation_marks_by_meaning(text, said):
    """Marks are understood by what people write."""
    assert meaning(text) is said


def test_evacuation_bad_settings_are_named():
    """An unknown setting, a value out of range and an unknown refrigerant are refused in one line."""
    with pytest.raises(BadInput, match="volume"):
        build("evacuation", {"volume_l": "-1"}, traces.channels())
    with pytest.raises(BadInput, match="no such setting"):
        build("evacuation", {"volum": "1"}, traces.channels())
    with pytest.raises(BadInput, match="refrigerant"):
        build("evacuation", {"refrigerant": "R999"}, traces.channels())


def test_evacuation_status_speaks_plainly_in_every_phase():
    """Every phase has a sentence; the hold's names time, rise, water and leak, and carries a curve with its band."""
    following = traces.watch()
    assert "Waiting" in following.status().sentence
    traces.follow(following, [traces.mark(0, "pump on"), *traces.pull_down(100.0)])
    assert following.status().sentence.startswith("Pulling down")
    traces.follow(following, traces.pull_down(2400.0)[100:])
    assert following.status().sentence.startswith("Deep vacuum")
    traces.follow(following, [traces.mark(2400, "isolated"), *traces.hold(560.0, at=2400.0)])
    status = following.status()
    assert status.sentence.startswith("Holding vacuum, 9 min 20 s of 15 min, steady rise")
    assert status.curve is not None
    assert len(status.curve.times_ns) == len(status.curve.low) == len(status.curve.high)
    assert [phase["phase"] for phase in status.details["phases"]] == ["pull-down", "deep vacuum", "hold"]
    assert status.time_left_s == pytest.approx(340.0, abs=5.0)


def air(start, end):
    return [traces.pressure(second, 101_325.0) for second in range(start, end)]


def test_evacuation_deep_vacuum_before_air_came_in_does_not_count():
    """A loop opened after a hold and pumped down anew has its deep vacuum counted from nothing, marked or not."""
    leaky = traces.job(charge=False, rate=0.3)
    again = [*air(3400, 4000), *traces.pull_down(600.0, at=4000.0)]
    rest = [traces.mark(4600.0, "isolated"), *traces.hold(at=4600.0)]
    for marks in ([traces.mark(4000.0, "pump on")], []):
        verdict = judged([*leaky, *again[:600], *marks, *again[600:], *rest])
        assert (verdict.outcome, verdict.finding) == (UNDECIDED, "too short"), verdict.reasons
        assert verdict.evidence["deep_vacuum_time"].value < 200.0


def test_evacuation_air_let_in_with_the_pump_on_starts_the_count_anew():
    """Air let in during the deep vacuum voids what was counted before it."""
    items = [traces.mark(0, "pump on"), *traces.pull_down(2000.0), traces.mark(2001.0, "pump on"), *air(2001, 2015)]
    following = traces.follow(traces.watch(), [*items, *traces.pull_down(700.0, at=2015.0)])
    assert following.verdict().evidence["deep_vacuum_time"].value < 300.0


def test_evacuation_pass_does_not_outlive_an_opened_loop():
    """Once air was let in and the pump is marked on again, the pass of the hold before says nothing of the loop as it is."""
    following = traces.follow(traces.watch(), [*traces.job(charge=False), *air(3400, 3500)])
    assert following.verdict().finding == "tight"
    traces.follow(following, [traces.mark(3500.0, "pump on"), *traces.pull_down(60.0, at=3500.0)])
    verdict = following.verdict()
    assert (verdict.outcome, verdict.finding) == (UNDECIDED, "too short")
    assert "started again after the last hold (tight)" in verdict.reasons[0]
    assert "hold_time" not in verdict.evidence


def test_evacuation_isolation_marked_long_before_any_vacuum_begins_no_hold():
    """A mark at a pressure that is no vacuum is a slip: the deep vacuum after it counts, and the real mark begins the hold."""
    items = traces.job(charge=False)
    at = next(i for i, item in enumerate(items) if item.time_ns >= traces.T0_NS + 60 * traces.NS)
    slipped = [*items[:at], traces.mark(60.0, "isolated"), *items[at:]]
    assert "isolated' was marked at" in " ".join(judged(slipped[: at + 200]).reasons)
    assert judged(slipped).finding == "tight"


def test_evacuation_hold_end_marked_without_a_hold_ends_nothing():
    """`hold end` said while the pump runs does not stop the deep vacuum from counting."""
    items = traces.job(charge=False)
    at = next(i for i, item in enumerate(items) if item.time_ns >= traces.T0_NS + 600 * traces.NS)
    assert judged([*items[:at], traces.mark(600.0, "hold end"), *items[at:]]).finding == "tight"


@pytest.mark.parametrize(
    ("items", "said"),
    [
        (traces.job(pump=1000.0, seconds=60.0, charge=False), "Deep vacuum lasted 8 min 24 s of the 30 min set"),
        (
            [
                traces.mark(0, "pump on"),
                *traces.pull_down(2400.0, lowest=90.0),
                traces.mark(2400, "isolated"),
                *traces.hold(60.0, at=2400.0, start=90.0),
            ],
            "The deepest pressure was 89 Pa, the target is 67 Pa",
        ),
        (
            [i for i in traces.job(seconds=300.0, charge=False) if not 2500 < (i.time_ns - traces.T0_NS) / 1e9 < 2600],
            "Nothing was read",
        ),
    ],
)
def test_evacuation_hold_that_cannot_pass_any_more_says_so_at_once(items, said):
    """Nobody waits a quarter of an hour for a hold that what went before, or a gap, already keeps from passing."""
    status = traces.follow(traces.watch(), items).status()
    assert status.sentence.startswith(said) or said in status.sentence
    assert "cannot pass" in status.sentence
    assert "mark '" in status.sentence
    assert status.time_left_s is None


def test_evacuation_gauge_that_says_nothing_while_pumping_is_told():
    """No pressure is invented for a gauge that never spoke, and a countdown stands still while it is silent."""
    following = traces.follow(traces.watch(), [traces.mark(0, "pump on")])
    assert following.status().sentence.startswith("Waiting for the vacuum gauge")
    traces.follow(following, traces.pull_down(1200.0))
    following.advance(traces.T0_NS + 1300 * traces.NS)
    status = following.status()
    assert "silent for 1 min 41 s" in status.sentence
    assert status.time_left_s is None


@pytest.mark.parametrize(
    ("value", "said"), [(180.4, "180"), (0.0123, "0.012"), (9.96, "10"), (38_577.0, "39000"), (0.0, "0")]
)
def test_evacuation_figures_in_sentences_have_two_digits_and_no_powers(value, said):
    """A technician reads `180 Pa/min`, never `1.8e+02`, and no more digits than a fit of a hold can bear."""
    assert plain(value) == said


def test_evacuation_rise_that_may_be_nothing_is_told_as_at_most():
    """Where the interval of the rise begins at nought its upper end is told, not a best guess of `0`."""
    sentence = traces.follow(traces.watch(), traces.job(seconds=60.0, charge=False)).status().sentence
    assert "steady rise at most" in sentence


def test_evacuation_sentences_agree_with_their_evidence():
    """A rise that levels off below the limit is no `no water`; one reading left out is one; a mark that ended the hold is named."""
    verdict = judged([*traces.job(charge=False, vapour=40.0)])
    assert verdict.evidence["vapour_rise"].low > 0.0
    assert verdict.reasons[0] == "The loop holds: no leak and no water above the limits."
    items = traces.job(seconds=300.0)
    items[1200] = items[1200]._replace(quality=int(Quality.NOT_A_NUMBER))
    cut = judged(items)
    assert "1 unusable reading was left out." in cut.reasons
    assert "The hold ended by the mark 'charge start'." in cut.reasons
    assert cut.evidence["more_time_needed"].value == 900.0


def test_evacuation_over_says_what_is_missing():
    """An undecided hold that is over is told with its reason and the way on; one that passed by its finding."""
    over = traces.follow(traces.watch(), traces.job(pump=1000.0)).status().sentence
    assert over.startswith("Hold over, undecided: deep vacuum lasted 8 min 24 s")
    assert over.endswith("to try again, mark 'pump on'")
    assert traces.follow(traces.watch(), traces.job()).status().sentence == "Hold over: tight (pass)"
    none = traces.follow(
        traces.watch(), [traces.mark(0, "pump on"), *traces.pull_down(60.0), traces.mark(60, "nitrogen")]
    )
    assert none.status().sentence.startswith("Evacuation over, undecided: no hold was seen")


def test_evacuation_unmarked_hold_that_ran_its_time_asks_for_its_end():
    """Only the end of a hold that nobody marked settles it, so its mark is asked for."""
    items = [*traces.pull_down(2400.0), *traces.hold(1100.0, at=2400.0, rate=0.3)]
    status = traces.follow(traces.watch(), items).status()
    assert status.sentence.endswith("long enough, mark 'hold end'")
    assert status.details["mark"] == "hold end"
