"""The standing pressure test: tight, leaking, drifting temperature, and how it begins and ends."""

import numpy as np
import pytest

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.physics.decay_outlook import more_time
from baytrace.physics.gauge_noise import Gauge
from baytrace.physics.pressure_decay import Allowance, fit_decay
from baytrace.physics.rise_cells import Cells
from baytrace.physics.rise_warmth import Thermal
from baytrace.watches.pressure_hold import WATCH
from baytrace.watches.watch import View

NS = 1_000_000_000
ALLOWED = Allowance(tracking_k=0.1, share=0.15, apart=0.03, far_k=5.0, step_k=0.01)


def judged(rate=0.0, warming=1.0, thermometer=True, marks=True, seconds=1000, release=False, noise=300.0, seed=4):
    """A fill of 60 s to 10 bar gauge, then `rate` Pa/s of fall while the loop warms by so many K."""
    unit = unit_for(Role.LOW_SIDE, "bar")
    made = {"p": Channel("p", Role.LOW_SIDE, unit, Accuracy.parse("1 % of full scale (35 bar)"))}
    if thermometer:
        made["t"] = Channel(
            "t", Role.SYSTEM_TEMPERATURE, unit_for(Role.SYSTEM_TEMPERATURE, "degC"), Accuracy.parse("1 K")
        )
    watch = WATCH(WATCH.Settings(volume_l=2.0), View(made))
    rng = np.random.default_rng(seed)
    for second in range(60 + seconds):
        kelvin = 293.15 + warming * max(second - 60, 0) / seconds
        true = (101_325.0 + 1e6 * min(second / 60.0, 1.0) - rate * max(second - 60, 0)) * kelvin / 293.15
        if marks and second == 60:
            watch.mark(Mark(second * NS, "isolated"))
        if thermometer:
            watch.reading(Reading(second * NS, "t", Role.SYSTEM_TEMPERATURE, kelvin + 0.05 * rng.normal()))
        shown = round((true + noise * rng.normal()) / 1000.0) * 1000.0
        watch.reading(Reading(second * NS, "p", Role.LOW_SIDE, shown))
    if release:
        for second in range(60 + seconds, 80 + seconds):
            watch.reading(Reading(second * NS, "p", Role.LOW_SIDE, 101_325.0))
    return watch


@pytest.mark.parametrize("marks", [True, False])
@pytest.mark.parametrize("warming", [-0.7, 0.7])
def test_pressure_hold_tight_whatever_the_temperature_does(warming, marks):
    """A tight loop passes while it warms or cools, marked or not: the gas law takes the drift out."""
    verdict = judged(warming=warming, marks=marks, seconds=1500).verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.PASS, "tight"), verdict.reasons


@pytest.mark.parametrize("marks", [True, False])
def test_pressure_hold_leak_is_found_and_measured(marks):
    """A leak hidden by a warming loop fails, and its interval holds the true rate."""
    verdict = judged(rate=10.0, warming=2.0, marks=marks).verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.FAIL, "leak"), verdict.reasons
    assert verdict.evidence["decay_rate"].low < 10.0 < verdict.evidence["decay_rate"].high
    assert verdict.evidence["leak_rate"].value == pytest.approx(verdict.evidence["decay_rate"].value * 2e-3)


def test_pressure_hold_without_thermometer_admits_it():
    """Without a temperature neither pass nor fail is given for a fall that warming or cooling could make."""
    verdict = judged(thermometer=False).verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert any("temperature" in reason for reason in verdict.reasons)


def test_pressure_hold_too_short():
    """A test shorter than set is undecided and says how much is missing."""
    verdict = judged(seconds=400, warming=0.2).verdict()
    assert verdict.finding == "too short"
    assert verdict.evidence["more_time_needed"].value >= 495.0


def test_pressure_hold_release_is_no_leak():
    """Letting the nitrogen off ends the test and is no part of its fall."""
    watch = judged(release=True)
    assert watch.verdict().finding == "tight"
    assert watch.status().phase == "over"


def test_pressure_hold_cautions_while_under_pressure():
    """While the loop stands under pressure the status cautions, and never suggests oxygen or shop air."""
    status = judged(seconds=300).status()
    assert "never oxygen or shop air" in status.caution
    assert status.sentence.startswith("Holding pressure, 4 min 59 s of 15 min")


def built(thermometer=True, accuracy="1 % of full scale (35 bar)"):
    unit = unit_for(Role.LOW_SIDE, "bar")
    made = {"p": Channel("p", Role.LOW_SIDE, unit, Accuracy.parse(accuracy, unit=unit))}
    if thermometer:
        celsius = unit_for(Role.SYSTEM_TEMPERATURE, "degC")
        made["t"] = Channel("t", Role.SYSTEM_TEMPERATURE, celsius, Accuracy.parse("1 K"))
    return WATCH(WATCH.Settings(volume_l=2.0), View(made))


