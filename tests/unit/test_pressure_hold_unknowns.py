"""What a standing test does not know: the gas behind the thermometer, the volume, the other side, whether an instrument lives."""

import sys
from pathlib import Path

import numpy as np
import pytest

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.evacuation.hold import gauge_of
from baytrace.watches.pressure_hold import PressureHold
from baytrace.watches.watch import View

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from nitrogen_hold_afresh import judged as judged_afresh
from nitrogen_traces_afresh import KINDS, trace

NS = 1_000_000_000
LIMIT, LITRES, TOP = 5e-3, 2.0, 1.1e6


def late(series, lag_s):
    """A first-order lag of readings a second apart, begun at rest."""
    out, now = np.empty_like(series), series[0]
    for row, value in enumerate(series.tolist()):
        now += (value - now) / (lag_s + 1.0)
        out[row] = now
    return out


def gauge(role="low_side", accuracy="0.5 % of full scale (16 bar)"):
    unit = unit_for(Role(role), "bar")
    return Channel(role, Role(role), unit, Accuracy.parse(accuracy, unit=unit) if accuracy else Accuracy())


def played(pressures, kelvin=None, **settings):
    """The verdict over a test read once a second, `pressures` by role."""
    made = {role: gauge(role) for role in pressures}
    if kelvin is not None:
        celsius = unit_for(Role.SYSTEM_TEMPERATURE, "degC")
        made["t"] = Channel("t", Role.SYSTEM_TEMPERATURE, celsius, Accuracy.parse("1 K"))
    chosen = {"volume_l": LITRES, "leak_limit": LIMIT, **settings}
    watch = PressureHold(
        PressureHold.Settings.model_validate({k: v for k, v in chosen.items() if v is not None}), View(made)
    )
    watch.mark(Mark(0, "isolated"))
    for second in range(len(next(iter(pressures.values())))):
        if kelvin is not None:
            watch.reading(Reading(second * NS, "t", Role.SYSTEM_TEMPERATURE, float(kelvin[second])))
        for role, values in pressures.items():
            watch.reading(Reading(second * NS, role, Role(role), float(values[second])))
    return watch.verdict()


def shown(true, seed=1, noise=150.0, step=100.0):
    return np.round((true + np.random.default_rng(seed).normal(0.0, noise, true.size)) / step) * step


def read(true, seed=2):
    return np.round(true + np.random.default_rng(seed).normal(0.0, 0.05, true.size), 2)


def standing(seconds=1800, leak=0.0, swing=0.0, top=TOP):
    """Pressure and gas temperature of a loop that loses `leak` Pa m3/s while the gas swings by so many K."""
    second = np.arange(float(seconds))
    kelvin = 294.0 + swing * np.sin(np.pi * second / seconds)
    return (top - leak / (LITRES * 1e-3) * second) * kelvin / kelvin[0], kelvin


@pytest.mark.parametrize("lag_s", [60.0, 300.0, 900.0])
@pytest.mark.parametrize("swing", [-5.0, 5.0])
@pytest.mark.parametrize("limits", [0.0, 5.0])
def test_a_thermometer_that_lags_the_gas_makes_no_wrong_verdict(lag_s, swing, limits):
    """The gas swings by 5 K and the shell thermometer comes up to 15 min behind: no tight loop fails, no leak of five limits passes, and
    the interval holds the truth.
    """
    pressure, kelvin = standing(leak=limits * LIMIT, swing=swing)
    verdict = played({"low_side": shown(pressure)}, read(late(kelvin, lag_s)))
    assert verdict.outcome is not (Outcome.PASS if limits else Outcome.FAIL), verdict.reasons
    figure = verdict.evidence["leak_rate"]
    assert figure.low <= limits * LIMIT <= figure.high


def test_a_calm_tight_hold_of_half_an_hour_passes():
    """Caution is not uselessness: 30 min in a bay within 0.3 K, a live gauge and thermometer, and the loop is tight."""
    pressure, kelvin = standing(swing=0.3)
    assert played({"low_side": shown(pressure)}, read(late(kelvin, 300.0))).outcome is Outcome.PASS


def test_undecided_under_a_swing_says_what_would_settle_it():
    """The temperature is named, and where to put the thermometer."""
    pressure, kelvin = standing(seconds=920, swing=4.0)
    verdict = played({"low_side": shown(pressure)}, read(late(kelvin, 600.0)))
    assert verdict.outcome is Outcome.UNDECIDED
    assert any("under insulation on the thickest metal" in reason for reason in verdict.reasons)


def test_every_gauge_is_judged_and_the_worst_counts():
    """The low side holds and the high side, behind a closed valve, falls by twice the limit: no pass, and the gauges are told apart."""
    tight, kelvin = standing(swing=0.3)
    leaking, _ = standing(leak=2.0 * LIMIT, swing=0.3)
    verdict = played({"low_side": shown(tight), "high_side": shown(leaking, 5)}, read(kelvin))
    assert verdict.outcome is not Outcome.PASS
    assert any("shut off from each other" in reason for reason in verdict.reasons)
    both = played({"low_side": shown(tight), "high_side": shown(tight, 5)}, read(kelvin))
    assert both.outcome is Outcome.PASS, both.reasons
    leak = played({"low_side": shown(leaking), "high_side": shown(leaking, 5)}, read(kelvin))
    assert leak.outcome is Outcome.FAIL, leak.reasons


