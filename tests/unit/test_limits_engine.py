"""User-written limits raise, clear and stay silent as written."""

import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Event, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.alarms import State
from baytrace.watches.limits import LimitEngine, parse_rules
from baytrace.watches.watch import View, build

ATM = 101_325.0
PSI = 6894.757293168361


def channel(name, role, unit, accuracy="0.1 % of reading"):
    return Channel(name, role, unit_for(role, unit), Accuracy.parse(accuracy), "gauge")


CHANNELS = {
    each.name: each
    for each in (
        channel("low", Role.LOW_SIDE, "psi"),
        channel("vent", Role.VENT_AIR, "degC", "0.5 K"),
        channel("air", Role.BAROMETER, "hPa"),
    )
}


def low(second, psig, quality=0):
    return Reading(int(second * NS), "low", Role.LOW_SIDE, psig * PSI + ATM, quality)


def vent(second, celsius):
    return Reading(int(second * NS), "vent", Role.VENT_AIR, celsius + 273.15)


def engine(**rule):
    return LimitEngine(parse_rules([rule]), CHANNELS)


def actions(limits):
    return [(round(each.time_ns / NS, 3), each.spec.id, each.action) for each in limits.transitions()]


def test_limits_set_at_the_limit_and_clear_a_deadband_inside():
    """High raises above its limit and returns only below limit minus deadband."""
    limits = engine(channel="low", high=50.0, deadband=5.0)
    for second, psig in enumerate((49, 51, 49, 46, 44.9, 49, 51)):
        limits.reading(low(second, psig))
    assert actions(limits) == [(1, "low-high", "raised"), (4, "low-high", "returned"), (6, "low-high", "raised")]


def test_limits_without_a_name_are_called_as_people_call_their_channel():
    """The alarm and the reason name the channel as its tile does, and say the limit once."""
    limits = engine(channel="low", high=50.0)
    limits.reading(low(0, 51))
    (raised,) = limits.transitions()
    assert (raised.spec.name, raised.spec.text) == ("Low side (low) high", "above 50 psi")
    broken = judged([low(0, 40.0), low(1, 60.0)], channel="low", high=50.0)
    assert broken.reasons == ("Low side (low) went above 50 psi",)


def test_limits_delays_want_an_unbroken_stretch():
    """On-delay and off-delay begin again with every break."""
    limits = engine(channel="low", high=50.0, on_delay_s=3.0, off_delay_s=2.0)
    for second, psig in enumerate((51, 51, 49, 51, 51, 51, 51, 49, 51, 49, 49, 49)):
        limits.reading(low(second, psig))
    assert actions(limits) == [(6, "low-high", "raised"), (11, "low-high", "returned")]


def test_limits_delay_runs_out_by_time_alone():
    """The heartbeat is enough for an on-delay to run out while the last reading still counts."""
    limits = engine(channel="low", high=50.0, on_delay_s=3.0)
    limits.reading(low(0, 51))
    limits.advance(3 * NS)
    assert actions(limits) == [(3, "low-high", "raised")]


def test_limits_gauge_limit_follows_the_barometer():
    """A gauge limit counts from the atmosphere of the moment, not from sea level."""
    limits = engine(channel="low", high=1.0, unit="psi")
    limits.reading(Reading(0, "air", Role.BAROMETER, 84_500.0))
    limits.reading(Reading(NS, "low", Role.LOW_SIDE, 84_500.0 + 2.0 * PSI))
    assert actions(limits) == [(1, "low-high", "raised")]
    absolute = engine(channel="low", high=14.0, unit="psia")
    absolute.reading(Reading(NS, "low", Role.LOW_SIDE, 13.0 * PSI))
    assert actions(absolute) == []


