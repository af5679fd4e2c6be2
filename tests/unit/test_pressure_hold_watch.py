"""The standing pressure test: tight, leaking, drifting temperature, and how it begins and ends."""

import numpy as np
import pytest

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.pressure_hold import WATCH
from baytrace.watches.watch import View

NS = 1_000_000_000


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
@pytest.mark.parametrize("warming", [-2.0, 2.0])
def test_pressure_hold_tight_whatever_the_temperature_does(warming, marks):
    """A tight loop passes while it warms or cools, marked or not: the gas law takes the drift out."""
    verdict = judged(warming=warming, marks=marks).verdict()
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
    verdict = judged(seconds=400).verdict()
    assert verdict.finding == "too short"
    assert verdict.evidence["more_time_needed"].value == pytest.approx(500.0, abs=5.0)


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