def stand(watch, start, seconds, *, pascal=1.1e6, rate=0.0, kelvin=293.15):
    """Readings of a loop standing at `pascal`, falling by `rate` Pa/s; `kelvin` None is a thermometer that says nothing."""
    rng, warm = np.random.default_rng(7), np.random.default_rng(8)
    for second in range(start, start + seconds):
        if kelvin is not None:
            watch.reading(Reading(second * NS, "t", Role.SYSTEM_TEMPERATURE, kelvin + 0.05 * warm.normal()))
        shown = pascal - rate * (second - start) + 300.0 * rng.normal()
        watch.reading(Reading(second * NS, "p", Role.LOW_SIDE, round(shown / 1000.0) * 1000.0))
    return watch


def mark(watch, second, text):
    watch.mark(Mark(second * NS, text))
    return watch


def test_pressure_hold_isolation_marked_without_pressure_is_no_test():
    """`isolated` said of an empty or evacuated loop begins no test, ends none, and takes no verdict away."""
    early = mark(stand(built(), 0, 10, pascal=101_325.0), 10, "isolated")
    assert early.status().phase == "waiting"
    stand(early, 11, 1000)
    assert early.verdict().finding == "tight"
    done = mark(stand(mark(built(), 0, "isolated"), 0, 1000), 1000, "hold end")
    mark(stand(done, 1001, 60, pascal=40.0), 1061, "isolated")
    assert stand(done, 1062, 60, pascal=40.0).verdict().finding == "tight"
    unheard = stand(mark(built(), 0, "isolated"), 1, 60, pascal=40.0)
    assert unheard.status().phase == "waiting"
    assert "hold_time" not in unheard.verdict().evidence


def test_pressure_hold_that_cannot_pass_any_more_says_so_at_once():
    """Silence of the gauge and a gauge at its end are told while the test runs, without a countdown; the verdict says the same."""
    watch = stand(mark(built(), 0, "isolated"), 0, 300)
    watch.advance(370 * NS)
    assert "Nothing was read from the gauge for 1 min 11 s" in watch.status().sentence
    assert watch.status().time_left_s is None
    assert "cannot pass" in stand(watch, 400, 100).status().sentence
    pegged = stand(mark(built(accuracy="1 % of full scale (9 bar)"), 0, "isolated"), 0, 1000, pascal=1.1e6)
    assert "end of its range (101.3 kPa to 1001 kPa)" in pegged.status().sentence
    assert "end of its range" in pegged.verdict().reasons[0]
    assert "more_time_needed" not in pegged.verdict().evidence


def test_pressure_hold_fed_while_it_stands_cannot_pass():
    """Nitrogen that still comes in makes up for a leak: a rise that temperature does not explain is no pass."""
    verdict = stand(mark(built(), 0, "isolated"), 0, 1000, rate=-5.0).verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "nitrogen may still come in" in verdict.reasons[0]
    warmed = judged(warming=0.7).verdict()
    assert warmed.outcome is Outcome.PASS, warmed.reasons


def test_pressure_hold_sentences_say_what_is_so_and_what_comes_next():
    """No best guess of nought, no power of ten, an end to ask for, the thermometer that says nothing, a gauge never heard."""
    assert built().status().sentence.startswith("Waiting for the pressure gauge")
    watch = stand(mark(built(), 0, "isolated"), 0, 950, kelvin=None)
    assert "falling at most" in watch.status().sentence
    assert "e+" not in watch.status().sentence
    assert any("No system temperature was measured" in reason for reason in watch.verdict().reasons)
    assert "more of the test should decide it" in watch.verdict().reasons[1]
    tight = stand(mark(built(), 0, "isolated"), 0, 950)
    assert tight.status().sentence.endswith("long enough, mark 'hold end'")
    assert tight.status().details["mark"] == "hold end"
    short = mark(stand(mark(built(), 0, "isolated"), 0, 300, rate=300.0), 300, "hold end")
    assert short.verdict().reasons[1:] == (
        "What was seen of it already says: it leaks.",
        "The test ended by the mark 'hold end'.",
    )
    assert short.verdict().evidence["more_time_needed"].value == 900.0
    assert short.status().sentence.startswith("Test over, undecided: the test lasted 4 min 59 s")


def test_pressure_hold_pressure_added_early_is_pressurising_again():
    """Topping up a test that had only begun starts it over, and no test is called over meanwhile."""
    watch = stand(mark(built(), 0, "isolated"), 0, 100)
    stand(watch, 100, 10, pascal=1.2e6)
    assert watch.status().phase == "pressurising"


def test_pressure_hold_outlook_comes_true():
    """What is foretold of tight loops at 5 min holds the instant at which the interval falls below the limit, for most of them."""
    held = 0
    for seed in range(6):
        rng, fits = np.random.default_rng(seed), {}
        cells = Cells()
        for second in range(3600):
            cells.add(float(second), 1.1e6 + 300.0 * rng.normal(), 293.15 + 0.05 * rng.normal())
            if second >= 300 and second % 20 == 0:
                fits[second] = fit_decay(cells.means(), Gauge(35e3, 0.0, 100.0), Thermal(293.15, 0.6, 0.0), ALLOWED)
                if second > 300 and fits[second].rate.high < 1.0:
                    break
        told = more_time(fits[300], 1.0, 1.0)
        assert told is not None
        assert 0.0 < told.low_s <= told.middle_s <= told.high_s
        held += told.low_s <= second - 300 <= told.high_s
    assert held >= 4