def test_limits_unknown_neither_clears_nor_counts_towards_clearing():
    """Unusable readings and silence leave a raised alarm raised, and the off-delay begins anew afterwards."""
    limits = engine(channel="low", high=50.0, off_delay_s=2.0)
    limits.reading(low(0, 60))
    limits.reading(low(1, 40))
    limits.reading(low(2, 40, Quality.NOT_A_NUMBER))
    limits.reading(low(3, 40))
    limits.advance(60 * NS)
    limits.reading(low(61, 40))
    assert actions(limits) == [(0, "low-high", "raised")]
    limits.reading(low(63, 40))
    assert actions(limits) == [(63, "low-high", "returned")]


def test_limits_silence_is_an_alarm_of_its_own():
    """A channel never heard, or gone silent, is stale after its time and well again with the next reading."""
    limits = engine(role="vent_air", stale_after_s=5.0)
    limits.advance(0)
    limits.advance(5 * NS)
    assert actions(limits) == []
    limits.advance(6 * NS)
    limits.reading(vent(7, 20.0))
    limits.reading(low(30, 20.0))
    assert actions(limits) == [(6, "vent-stale", "raised"), (7, "vent-stale", "returned"), (30, "vent-stale", "raised")]


def test_limits_rate_is_a_slope_not_a_step_between_two_readings():
    """One jumpy reading is no rate; a steady climb is."""
    limits = engine(channel="vent", rate_high=6.0, rate_window_s=20.0)
    for second in range(60):
        limits.reading(vent(second, 20.0 + (0.3 if second == 30 else 0.0)))
    assert actions(limits) == []
    for second in range(60, 100):
        limits.reading(vent(second, 20.0 + (second - 60) * 0.2))
    raised = actions(limits)
    assert [each[2] for each in raised] == ["raised"]
    assert 60 < raised[0][0] < 80


def test_limits_restart_goes_on_from_the_journal():
    """After a restart the alarm stands, nothing is raised twice, and it returns when seen normal."""
    limits = engine(channel="low", high=50.0)
    limits.reading(low(0, 60))
    events = [Event(each.time_ns, 0, "alarm", "", each.data()) for each in limits.transitions()]
    again = engine(channel="low", high=50.0)
    again.restore(events)
    again.advance(100 * NS)
    assert again.book.state("low-high") is State.UNACKNOWLEDGED
    again.reading(low(101, 60))
    assert actions(again) == []
    again.reading(low(102, 40))
    assert actions(again) == [(102, "low-high", "returned")]


@given(st.lists(st.tuples(st.floats(0.0, 5.0), st.floats(30.0, 70.0)), max_size=60), st.floats(0.1, 4.0))
def test_limits_never_depend_on_the_unit_they_are_written_in(steps, deadband):
    """The same limit in psi, bar and kPa gives the same alarms at the same instants."""
    told = []
    for unit, factor in (("psi", 1.0), ("bar", PSI / 1e5), ("kPa", PSI / 1e3)):
        limits = engine(channel="low", high=50.0 * factor, deadband=deadband * factor, unit=unit, on_delay_s=2.0)
        second = 0.0
        for step, psig in steps:
            second += step
            if abs(psig - 50.0) > 1e-6 and abs(psig - 50.0 + deadband) > 1e-6:
                limits.reading(low(second, psig))
        told.append(actions(limits))
    assert told[0] == told[1] == told[2]


@pytest.mark.parametrize(
    ("rule", "named"),
    [
        ({"high": 1.0}, "channel or a role"),
        ({"channel": "low"}, "at least one"),
        ({"channel": "low", "high": 1.0, "low": 2.0}, "above low"),
        ({"channel": "low", "high": 1.0, "wibble": 2}, "wibble"),
        ({"channel": "low", "high": 1.0, "priority": "loud"}, "priority"),
        ({"role": "mid_side", "high": 1.0}, "role"),
    ],
)
def test_limits_that_make_no_sense_are_named(rule, named):
    """A faulty limit names its place and key."""
    with pytest.raises(BadInput, match=named) as fault:
        parse_rules([{"channel": "vent", "low": 0.0}, rule])
    assert "limit[1]" in str(fault.value)


