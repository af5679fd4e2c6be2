"""What a reading can be at all: beyond it the instrument is at fault, and the number means nothing.

Rules of this file:
- No pressure is below nothing, no temperature below absolute zero, no air more than saturated with water or less than dry.
- A channel may miss these bounds by its own limit of error (and its calibration's): a vacuum gauge whose zero is a little off is no
  faulty one.
- A gauge pressure is made absolute with the atmosphere heard or assumed, which weather may have left by `_WEATHER_PA`.
- A barometer reads what an atmosphere has where people work; beyond that its unit or its wire is wrong.
- What is out of bounds is kept raw and flagged; nothing judges by it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from baytrace.measure.channel import Channel
from baytrace.measure.roles import FACTS, Quantity, Role
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against

_WEATHER_PA = 5_000.0
"""How far the air pressure of a place strays from its standard: sea level keeps within 95 to 106 kPa (common practice, no source)."""
_ATMOSPHERE_PA = (20_000.0, 120_000.0)
"""ISO 2533 gives 22.6 kPa at 11 km and 113.9 kPa at -1 km, the ends of what `standard_pressure` takes."""


class Bounds(NamedTuple):
    """Lowest and highest value that the quantity can have on this channel, in SI (pressures absolute)."""

    low: float = -math.inf
    high: float = math.inf


def bounds(channel: Channel) -> Bounds:
    """Bounds of a channel, its own accuracy allowed for."""
    quantity = FACTS[channel.role].quantity
    if quantity is Quantity.PRESSURE:
        if channel.role is Role.BAROMETER and not _relative(channel):
            return Bounds(*_ATMOSPHERE_PA)
        return Bounds(low=-_slack(channel, 0.0) - (_WEATHER_PA if _relative(channel) else 0.0))
    if quantity is Quantity.TEMPERATURE:
        return Bounds(low=-_slack(channel, 0.0))
    if quantity is Quantity.HUMIDITY:
        return Bounds(-_slack(channel, 0.0), 1.0 + _slack(channel, 1.0))
    return Bounds()


def _relative(channel: Channel) -> bool:
    return channel.unit.against in (Against.GAUGE, Against.VACUUM)


def _slack(channel: Channel, value_si: float) -> float:
    """The maker's limit of error at a value, and twice the calibration's uncertainty, in SI."""
    shown = channel.unit.from_si(value_si - (STANDARD_ATMOSPHERE_PA if _relative(channel) else 0.0))
    width = channel.accuracy.half_width(shown) + 2.0 * math.hypot(
        channel.accuracy.standard, channel.calibration.uncertainty
    )
    return abs(channel.unit.difference_to_si(width))