def test_a_side_that_never_came_under_pressure_is_not_passed():
    """A closed service valve hides its side: the gauge there stands at the air's pressure."""
    pressure, kelvin = standing(swing=0.3)
    verdict = played({"low_side": shown(pressure), "high_side": shown(0.0 * pressure + 101_325.0, 5)}, read(kelvin))
    assert verdict.outcome is Outcome.UNDECIDED
    assert "that side was not tested" in verdict.reasons[0]


@pytest.mark.parametrize("from_s", [60, 700, 1300])
def test_a_gauge_that_freezes_within_the_hold_cannot_pass(from_s):
    """A leak of two limits behind a display that stands still from some moment on is not called tight."""
    pressure, kelvin = standing(leak=2.0 * LIMIT, swing=0.3)
    values = shown(pressure)
    values[from_s:] = values[from_s]
    verdict = played({"low_side": values}, read(kelvin))
    assert verdict.outcome is not Outcome.PASS
    tight = shown(standing(swing=0.3)[0])
    tight[from_s:] = tight[from_s]
    said = played({"low_side": tight}, read(kelvin))
    assert said.outcome is Outcome.UNDECIDED
    assert "cannot be told from one that stands still" in said.reasons[0]


@pytest.mark.parametrize("from_s", [0, 700])
def test_a_dead_thermometer_cannot_pass(from_s):
    """It stands still while the loop warms, and a leak that the warming makes up for looks tight."""
    second = np.arange(1800.0)
    kelvin = 294.0 + 1.6 * second / 1800.0
    pressure = (TOP - 2.0 * LIMIT / (LITRES * 1e-3) * second) * kelvin / 294.0
    dead = read(kelvin)
    dead[from_s:] = dead[from_s]
    verdict = played({"low_side": shown(pressure)}, dead)
    assert verdict.outcome is Outcome.UNDECIDED
    assert any("dead" in reason for reason in verdict.reasons)


def test_a_test_far_below_the_pressure_of_the_limit_cannot_pass():
    """The same loop at 2 bar on the gauge: undecided and told why; with a limit meant for that pressure it passes."""
    pressure, kelvin = standing(swing=0.2, top=3.0e5)
    low = played({"low_side": shown(pressure)}, read(kelvin))
    assert low.outcome is Outcome.UNDECIDED
    assert "limit is meant for 11.0 bar" in low.reasons[0]
    assert played({"low_side": shown(pressure)}, read(kelvin), test_pressure_pa=3.0e5).outcome is Outcome.PASS


@pytest.mark.parametrize(("limits", "outcome"), [(0.0, Outcome.PASS), (1.5, Outcome.UNDECIDED), (12.0, Outcome.FAIL)])
def test_without_a_volume_a_verdict_holds_for_every_usual_loop(limits, outcome):
    """1 to 6 L: what lies between is undecided and the volume is asked for."""
    pressure, kelvin = standing(seconds=3600, leak=limits * LIMIT, swing=0.2)
    verdict = played({"low_side": shown(pressure)}, read(kelvin), volume_l=None)
    assert verdict.outcome is outcome, verdict.reasons
    assert any("volume_l" in reason for reason in verdict.reasons)


def test_a_gauge_without_a_stated_accuracy_is_taken_for_the_usual_one():
    """Nothing stated is not perfect: its gain has the usual span."""
    silent, usual = gauge(accuracy=""), gauge(accuracy="1 % of full scale (35 bar)")
    assert gauge_of(silent, 100.0, TOP) == gauge_of(usual, 100.0, TOP)
    assert gauge_of(silent, 100.0, TOP).gain_uncertainty > 0.01


def test_traces_of_another_hand_are_never_judged_wrongly():
    """One of each kind from a generator that knows nothing of the watch: no leak above the limit passes, none below it fails."""
    for kind in KINDS:
        one = trace(kind, 2026, 0)
        verdict = judged_afresh(one)
        above = one.truth_leak > one.leak_limit
        assert verdict.outcome is not (Outcome.PASS if above else Outcome.FAIL), (kind, one.note, verdict.reasons)


def test_asking_along_the_way_changes_nothing():
    """The verdict is the same to the bit whoever asked for the status in between."""
    pressure, kelvin = standing(seconds=950, swing=0.5)
    values, warm = shown(pressure), read(kelvin)
    told = []
    for every in (10_000, 37):
        celsius = unit_for(Role.SYSTEM_TEMPERATURE, "degC")
        thermometer = Channel("t", Role.SYSTEM_TEMPERATURE, celsius, Accuracy.parse("1 K"))
        watch = PressureHold(PressureHold.Settings(volume_l=LITRES), View({"low_side": gauge(), "t": thermometer}))
        watch.mark(Mark(0, "isolated"))
        for second in range(950):
            watch.reading(Reading(second * NS, "t", Role.SYSTEM_TEMPERATURE, float(warm[second])))
            watch.reading(Reading(second * NS, "low_side", Role.LOW_SIDE, float(values[second])))
            if second % every == every - 1:
                watch.status()
        told.append(watch.verdict())
    assert told[0] == told[1]
