"""What a charging hose keeps of the refrigerant that left the tank.

Rules of this file:
- A hose that was empty before and is left full of liquid keeps its whole volume of it; one that was let empty itself into the car
  keeps vapour alone; one that was full before charging and is full after it takes nothing. Only the person at the car knows which.
- Nobody says: anything from nothing to the whole usual hose full of liquid stayed in it. That is a bound on one side, no scatter.
- Densities are those of saturated liquid and vapour at 20 degC (CoolProp); a tank that is warmer or colder moves them by a few percent.

kg, m, K.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Literal, NamedTuple

from baytrace.measure.faults import BadInput
from baytrace.physics.fluids import saturation, state_at
from baytrace.watches.limits_table import limit

HoseLeft = Literal["unknown", "emptied into the car", "full before and after"]
_SHOP_K = 293.15


class Hose(NamedTuple):
    """`kg` is taken off what left the tank, `half_kg` is its half-width; besides, up to `below_kg` more may have stayed in it."""

    kg: float = 0.0
    half_kg: float = 0.0
    below_kg: float = 0.0


@cache
def densities(refrigerant: str) -> tuple[float, float]:
    """kg/m3 of liquid and vapour as they stand in a hose; where none is worked out, that of the densest usual refrigerant."""
    try:
        line = saturation(refrigerant, temperature_k=_SHOP_K)
        liquid = state_at(refrigerant, line.bubble_pressure_pa, _SHOP_K, side="liquid")
        vapour = state_at(refrigerant, line.dew_pressure_pa, _SHOP_K, side="vapour")
    except BadInput:
        return limit("charge.densest_liquid"), 0.1 * limit("charge.densest_liquid")
    return liquid.density, vapour.density


def hose_left(refrigerant: str | None, left: HoseLeft, length_m: float | None, bore_mm: float | None) -> Hose:
    """What a hose keeps, from how it was left; `refrigerant` and the size may be unknown."""
    bore = (bore_mm if bore_mm is not None else limit("charge.usual_hose_bore")) * 1e-3
    volume = 0.25 * math.pi * bore**2 * (length_m if length_m is not None else limit("charge.usual_hose_length"))
    liquid, vapour = densities(refrigerant) if refrigerant else (limit("charge.densest_liquid"), 30.0)
    if left == "unknown":
        return Hose(below_kg=volume * liquid)
    if left == "emptied into the car":
        return Hose(0.5 * volume * vapour, 0.5 * volume * vapour)
    return Hose(0.0, limit("charge.full_hose_differs") * volume * liquid)
