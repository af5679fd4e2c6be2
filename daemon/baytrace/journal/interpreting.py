"""`measure.interpret.Interpreter` over columns: the same readings, to the bit, many at a time. Pure.

Rules it follows: the atmosphere is the newest usable barometer reading before a reading; time never decreases within a channel.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.journal.chain import Columns
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter
from baytrace.measure.possible import bounds
from baytrace.measure.reading import Quality
from baytrace.measure.roles import Role
from baytrace.measure.units import Against

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_RELATIVE = frozenset({Against.GAUGE, Against.VACUUM})


class Interpreted(NamedTuple):
    """One channel's readings: places in the columns, values in SI, UTC ns, quality."""

    channel: Channel
    places: Ints
    value: Floats
    time_ns: Ints
    quality: Ints


def usable(quality: Ints) -> NDArray[np.bool_]:
    """`Quality.usable`, element by element."""
    never = (quality & int(Quality.NOT_A_NUMBER | Quality.UNDER_RANGE)) != 0
    over = ((quality & int(Quality.OVER_RANGE)) != 0) & ((quality & int(Quality.OPEN_CIRCUIT)) == 0)
    good: NDArray[np.bool_] = ~(never | over)
    return good


def _corrected(channel: Channel, raw: Floats) -> Floats:
    table = channel.calibration
    if table.table:
        found: Floats = np.array([table.corrected(value) for value in raw.tolist()], np.float64)
        return found
    return raw * table.gain + table.offset


class _Atmosphere:
    """The atmosphere as a step function of the place in the columns."""

    def __init__(self, pa: float, *, known: bool) -> None:
        self._places: list[int] = []
        self._pa, self._known = [pa], [known]

    def add(self, read: Interpreted) -> None:
        good = usable(read.quality) & ((read.quality & int(Quality.IMPOSSIBLE)) == 0)
        self._places += read.places[good].tolist()
        self._pa += read.value[good].tolist()
        self._known += [True] * int(good.sum())

    def at(self, places: Ints) -> tuple[Floats, NDArray[np.bool_]]:
        step = np.searchsorted(np.array(self._places, np.int64), places, side="left")
        return np.array(self._pa)[step], np.array(self._known)[step]

    def last(self) -> tuple[float, bool]:
        return self._pa[-1], self._known[-1]


def interpret(
    interpreter: Interpreter, columns: Columns, name_of: Callable[[int], str]
) -> tuple[list[Interpreted], int]:
    """Every channel's readings, and how many belong to no declared channel. The interpreter goes on from their end."""
    state = interpreter.state()
    strangers = 0
    found: list[tuple[Channel, Ints]] = []
    for version in np.unique(columns.version).tolist():
        places = np.flatnonzero(columns.version == version)
        channel = interpreter.channels.get(name_of(version))
        if channel is None:
            strangers += len(places)
        else:
            found.append((channel, places))
    found.sort(key=lambda each: each[0].role is not Role.BAROMETER)
    atmosphere = _Atmosphere(state["atmosphere_pa"], known=state["atmosphere_known"])
    read = []
    for channel, places in found:
        one = _one(channel, places, columns, state, atmosphere)
        if channel.role is Role.BAROMETER and channel.unit.against not in _RELATIVE:
            atmosphere.add(one)
        read.append(one)
    pa, known = atmosphere.last()
    interpreter.restore(state | {"atmosphere_pa": pa, "atmosphere_known": known})
    return read, strangers


def _one(channel: Channel, places: Ints, columns: Columns, state: Mapping[str, Any], air: _Atmosphere) -> Interpreted:
    ahead_ns: int | None = state["ahead_ns"]
    raw, quality = columns.value[places], columns.quality[places].astype(np.int64)
    with np.errstate(over="ignore", invalid="ignore"):
        value = _corrected(channel, raw) * channel.unit.scale + channel.unit.offset
        quality[np.isnan(raw)] |= int(Quality.NOT_A_NUMBER)
        if channel.unit.against in _RELATIVE:
            pa, known = air.at(places)
            value = value + pa
            quality[~known] |= int(Quality.NO_ATMOSPHERE)
        low, high = bounds(channel)
        quality[value < low] |= int(Quality.IMPOSSIBLE | Quality.UNDER_RANGE)
        quality[value > high] |= int(Quality.IMPOSSIBLE | Quality.OVER_RANGE)
    time_ns = columns.wall_ns[places].astype(np.int64)
    if ahead_ns is not None:
        own = (quality & int(Quality.SOURCE_TIME)) != 0
        time_ns = np.where(own, time_ns, columns.mono_ns[places] + ahead_ns)
    time_ns = _never_back(channel.name, time_ns, quality, state["last_ns"])
    return Interpreted(channel, places, value, time_ns, quality)


def _never_back(name: str, time_ns: Ints, quality: Ints, last_ns: dict[str, int]) -> Ints:
    """Times that never decrease; those held back are marked in `quality`."""
    first = last_ns.get(name)
    highest = np.maximum.accumulate(time_ns if first is None else np.append(first, time_ns))
    before = highest[:-1]
    late = time_ns <= before if first is not None else np.append(False, time_ns[1:] <= before)
    quality[late] |= int(Quality.OUT_OF_ORDER)
    last_ns[name] = int(highest[-1])
    held: Ints = highest if first is None else highest[1:]
    return held
