"""What clamp probes and the vent thermometer feel: metal that follows the refrigerant, ducts that follow the air."""

from __future__ import annotations

from dataclasses import dataclass

_FLOWING_S, _STANDING_S = 7.0, 240.0
_DUCT_S, _DUCT_SHARE = 90.0, 0.35


@dataclass(slots=True)
class Lines:
    """Temperatures in K. `quicken` above 1 makes them follow faster, to find a steady state in less simulated time."""

    ambient_k: float
    suction_k: float
    liquid_k: float
    discharge_k: float
    duct_k: float
    vent_k: float
    quicken: float = 1.0

    def follow(
        self, dt_s: float, flowing: tuple[bool, bool], refrigerant_k: tuple[float, float, float], air_k: float | None
    ) -> None:
        """`flowing` is through the compressor and through the liquid line; `refrigerant_k` suction, liquid, discharge;
        `air_k` behind the coil, None when no air moves.
        """
        dt_s *= self.quicken
        compressor, liquid = flowing
        suction_k, liquid_k, discharge_k = refrigerant_k
        self.suction_k = self._next(self.suction_k, suction_k, dt_s, compressor)
        self.discharge_k = self._next(self.discharge_k, discharge_k, dt_s, compressor)
        self.liquid_k = self._next(self.liquid_k, liquid_k, dt_s, liquid)
        if air_k is None:
            self.duct_k += (self.ambient_k - self.duct_k) * min(dt_s / _STANDING_S, 1.0)
            self.vent_k = self.duct_k
            return
        self.duct_k += (air_k - self.duct_k) * min(dt_s / _DUCT_S, 1.0)
        self.vent_k = air_k + _DUCT_SHARE * (self.duct_k - air_k)

    def _next(self, here: float, there: float, dt_s: float, flowing: bool) -> float:
        goal, lag = (there, _FLOWING_S) if flowing else (self.ambient_k, _STANDING_S)
        return here + (goal - here) * min(dt_s / lag, 1.0)
