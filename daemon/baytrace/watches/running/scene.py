"""What a watch of a running loop holds against the laws, gathered from what it followed."""

from __future__ import annotations

import numpy as np

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import Fluid
from baytrace.watches.limits_table import limit
from baytrace.watches.running.alive import frozen_channels
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value, boils_at, measured_value
from baytrace.watches.running.follow import Running, RunningFollower
from baytrace.watches.running.laws import Rest, Scene
from baytrace.watches.running.settings import RunningSettings
from baytrace.watches.running.stretches import RUNNING_RATIO, engine_on_at

_SEEN_LATE_S = 15.0
"""A start that nobody marked is seen so late at most: what stands before it is at rest (common practice, no source)."""
_LEAST = 4
_SIDES = (Role.LOW_SIDE, Role.HIGH_SIDE)


def scene_of(follower: RunningFollower, running: Running, loop: Loop, fluid: Fluid, settings: RunningSettings) -> Scene:
    """The scene of the judged stretch; before it has settled only what no moving loop excuses."""
    if not running.settled:
        return Scene(Loop({}), negative=_negative(follower, running, settings))
    on = engine_on_at(follower.marks)
    return Scene(
        loop,
        _rest(follower, running, fluid, settings),
        started=on is not None and on <= running.stretch.start_s,
        cycling=running.cycles is not None,
        known_fluid="refrigerant" in settings.model_fields_set,
        frozen=frozen_channels(follower, running),
        negative=_negative(follower, running, settings),
    )


def _negative(follower: RunningFollower, running: Running, settings: RunningSettings) -> tuple[tuple[Role, Value], ...]:
    """The lowest reading of each side, from a minute before the start on, where it is below zero for certain."""
    found = []
    for role in _SIDES:
        series = follower.series.get(role)
        if series is None:
            continue
        _, values = series.between(running.stretch.start_s - 60.0, running.stretch.end_s)
        if len(values) and float(values.min()) < 0.0:
            lowest = measured_value(follower, settings, role, float(values.min()))
            if lowest.high < 0.0:
                found.append((role, lowest))
    return tuple(found)


def _rest(follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings) -> Rest | None:
    """None where both sides were not read before the start, or the loop ran already."""
    found = follower.all()
    first = found[0].stretch if found else running.stretch
    end = first.start_s if first.marked else first.start_s - _SEEN_LATE_S
    spans = [_span(follower, role, end) for role in _SIDES]
    low, high = spans
    if low is None or high is None:
        return None
    means = [float(values.mean()) for _, values in (low, high)]
    if min(means) <= 0.0 or max(means) / min(means) > RUNNING_RATIO:
        return None
    sides = [measured_value(follower, settings, role, mean) for role, mean in zip(_SIDES, means, strict=True)]
    moved = sum(abs(_drift(times, values)) for times, values in (low, high))
    still = moved < 0.2 * abs(means[0] - means[1]) + 1.0
    excess = _excess(follower, settings, fluid, sides, end) if abs(means[0] / means[1] - 1.0) < 0.07 else None
    return Rest(sides[0], sides[1], still, excess)


def _span(follower: RunningFollower, role: Role, end_s: float) -> tuple[np.ndarray, np.ndarray] | None:
    series = follower.series.get(role)
    if series is None:
        return None
    times, values = series.between(end_s - limit("laws.rest_look"), float(np.nextafter(end_s, -np.inf)))
    return (times, values) if len(times) >= _LEAST else None


def _drift(times: np.ndarray, values: np.ndarray) -> float:
    """How far the readings went from the first half to the second."""
    half = len(times) // 2
    return 2.0 * float(values[half:].mean() - values[:half].mean())


def _excess(
    follower: RunningFollower, settings: RunningSettings, fluid: Fluid, sides: list[Value], end_s: float
) -> Value | None:
    temperature = _temperature(follower, settings, end_s)
    if temperature is None:
        return None
    low, high = sides
    pressure = Value(0.5 * (low.value + high.value), 0.5 * float(np.hypot(low.u, high.u)), low.below, low.above)
    try:
        found = boils_at(fluid, pressure, bubble=False)
    except BadInput:
        return None
    return None if found is None else found[0] - temperature


def _temperature(follower: RunningFollower, settings: RunningSettings, end_s: float) -> Value | None:
    """Of the standing loop: its own, else the air's."""
    doubt = limit("pressures.static_temperature_uncertainty")
    for role in (Role.SYSTEM_TEMPERATURE, Role.AMBIENT_AIR):
        series = follower.series.get(role)
        if series is None:
            continue
        _, values = series.between(end_s - 60.0, end_s)
        if len(values):
            value = measured_value(follower, settings, role, float(values.mean()))
            return Value(value.value, float(np.hypot(value.u, doubt)))
    if settings.ambient_c is not None:
        return Value(settings.ambient_c + ZERO_C_K, float(np.hypot(1.0, doubt)))
    return None
