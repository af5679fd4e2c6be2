"""The expansion device: a tube of fixed area, or a thermostatic valve that follows its bulb.

Flow of liquid that flashes in the throat chokes: the pressure that drives it counts down to a little below the saturation
pressure of the liquid arriving, not down to the evaporator (short-tube behaviour, common practice, no source for the
factors). Subcooling therefore feeds the tube, and vapour in the line starves it.
"""

from __future__ import annotations

import math

from baytrace_sim.loop.properties import Saturated

DISCHARGE = 0.72
FLASHING = 0.86  # the throat's pressure against that at which the liquid arriving boils
_STRAIGHT_PA = 4.0e3  # below this difference flow is laminar: a straight line keeps standing pressures quiet


def flow(
    area_m2: float, high: Saturated, *, high_pa: float, inlet_p: float, quality: float, low_pa: float, low_rho: float
) -> float:
    """kg/s from the high to the low side (negative: vapour flowing back while standing).

    `inlet_p` is the saturation pressure at the temperature of the liquid arriving, `quality` its vapour share.
    """
    if high_pa < low_pa:
        return -forced(area_m2, low_rho, low_pa - high_pa)
    throat = max(low_pa, (FLASHING - 0.32 * quality) * inlet_p)
    density = 1.0 / ((1.0 - quality) / high.rho_l + quality / high.rho_v)
    return forced(area_m2, density, max(high_pa - throat, 0.0))


def forced(area_m2: float, density: float, difference_pa: float) -> float:
    """kg/s that a pressure difference drives through an opening."""
    return DISCHARGE * area_m2 * _root(2.0 * density, difference_pa)


def _root(double_density: float, difference: float) -> float:
    if difference < _STRAIGHT_PA:
        return math.sqrt(double_density / _STRAIGHT_PA) * difference
    return math.sqrt(double_density * difference)


def opening(superheat_k: float, static_k: float, to_full_k: float) -> float:
    """Relative opening of a thermostatic valve, 0.05 (bleed) to 1, by the superheat its bulb feels."""
    return min(max((superheat_k - static_k) / to_full_k, 0.05), 1.0)