def test_limits_unit_that_does_not_fit_its_channel_is_refused():
    """A temperature limit on a pressure is a mistake, and so are two alarms of one name."""
    with pytest.raises(BadInput, match="pressure"):
        engine(channel="low", high=1.0, unit="degC")
    with pytest.raises(BadInput, match="two limits"):
        LimitEngine(parse_rules([{"channel": "low", "high": 1.0}, {"channel": "low", "high": 2.0}]), CHANNELS)


def judged(readings, **rule):
    watch = build("limits", {"limits": json.dumps([rule])}, View(CHANNELS))
    for reading in readings:
        watch.reading(reading)
    return watch.verdict()


def test_limits_verdict_passes_fails_or_stays_open_by_the_whole_interval():
    """Near the limit the instrument cannot tell, and says so; far from it the answer is sure."""
    rule = {"channel": "vent", "high": 12.0}
    assert judged([vent(0, 8.0), vent(1, 10.0)], **rule).outcome is Outcome.PASS
    near = judged([vent(0, 8.0), vent(1, 11.8)], **rule)
    assert near.outcome is Outcome.UNDECIDED
    assert "gauge" in near.reasons[0]
    broken = judged([vent(0, 8.0), vent(1, 14.0)], **rule)
    assert (broken.outcome, broken.finding) == (Outcome.FAIL, "limit broken")
    assert broken.evidence["vent_highest"].value == pytest.approx(14.0)


def test_limits_verdict_is_open_after_silence_without_channel_and_without_limits():
    """What was not heard cannot pass."""
    assert judged([vent(0, 8.0), vent(100, 8.0)], channel="vent", high=12.0).outcome is Outcome.UNDECIDED
    assert judged([vent(0, 8.0)], channel="low", high=12.0).outcome is Outcome.UNDECIDED
    assert judged([vent(0, 8.0)], channel="nothing", high=12.0).outcome is Outcome.UNDECIDED
    assert build("limits", {}, View(CHANNELS)).verdict().outcome is Outcome.UNDECIDED


def test_limits_excursion_shorter_than_its_delay_breaks_nothing():
    """A spike the delay forgives is forgiven in the verdict too; one that lasts is not, even when time alone ran it out."""
    spike = [vent(second, 20.0 if second == 3 else 8.0) for second in range(8)]
    assert judged(spike, channel="vent", high=12.0, on_delay_s=3.0).outcome is Outcome.PASS
    lasting = [vent(0, 8.0), vent(1, 20.0), low(5, 20.0)]
    assert judged(lasting, channel="vent", high=12.0, on_delay_s=3.0).outcome is Outcome.FAIL


def told(rules, readings, until=None):
    watch = build("limits", {"limits": json.dumps(rules)}, View(CHANNELS))
    for reading in readings:
        watch.reading(reading)
    if until is not None:
        watch.advance(until * NS)
    return watch.status().sentence


@pytest.mark.parametrize(
    ("rules", "readings", "until", "said"),
    [
        ([], [low(0, 20)], None, "No limit is set."),
        ([{"channel": "low", "high": 50}], [low(0, 20)], None, "Every limit is kept."),
        ([{"channel": "low", "high": 50}], [vent(0, 20)], None, "nothing usable is heard from Low side (low)."),
        ([{"channel": "low", "high": 50}], [low(0, 20)], 90, "nothing usable is heard from Low side (low)."),
        ([{"channel": "nobody", "high": 50}], [low(0, 20)], None, "nothing usable is heard from nobody."),
        ([{"role": "high_side", "high": 50}], [low(0, 20)], None, "nothing usable is heard from High side."),
    ],
)
def test_limits_are_said_to_be_kept_only_where_they_are_seen_to_be(rules, readings, until, said):
    """No limits, a channel never heard or gone silent: nobody is told that every limit is kept."""
    sentence = told(rules, readings, until)
    assert sentence.endswith(said)
    assert (sentence == "Every limit is kept.") is (said == "Every limit is kept.")


