"""Streams that fail or stay undecided, one or more for each watch, with the instruments behind them.

A case is the watch, its settings and what makes items and view. `UNDECIDED` names those that do not fail.
"""

import numpy as np

import charge_bench
import coil_streams
import hold_traces
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.watch import View

TIMES = np.arange(0.0, 600.0, 1.0)


def standing_test(rate):
    """Dry nitrogen at 10 bar that falls by `rate` Pa/s."""
    rng = np.random.default_rng(4)
    items = [Mark(60 * NS, "isolated")]
    for second in range(1000):
        true = 101_325.0 + 1e6 * min(second / 60.0, 1.0) - rate * max(second - 60, 0)
        items.append(Reading(second * NS, "p", Role.LOW_SIDE, round((true + 300.0 * rng.normal()) / 1000.0) * 1000.0))
        items.append(Reading(second * NS, "t", Role.SYSTEM_TEMPERATURE, 293.15 + 0.05 * rng.normal()))
    view = {
        "p": channel("p", Role.LOW_SIDE, "bar", "1 % of full scale (35 bar)"),
        "t": channel("t", Role.SYSTEM_TEMPERATURE, "degC", "1 K"),
    }
    return sorted(items, key=lambda item: item.time_ns), View(view)


def channel(name, role, unit, accuracy):
    known = unit_for(role, unit)
    return Channel(name, role, known, Accuracy.parse(accuracy, unit=known), f"{name} instrument")


def running(grams=600.0, **figures):
    columns = charge_bench.relaxing(TIMES, 240.0, tau=25.0, running=figures)
    columns[Role.TANK_MASS] = np.round(charge_bench.weighed(TIMES, 60.0, 160.0, grams))
    marks = [(60.0, "charge start"), (160.0, "charge end"), (240.0, "engine on")]
    return charge_bench.items(TIMES, columns, marks), charge_bench.view()


def checked(off):
    """Both sides of a manifold at rest, one of them off by so many Pa."""
    items = [
        Reading(second * NS, name, role, 500_000.0 + extra)
        for second in range(70)
        for name, role, extra in (("low", Role.LOW_SIDE, 0.0), ("high", Role.HIGH_SIDE, off))
    ]
    accuracy = "1 kPa"
    return items, View(
        {
            "low": channel("low", Role.LOW_SIDE, "kPa", accuracy),
            "high": channel("high", Role.HIGH_SIDE, "kPa", accuracy),
        }
    )


def beyond(kpa):
    """A high side that goes over 900 kPa absolute for a minute."""
    items = [
        Reading(second * NS, "high", Role.HIGH_SIDE, 1000.0 * (kpa if 100 <= second < 160 else 700.0))
        for second in range(300)
    ]
    return items, View({"high": channel("high", Role.HIGH_SIDE, "kPa", "5 kPa")})


LIMIT = {"limits": [{"channel": "high", "high": 900.0, "unit": "kPaa"}]}
ON_LABEL = {"refrigerant": "R134a", "label_g": 600.0}
COILS = {"coils": 4, "low_ohm": coil_streams.LOW, "high_ohm": coil_streams.HIGH, "lead_ohm": 0.0, "temperature_c": 20.0}
HOLD = {"volume_l": 2.0, "leak_limit": 1e-5}

CASES = {
    "evacuation, leak": ("evacuation", HOLD, lambda: (hold_traces.job(rate=0.05), hold_traces.channels())),
    "evacuation, small leak": ("evacuation", HOLD, lambda: (hold_traces.job(rate=0.006), hold_traces.channels())),
    "evacuation, water": ("evacuation", HOLD, lambda: (hold_traces.job(vapour=900.0), hold_traces.channels())),
    "pressure_hold, leak": ("pressure_hold", {"volume_l": 2.0}, lambda: standing_test(20.0)),
    "pressure_hold, near": ("pressure_hold", {"volume_l": 2.0}, lambda: standing_test(3.0)),
    "charge, under": ("charge", ON_LABEL, lambda: running(540.0)),
    "charge, near": ("charge", ON_LABEL, lambda: running(613.0)),
    "pressures, both high": ("pressures", {"refrigerant": "R134a"}, lambda: running(low=65.0, high=340.0)),
    "pressures, both low": (
        "pressures",
        {"refrigerant": "R134a"},
        lambda: running(low=12.0, high=95.0, suction=22.0, liquid=28.0, vent=16.0),
    ),
    "sweep, one high": ("sweep", COILS, lambda: (coil_streams.plain([14.8, 14.7, 19.0, 14.9]), coil_streams.view())),
    "limits, broken": ("limits", LIMIT, lambda: beyond(990.0)),
    "limits, near": ("limits", LIMIT, lambda: beyond(901.0)),
    "field_check, off": ("field_check", {"check": "manifold", "allowed": 2000.0}, lambda: checked(9_000.0)),
}

UNDECIDED = {"evacuation, small leak", "pressure_hold, near", "charge, near", "limits, near"}
FAILING = [case for case in CASES if case not in UNDECIDED]
