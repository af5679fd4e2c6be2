"""Raw readings to readings in SI: unit, calibration, and gauge pressure made absolute. Pure, and the same live and in replay.

The atmosphere is the newest barometer reading seen so far, else the site's elevation (ISO 2533 standard atmosphere),
else the standard atmosphere at sea level with `NO_ATMOSPHERE` set on every gauge reading.

A value that the quantity cannot have is flagged `IMPOSSIBLE` (`measure.possible`) and judged by nothing.

Time: once anchored, a reading stamped on arrival takes its time from the monotonic clock, so a stepped wall clock bends
no span; a reading with the publisher's own time (`SOURCE_TIME`) keeps it. Time never decreases within a channel.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.possible import Bounds, bounds
from baytrace.measure.reading import Quality, Raw, Reading, usable
from baytrace.measure.roles import Role
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against

# plain bits: flags are an order of magnitude slower, and this is done for every reading
_NAN, _NO_ATMOSPHERE = int(Quality.NOT_A_NUMBER), int(Quality.NO_ATMOSPHERE)
_IMPOSSIBLE = int(Quality.IMPOSSIBLE)
_TOO_LOW, _TOO_HIGH = int(Quality.IMPOSSIBLE | Quality.UNDER_RANGE), int(Quality.IMPOSSIBLE | Quality.OVER_RANGE)
_SOURCE_TIME, _OUT_OF_ORDER = int(Quality.SOURCE_TIME), int(Quality.OUT_OF_ORDER)
_RELATIVE = (Against.GAUGE, Against.VACUUM)
_LAPSE_K_PER_M, _T0_K, _EXPONENT = 0.0065, 288.15, 5.255_879_7


def standard_pressure(elevation_m: float) -> float:
    """Pa at `elevation_m` (-1000 to 11000 m). ISO 2533:1975, layer of constant lapse; raises BadInput outside."""
    if not -1000.0 <= elevation_m <= 11_000.0:
        raise BadInput(f"elevation {elevation_m} m is outside -1000 to 11000 m", where="elevation_m")
    height = 6_356_766.0 * elevation_m / (6_356_766.0 + elevation_m)
    return float(STANDARD_ATMOSPHERE_PA * (1.0 - _LAPSE_K_PER_M * height / _T0_K) ** _EXPONENT)


def _tells(quality: int) -> bool:
    """Whether a barometer's reading of this quality is the atmosphere."""
    return usable(quality) and not quality & _IMPOSSIBLE


class Interpreter:
    """Follows one stream of raw readings in order."""

    def __init__(self, channels: Iterable[Channel], elevation_m: float | None = None) -> None:
        self._channels: dict[str, Channel] = {channel.name: channel for channel in channels}
        self._bounds: dict[str, Bounds] = {name: bounds(channel) for name, channel in self._channels.items()}
        self._known = elevation_m is not None
        self.atmosphere_pa = STANDARD_ATMOSPHERE_PA if elevation_m is None else standard_pressure(elevation_m)
        self._last: dict[str, int] = {}
        self._ahead_ns: int | None = None

    @property
    def channels(self) -> Mapping[str, Channel]:
        return self._channels

    def state(self) -> dict[str, Any]:
        """What a later reader needs to go on from here with the same results (JSON)."""
        return {
            "ahead_ns": self._ahead_ns,
            "atmosphere_pa": self.atmosphere_pa,
            "atmosphere_known": self._known,
            "last_ns": dict(self._last),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self._ahead_ns = state["ahead_ns"]
        self.atmosphere_pa, self._known = state["atmosphere_pa"], state["atmosphere_known"]
        self._last = dict(state["last_ns"])

    def redeclare(self, channel: Channel) -> None:
        """From now on `channel.name` means this (a new unit, calibration or accuracy)."""
        self._channels[channel.name] = channel
        self._bounds[channel.name] = bounds(channel)

    def anchor(self, wall_ns: int, mono_ns: int) -> None:
        """From now on `mono_ns` of this boot means the instant `wall_ns`; never set back behind what was already seen."""
        newest = max(self._last.values(), default=wall_ns)
        self._ahead_ns = max(wall_ns, newest) - mono_ns

    def time_ns(self, wall_ns: int, mono_ns: int) -> int:
        """The instant of a stamp taken on arrival."""
        return wall_ns if self._ahead_ns is None else mono_ns + self._ahead_ns

    def reading(self, raw: Raw, seq: int = 0) -> Reading:
        """Raises KeyError for an undeclared channel."""
        channel = self._channels[raw.channel]
        quality = int(raw.quality)
        unit = channel.unit
        value = unit.to_si(channel.calibration.corrected(raw.value))
        if math.isnan(raw.value):
            quality |= _NAN
        if unit.against is Against.GAUGE or unit.against is Against.VACUUM:
            value += self.atmosphere_pa
            if not self._known:
                quality |= _NO_ATMOSPHERE
        low, high = self._bounds[raw.channel]
        if value < low:
            quality |= _TOO_LOW
        elif value > high:
            quality |= _TOO_HIGH
        elif channel.role is Role.BAROMETER and unit.against not in _RELATIVE and _tells(quality):
            self.atmosphere_pa, self._known = value, True
        time_ns = raw.wall_ns if quality & _SOURCE_TIME else self.time_ns(raw.wall_ns, raw.mono_ns)
        last = self._last.get(raw.channel)
        if last is not None and time_ns <= last:
            quality |= _OUT_OF_ORDER
            time_ns = last
        else:
            self._last[raw.channel] = time_ns
        return Reading(time_ns, raw.channel, channel.role, value, quality, seq)
