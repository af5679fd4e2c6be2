"""Holds that look flat because the gauge, not the loop, stands still: they must not pass."""

import numpy as np
import pytest

import hold_traces as traces
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.evacuation.mute import range_of
from baytrace.watches.pressure_hold import PressureHold
from baytrace.watches.watch import View

SECONDS = 910


def gauge(accuracy="10 % of reading", unit="micron"):
    role = Role.SYSTEM_PRESSURE
    return Channel("p", role, unit_for(role, unit), Accuracy.parse(accuracy))


def judged(values, *, kelvin=None, channel=None):
    """The verdict over a hold alone, one reading a second; `kelvin` where a thermometer is there."""
    view = traces.channels(temperature=kelvin is not None)
    view = View({**view.channels, "p": channel or gauge()})
    watch = traces.watch(view, phase="hold")
    for second, value in enumerate(values):
        if kelvin is not None:
            watch.reading(traces.temperature(second, float(kelvin[second])))
        watch.reading(traces.pressure(second, float(value)))
    return watch.verdict()


@pytest.mark.parametrize("value", [0.0, -0.5, -30.0])
def test_evacuation_gauge_at_zero_or_below_cannot_pass(value):
    """No loop is pumped to nothing: a hold that reads zero or less is undecided, and the reason names the gauge."""
    verdict = judged([value] * SECONDS)
    assert (verdict.outcome, verdict.finding) == (Outcome.UNDECIDED, "undecided")
    assert "zero or less" in verdict.reasons[0]


def test_evacuation_gauge_that_leaves_zero_late_cannot_pass():
    """A rise that begins only when the gauge comes off its end was hidden before: no pass, though what is seen is small."""
    second = np.arange(SECONDS)
    verdict = judged(np.round(np.maximum(0.012 * (second - 500.0), 0.0) / traces.MICRON_PA) * traces.MICRON_PA)
    assert verdict.outcome is not Outcome.PASS


def test_evacuation_noise_about_a_low_pressure_may_pass():
    """A gauge that shows a true 1 Pa with its noise, now and then zero, has not come to its end: tight."""
    shown = np.random.default_rng(2).normal(1.0, 0.4, SECONDS)
    verdict = judged(np.round(np.maximum(shown, 0.0) / traces.MICRON_PA) * traces.MICRON_PA)
    assert (verdict.outcome, verdict.finding) == (Outcome.PASS, "tight")


@pytest.mark.parametrize(
    ("accuracy", "value"),
    [
        ("0.5 % of full scale (20 to 1000 Pa)", 20.0),
        ("0.5 % of full scale (0 to 60 Pa)", 60.0),
        ("0.5 % FS (60 Pa)", 61.0),
    ],
)
def test_evacuation_gauge_at_an_end_of_its_stated_range_cannot_pass(accuracy, value):
    """Where the accuracy names the range, a hold that stood at its end throughout is undecided and says so."""
    verdict = judged([value] * SECONDS, channel=gauge(accuracy, "Pa"))
    assert verdict.outcome is Outcome.UNDECIDED
    assert "end of its range" in verdict.reasons[0]


def test_evacuation_steady_display_inside_its_range_may_pass():
    """30 Pa to the micron all through, no thermometer: a coarse gauge may show that of a sound loop; it is remarked."""
    verdict = judged(
        [225 * traces.MICRON_PA] * SECONDS, channel=gauge("10 % of reading + 0.1 % FS (0 to 20000 micron)")
    )
    assert (verdict.outcome, verdict.finding) == (Outcome.PASS, "tight")
    assert any("never moved" in reason for reason in verdict.reasons)


@pytest.mark.parametrize(
    ("change_k", "outcome"), [(0.2, Outcome.PASS), (4.0, Outcome.UNDECIDED), (-4.0, Outcome.UNDECIDED)]
)
def test_evacuation_display_that_ignores_the_temperature_cannot_pass(change_k, outcome):
    """Gas at 40 Pa that warms by 4 K moves by four microns: a display that does not is stuck, one that need not is fine."""
    kelvin = 295.0 + np.linspace(0.0, change_k, SECONDS)
    verdict = judged([300 * traces.MICRON_PA] * SECONDS, kelvin=kelvin)
    assert verdict.outcome is outcome, verdict.reasons


@pytest.mark.parametrize("measured", [True, False])
def test_evacuation_hold_that_begins_at_saturation_cannot_pass(measured):
    """Water in balance with its vapour stands still as a tight loop does: 2.6 kPa at 22 degC never passes."""
    shown = 2640.0 + np.random.default_rng(3).normal(0.0, 0.5, SECONDS)
    verdict = judged(shown, kelvin=np.full(SECONDS, 295.15) if measured else None)
    assert verdict.outcome is not Outcome.PASS
    assert not measured or "in balance" in verdict.reasons[0]


