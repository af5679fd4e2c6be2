"""Readings of an evacuation made up for tests: one line of truth, one gauge."""

import math

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.evacuation import Evacuation
from baytrace.watches.watch import View

NS = 1_000_000_000
MICRON_PA = 0.133322387415
T0_NS = 1_764_000_000 * NS


def channels(unit="micron", temperature=True):
    made = {
        "p": Channel("p", Role.SYSTEM_PRESSURE, unit_for(Role.SYSTEM_PRESSURE, unit), Accuracy.parse("10 % of reading"))
    }
    if temperature:
        made["t"] = Channel(
            "t", Role.SYSTEM_TEMPERATURE, unit_for(Role.SYSTEM_TEMPERATURE, "degC"), Accuracy.parse("1 K")
        )
    return View(made)


def watch(view=None, **settings):
    return Evacuation(Evacuation.Settings.model_validate({"volume_l": 2.0, **settings}), view or channels())


def pressure(second, value):
    return Reading(T0_NS + round(second * NS), "p", Role.SYSTEM_PRESSURE, value)


def temperature(second, kelvin):
    return Reading(T0_NS + round(second * NS), "t", Role.SYSTEM_TEMPERATURE, kelvin)


def mark(second, text):
    return Mark(T0_NS + round(second * NS), text)


def hold(
    seconds=905.0, rate=0.0, vapour=0.0, tau=300.0, start=40.0, period=1.0, noise=0.2, step=MICRON_PA, seed=1, at=0.0
):
    """Readings of a hold that begins at `at`: rate Pa/s, vapour Pa, display step Pa."""
    rng = np.random.default_rng(seed)
    made = []
    for index in range(round(seconds / period) + 1):
        second = index * period
        true = start + rate * second + vapour * (1.0 - math.exp(-second / tau)) + noise * rng.normal()
        shown = round(true / step) * step if step else true
        made.append(pressure(at + second, max(shown, 0.0)))
        if index % 2 == 0:
            made.append(temperature(at + second, 295.15))
    return made


def pull_down(seconds=2400.0, lowest=40.0, time=60.0, period=1.0, noise=0.2, seed=2, at=0.0):
    rng = np.random.default_rng(seed)
    return [
        pressure(
            at + s, round((lowest + 101_285.0 * math.exp(-s / time) + noise * rng.normal()) / MICRON_PA) * MICRON_PA
        )
        for s in np.arange(0.0, seconds, period).tolist()
    ]


def job(marks=True, pump=2400.0, charge=True, **of_hold):
    """Pump on at 0, isolated at `pump`, then the hold, then the charge."""
    seconds = of_hold.get("seconds", 905.0)
    made = pull_down(pump, period=of_hold.get("period", 1.0)) + hold(at=pump, **of_hold)
    end = pump + seconds + 1.0
    if charge:
        made += [pressure(end + s, min(500.0 + 3000.0 * s, 6e5)) for s in range(1, 120)]
    if marks:
        made += [mark(0.0, "pump on"), mark(pump, "isolated")]
        if charge:
            made.append(mark(end, "charge start"))
    return sorted(made, key=lambda item: (item.time_ns, isinstance(item, Reading)))


def follow(following, items):
    for item in items:
        if isinstance(item, Mark):
            following.mark(item)
        else:
            following.reading(item)
    return following
