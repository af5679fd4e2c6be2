"""Readings of a made-up bench for the tests of the charge and pressures watches: relaxing, cycling, weighed."""

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.physics.fluids import saturation
from baytrace.watches.watch import View, build

NS = 1_000_000_000
START = 1_700_000_000 * NS
ATMOSPHERE, PSI = 101_325.0, 6_894.757
KINDS = {
    Role.LOW_SIDE: ("psi", "0.5 % of full scale (10 bar)"),
    Role.HIGH_SIDE: ("psi", "0.5 % of full scale (35 bar)"),
    Role.SUCTION_LINE: ("degC", "0.5 K"),
    Role.LIQUID_LINE: ("degC", "0.5 K"),
    Role.DISCHARGE_LINE: ("degC", "1 K"),
    Role.VENT_AIR: ("degC", "0.5 K"),
    Role.AMBIENT_AIR: ("degC", "0.5 K"),
    Role.AMBIENT_HUMIDITY: ("%RH", "3 %RH"),
    Role.SYSTEM_TEMPERATURE: ("degC", "0.5 K"),
    Role.TANK_MASS: ("g", "5 g"),
}
STANDING = {"low": 83.0, "high": 83.0, "suction": 27.0, "liquid": 27.0, "vent": 27.0}
RUNNING = {"low": 35.0, "high": 200.0, "suction": 11.0, "liquid": 45.0, "vent": 8.0}
ROLES = dict(
    zip(RUNNING, (Role.LOW_SIDE, Role.HIGH_SIDE, Role.SUCTION_LINE, Role.LIQUID_LINE, Role.VENT_AIR), strict=True)
)


def view(**accuracy):
    channels = {}
    for role, (unit, text) in KINDS.items():
        known = unit_for(role, unit)
        channels[str(role)] = Channel(str(role), role, known, Accuracy.parse(accuracy.get(str(role), text), unit=known))
    return View(channels)


def si(role, value):
    if role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        return np.asarray(value) * PSI + ATMOSPHERE
    if role is Role.TANK_MASS:
        return np.asarray(value) * 1e-3
    return np.asarray(value) + (0.0 if role is Role.AMBIENT_HUMIDITY else 273.15)


def lines_at(low, high, fluid="R134a"):
    """Line and vent temperatures (degC) that a sound loop could show at these pressures (psi): no law is broken by them."""
    boils, condenses = (
        saturation(fluid, pressure_pa=psi * PSI + ATMOSPHERE).temperature_k - 273.15 for psi in (low, high)
    )
    return {"suction": boils + 6.6, "vent": boils + 3.6, "liquid": max(condenses - 9.65, min(28.0, condenses))}


def relaxing(times, on, tau=40.0, running=None, standing=None, fluid="R134a"):
    """Columns (trade units) of a loop started at `on`; every channel relaxes with `tau` seconds. Where `running` moves a pressure, the
    temperatures that it does not name follow.
    """
    rng = np.random.default_rng(0)
    goal, rest = RUNNING | (running or {}), STANDING | (standing or {})
    if running and fluid and {"low", "high"} & running.keys():
        goal = RUNNING | lines_at(goal["low"], goal["high"], fluid) | running
    since = np.clip(times - on, 0.0, None)
    columns = {}
    for name, role in ROLES.items():
        scatter = {"low": 0.3, "high": 0.8}.get(name, 0.06)
        columns[role] = (
            goal[name] + (rest[name] - goal[name]) * np.exp(-since / tau) + rng.normal(0.0, scatter, len(times))
        )
    columns[Role.AMBIENT_AIR] = np.full(len(times), 27.0)
    return columns


def items(times, columns, marks=(), quality=0):
    """Readings and marks in time order; nan cells are no reading."""
    found = []
    waiting = sorted(marks)
    for index, time in enumerate(times):
        while waiting and waiting[0][0] <= time:
            at, text = waiting.pop(0)
            found.append(Mark(START + round(at * NS), text))
        at = START + round(float(time) * NS)
        for role, values in columns.items():
            if not np.isnan(values[index]):
                flags = quality if role in (Role.LOW_SIDE, Role.HIGH_SIDE) else 0
                found.append(Reading(at, str(role), role, float(si(role, values[index])), flags))
    found.extend(Mark(START + round(at * NS), text) for at, text in waiting)
    return found


def fed(name, things, settings=None, accuracy=None):
    """A watch that has seen everything."""
    known = {"refrigerant": "R134a"} | ({"hose": "full before and after"} if name == "charge" else {})
    watch = build(name, known | (settings or {}), view(**(accuracy or {})))
    for thing in things:
        (watch.mark if isinstance(thing, Mark) else watch.reading)(thing)
    return watch


def weighed(times, start, end, grams, level=9000.0):
    """Tank mass in g that falls evenly by `grams` between two instants."""
    return level - np.clip((times - start) / (end - start), 0.0, 1.0) * grams


def assumed_sea_level():
    return int(Quality.NO_ATMOSPHERE)
