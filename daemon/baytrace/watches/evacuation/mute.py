"""Holds in which the gauge, or where they began, leaves a pass without ground, however flat they look."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against, parse_unit
from baytrace.physics import moisture
from baytrace.physics.pressure_rise import RiseFit
from baytrace.physics.rise_cells import CellMeans
from baytrace.watches.evacuation.hold import Hold, still_step
from baytrace.watches.evacuation.wording import span
from baytrace.watches.limits_table import limit

_RANGE = re.compile(
    r"(?:full[\s-]*scale(?:\s+output)?|\bf\.?\s?s\.?o?\.?|span|range|class\s*[0-9.]+)\s*"
    r"\((?:([+-]?[0-9.]+)\s*(?:to|\.\.\.?|…|–)\s*)?([+-]?[0-9.]+)\s*([^()]*)\)",
    re.IGNORECASE,
)
_K95 = 1.959_964
_STEPS = 2.0
_FEWEST_CELLS = 12
_OF_MEDIAN = 1.4826  # standard deviation of a normal distribution over its median absolute deviation


def no_pass(hold: Hold, fit: RiseFit, channel: Channel | None) -> str | None:
    """Why this hold cannot pass; None when nothing speaks against it."""
    cells = hold.cells.means()
    return (
        _at_zero(cells)
        or at_an_end(hold, channel)
        or _stuck(hold, fit, channel)
        or _no_room(hold, fit)
        or _drawn_down(cells, fit)
        or _closed_late(cells, fit)
    )


def _at_zero(cells: CellMeans) -> str | None:
    """No loop is pumped to nothing: a gauge that says so has come to its end, or its zero is off by what is there."""
    share = float((cells.pressure <= 0.0).mean())
    if share <= limit("evacuation.at_zero"):
        return None
    return (
        f"The gauge showed zero or less {_part(share)} the hold: it stands at the end of its range or its zero "
        "is off, so a rise could be hidden and this hold cannot pass."
    )


def _part(share: float) -> str:
    if share == 1.0:
        return "all through"
    return f"for {100.0 * share:.0f} % of" if share < 0.99 else "for over 99 % of"


def at_an_end(hold: Hold, channel: Channel | None) -> str | None:
    """Why a hold cannot pass whose every reading stood at, or beyond, one end of the gauge's range."""
    ends = range_of(channel) if channel is not None else None
    if ends is None or hold.lowest is None or hold.highest is None:
        return None
    if ends[0] < hold.highest and hold.lowest < ends[1]:
        return None
    return (
        f"The gauge stood at the end of its range ({_shown(ends[0])} to {_shown(ends[1])}) all through the hold: a change "
        "could be hidden, so this hold cannot pass."
    )


def _shown(pascal: float) -> str:
    return f"{pascal:.4g} Pa" if abs(pascal) < 1e4 else f"{pascal / 1e3:.4g} kPa"


def range_of(channel: Channel) -> tuple[float, float] | None:
    """Both ends of a gauge's range in Pa absolute, as its accuracy names them; None when it does not."""
    found = _RANGE.search(channel.accuracy.text)
    if found is None:
        return None
    try:
        unit = parse_unit(found[3].strip()) if found[3].strip() else channel.unit
        low, high = unit.to_si(float(found[1] or 0.0)), unit.to_si(float(found[2]))
    except (BadInput, ValueError):
        return None
    above = STANDARD_ATMOSPHERE_PA if channel.unit.against is Against.GAUGE else 0.0
    return low + above, high + above


def _stuck(hold: Hold, fit: RiseFit, channel: Channel | None) -> str | None:
    """Gas follows its temperature: where that moves the pressure by steps of the display, the display must move."""
    kelvin = fit.problem.kelvin
    if not hold.never_moved or kelvin is None or hold.highest is None:
        return None
    warmer = float(kelvin.max() - kelvin.min())
    moved = hold.highest * warmer / fit.thermal.level_k
    if moved <= _STEPS * max(still_step(channel, hold.highest), 1e-9):
        return None
    return (
        f"The gauge showed exactly {hold.highest:.4g} Pa all through the hold, though the loop's temperature changed by "
        f"{warmer:.1f} K, which alone moves it by {moved:.2g} Pa: it stands still, so this hold cannot pass."
    )


def _no_room(hold: Hold, fit: RiseFit) -> str | None:
    """Water in balance with its vapour does not rise: it is excluded only from well below saturation."""
    if hold.first_pressure is None:
        return None
    coldest = fit.thermal.level_k - _K95 * fit.thermal.level_uncertainty_k - fit.thermal.drift_k
    shown = moisture.saturation_pressure(coldest) * (1.0 - _K95 * fit.gauge.gain_uncertainty)
    if min(fit.start, hold.first_pressure) < shown - limit("evacuation.vapour_limit_pa"):
        return None
    return (
        f"The hold began at {fit.start:.0f} Pa, where water in the loop would be in balance already ({shown:.0f} Pa at "
        f"{coldest - 273.15:.0f} degC): no rise from there can exclude water, so this hold cannot pass."
    )


def _drawn_down(cells: CellMeans, fit: RiseFit) -> str | None:
    """A pump on for a moment takes back what came in, and leaves a leak looking flat. It shows as a sudden fall."""
    if cells.pressure.size < _FEWEST_CELLS:
        return None
    falls = cells.pressure[:-2] - cells.pressure[2:]
    at = int(falls.argmax())
    if falls[at] <= _ordinary(cells.pressure, float(cells.pressure[at]), fit):
        return None
    return (
        f"The pressure fell by {falls[at]:.2g} Pa within {span(2.0 * cells.length_s)}, {span(float(cells.time_s[at]))} into the "
        "hold: in a closed loop it does not, so the pump or a valve was at work and this hold cannot pass; mark 'isolated' to "
        "begin another."
    )


def _closed_late(cells: CellMeans, fit: RiseFit) -> str | None:
    """What leaks or evaporates into a closed loop rises at once and never faster later on; a loop closed late does."""
    if cells.pressure.size < _FEWEST_CELLS:
        return None
    early, tail = 3 * cells.pressure.size // 4, max(cells.pressure.size // 16, 3)
    line = np.polyfit(cells.time_s[:early], cells.pressure[:early], 1)
    # the median: the last cell may hold the first reading of an opened valve
    more = float(np.median(cells.pressure[-tail:] - np.polyval(line, cells.time_s[-tail:])))
    if more <= _ordinary(cells.pressure, float(cells.pressure[-1]), fit):
        return None
    return (
        f"The pressure rose late in the hold, by {more:.2g} Pa more than it had set out to: a leak or water rises from the start, "
        "so the loop was closed later than that, and this hold cannot pass; mark 'isolated' to begin another."
    )


def _ordinary(pressure: NDArray[np.float64], about: float, fit: RiseFit) -> float:
    """Pa: a change within a hold that needs no explaining, by the scatter between neighbouring cells and the gauge's display."""
    steps = np.diff(pressure)
    scatter = _OF_MEDIAN * float(np.median(np.abs(steps - np.median(steps))))
    by_scatter = float(limit("evacuation.sudden_sigmas")) * scatter
    return max(float(limit("evacuation.sudden_share")) * about, by_scatter, _STEPS * fit.gauge.resolution)