def test_limits_sentence_counts_the_other_alarms():
    """One alarm is told by name, of the others how many there are."""
    rules = [{"channel": "low", "high": 50}, {"channel": "vent", "high": 10}]
    assert told(rules[:1], [low(0, 60)]) == "Low side (low) high: above 50 psi (unacknowledged)."
    assert told(rules, [low(0, 60), vent(0, 20)]).endswith("(unacknowledged), and 1 other alarm.")


def test_limits_rate_that_could_never_be_worked_out_does_not_pass():
    """A channel read once a minute has no slope over half a minute: its rate limit is undecided, not kept."""
    channels = {"low": dataclasses.replace(CHANNELS["low"], period_s=60.0)}
    rule = {"channel": "low", "rate_high": 5.0}
    outcomes = []
    for step in (60, 1):
        watch = build("limits", {"limits": json.dumps([rule])}, View(channels))
        for second in range(0, 600, step):
            watch.reading(low(second, 20.0 + second / 60.0))
        outcomes.append(watch.verdict())
    assert outcomes[0].outcome is Outcome.UNDECIDED
    assert "rate_window_s" in outcomes[0].reasons[0]
    assert outcomes[1].outcome is Outcome.PASS


def test_limits_near_a_limit_is_said_as_it_was_shown():
    """Shown beyond the limit by less than the accuracy, or just short of it: each in its own words."""
    rule = {"channel": "vent", "high": 12.0}
    assert "was shown above 12 degC, but gauge is not accurate enough" in judged([vent(0, 12.2)], **rule).reasons[0]
    assert "gauge cannot tell whether it went above 12 degC" in judged([vent(0, 11.8)], **rule).reasons[0]


def test_limits_channel_that_never_moved_keeps_no_limit_for_sure():
    """One value to the last digit all the while is what a frozen instrument shows too; one that moved by a digit is alive."""
    rule = {"channel": "vent", "high": 12.0}
    still = judged([vent(second, 8.0) for second in range(20)], **rule)
    assert still.outcome is Outcome.UNDECIDED
    assert "stands still" in still.reasons[0]
    assert judged([vent(second, 8.0 + 0.1 * (second == 7)) for second in range(20)], **rule).outcome is Outcome.PASS
    assert judged([vent(second, 14.0) for second in range(20)], **rule).outcome is Outcome.FAIL


def pressed(flag, kpa, **said):
    """A low side that stands near `kpa` gauge of a bench at sea level, judged against 300 kPa."""
    items = [
        Reading(second * NS, "low", Role.LOW_SIDE, 101_325.0 + 1000.0 * (kpa + 0.1 * (second % 3)), int(flag))
        for second in range(20)
    ]
    row = Channel("low", Role.LOW_SIDE, unit_for(Role.LOW_SIDE, "kPa"), Accuracy.parse("1 kPa"), "gauge")
    unit = said.pop("unit", "")
    watch = build("limits", {"limits": [{"channel": "low", "high": 300.0, "unit": unit}], **said}, View({"low": row}))
    for item in items:
        watch.reading(item)
    return watch.verdict()


def test_limits_pressure_that_hangs_on_an_unknown_air_pressure_is_open():
    """A gauge limit is sure where the same air was added and taken off; where nobody said which it was, 31 kPa either way are open."""
    sea = Quality.NO_ATMOSPHERE
    assert pressed(sea, 290.0).outcome is Outcome.PASS
    assert pressed(Quality(0), 290.0, elevation_m=0.0).outcome is Outcome.PASS
    other = pressed(Quality(0), 290.0)
    assert other.outcome is Outcome.UNDECIDED
    assert "elevation_m" in other.reasons[0]
    assert pressed(Quality(0), 260.0).outcome is Outcome.PASS
    assert pressed(sea, 290.0, elevation_m=2000.0).outcome is Outcome.UNDECIDED
    assert pressed(sea, 190.0, unit="kPaa").outcome is Outcome.UNDECIDED
    assert pressed(Quality(0), 190.0, unit="kPaa").outcome is Outcome.PASS