def test_evacuation_readings_flagged_under_range_cannot_pass():
    """A gauge that says itself that it is below its range has said nothing of the hold."""
    watch = traces.watch(phase="hold")
    for second in range(2 * SECONDS):
        flag = Quality.UNDER_RANGE if second > 60 else Quality(0)
        watch.reading(Reading(traces.T0_NS + second * traces.NS, "p", Role.SYSTEM_PRESSURE, 30.0, flag))
    assert watch.verdict().outcome is Outcome.UNDECIDED


def test_evacuation_live_sentence_names_the_mute_gauge():
    """While the hold runs the page already says why it cannot pass."""
    watch = traces.watch(phase="hold", hold_s=3600.0)
    traces.follow(watch, [traces.pressure(second, 0.0) for second in range(SECONDS)])
    assert "zero or less" in watch.status().sentence


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("1 % of full scale (35 bar)", (0.0, 35e5)),
        ("0.5 % FS (-1 to 35 bar)", (-1e5, 35e5)),
        ("0.5 % of reading + 2 counts (0.01)", None),
        ("10 % of reading", None),
    ],
)
def test_evacuation_range_is_read_from_the_accuracy(text, ends):
    """The range is the bracket behind full scale, never the bracket behind counts."""
    found = range_of(gauge(text, "bar"))
    assert found == (None if ends is None else pytest.approx(ends))


def test_pressure_hold_gauge_at_its_upper_end_cannot_pass():
    """A standing test read by a gauge that is pegged says nothing of the loop."""
    role = Role.HIGH_SIDE
    channel = Channel("p", role, unit_for(role, "bar"), Accuracy.parse("0.5 % of full scale (10 bar)"))
    watch = PressureHold(PressureHold.Settings(volume_l=2.0), View({"p": channel}))
    top = 10e5 + 101_325.0
    watch.mark(traces.mark(0.0, "isolated"))
    for second in range(4000):
        watch.reading(Reading(traces.T0_NS + second * traces.NS, "p", role, top))
    assert watch.verdict().outcome is Outcome.UNDECIDED


@pytest.mark.parametrize(("drop", "every"), [(6.0, 100), (5.0, 60), (4.0, 60)])
def test_evacuation_pump_on_for_a_moment_within_the_hold_cannot_pass(drop, every):
    """A leak of 2.4 limits that a pump takes back in short bursts looks flat: the sudden falls keep it from passing."""
    rng = np.random.default_rng(3)
    second = np.arange(SECONDS)
    bursts = np.cumsum(np.where(second % every >= every - 10, drop / 10.0, 0.0))
    shown = 40.0 + 0.06 * second - bursts + 0.2 * rng.normal(size=SECONDS)
    verdict = judged(np.round(shown / traces.MICRON_PA) * traces.MICRON_PA, kelvin=np.full(SECONDS, 295.15))
    assert verdict.outcome is not Outcome.PASS
    assert any("in a closed loop it does not" in reason for reason in verdict.reasons) or verdict.finding == "leak"


def test_evacuation_share_at_zero_is_never_rounded_to_all_of_the_hold():
    """A gauge that left zero for a moment stood there for over 99 % of the hold, not for 100 %."""
    shown = np.zeros(SECONDS)
    shown[400:404] = 5.0
    said = judged(shown).reasons[0]
    assert "for over 99 % of the hold" in said
    assert "zero or less all through the hold" in judged(np.zeros(SECONDS)).reasons[0]


@pytest.mark.parametrize(("closed_s", "rate"), [(800, 0.3), (800, 0.075), (850, 0.3)])
def test_evacuation_loop_closed_long_after_the_mark_cannot_pass(closed_s, rate):
    """A pump that ran on for most of the hold leaves it flat, and the leak is seen only at the end: no pass on the mean of both."""
    second = np.arange(SECONDS)
    shown = 40.0 + rate * np.maximum(second - closed_s, 0.0) + 0.2 * np.random.default_rng(4).normal(size=SECONDS)
    verdict = judged(np.round(shown / traces.MICRON_PA) * traces.MICRON_PA, kelvin=np.full(SECONDS, 295.15))
    assert verdict.outcome is not Outcome.PASS, verdict.reasons


def test_evacuation_loop_closed_late_is_told_with_its_reason():
    """A small leak that began to show at 850 s alone keeps a hold that looks tight from passing, and the reason says why."""
    second = np.arange(SECONDS)
    shown = 40.0 + 0.3 * np.maximum(second - 850.0, 0.0) + 0.2 * np.random.default_rng(4).normal(size=SECONDS)
    verdict = judged(np.round(shown / traces.MICRON_PA) * traces.MICRON_PA, kelvin=np.full(SECONDS, 295.15))
    assert "rose late in the hold" in " ".join(verdict.reasons)
