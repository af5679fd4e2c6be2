"""Water seen while the pump runs: the pull-down stands still where water boils at the loop's temperature.

A plateau needs a minute within a band of saturation, hardly falling. Below the triple point the water has frozen, and then
the temperature of the ice follows the pump, not the loop; such a plateau is noted as possible ice only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from baytrace.physics import moisture
from baytrace.watches.evacuation.phases import Tick

_FLAT_PER_S = 0.15 / 60.0
_LONG_ENOUGH_S = 60.0
_ICE_FROM_PA = 150.0


@dataclass(frozen=True, slots=True)
class Plateau:
    start_ns: int
    end_ns: int
    pressure: float
    ice: bool

    @property
    def seconds(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9


class PlateauFinder:
    """Takes ticks during the pull-down; `plateau` is the longest seen."""

    def __init__(self, coldest_k: float, warmest_k: float) -> None:
        self._range_k = (coldest_k, warmest_k)
        self._start: Tick | None = None
        self.plateau: Plateau | None = None

    def take(self, tick: Tick, temperature_k: float | None) -> None:
        low, high = (temperature_k - 4.0, temperature_k + 4.0) if temperature_k is not None else self._range_k
        boiling = moisture.saturation_pressure(low) <= tick.pressure <= moisture.saturation_pressure(high)
        freezing = _ICE_FROM_PA <= tick.pressure < moisture.TRIPLE_POINT_PA
        if not boiling and not freezing:
            self._start = None
            return
        start = self._start
        if start is None:
            self._start = tick
            return
        seconds = (tick.time_ns - start.time_ns) / 1e9
        if seconds > 10.0 and abs(math.log(tick.pressure / start.pressure)) > _FLAT_PER_S * seconds:
            self._start = tick
            return
        if seconds >= _LONG_ENOUGH_S and (self.plateau is None or seconds >= self.plateau.seconds):
            middle = math.sqrt(start.pressure * tick.pressure)
            self.plateau = Plateau(start.time_ns, tick.time_ns, middle, ice=not boiling)
