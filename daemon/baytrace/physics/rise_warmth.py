"""The loop's temperature during a hold: measured with its noise, or unseen within an allowance.

Measured: a loop warms slowly and a thermometer is noisy, so its readings are smoothed; what is left between them and the
smooth curve is its noise, and the noise that the smooth curve keeps is carried on as an uncertainty (JCGM 100, 5.1.2).

Unseen: liquid water climbs with the temperature by 6 % a kelvin, so a pool that warms draws a rise that bends too little
to look like water. How far the loop may have drifted is known, by which path is not: the allowance is laid out as straight
paths, each another explanation of the rise. What lies between two paths is within the slack granted to a pool.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.physics import moisture
from baytrace.physics.local_lines import local_lines

Array = NDArray[np.float64]
UNSEEN = np.array([-1.0, -0.75, -0.5, -0.25, 0.25, 0.5, 0.75, 1.0])
"""The paths, as shares of the unseen drift."""
BETWEEN_PATHS = 0.125
"""Share of the unseen drift by which a loop may drift off the nearest path at the end of the hold."""
_KERNEL = 0.04
_PIECES = 8


class Thermal(NamedTuple):
    """Temperature of the loop: `level_k` and its standard uncertainty; `drift_k` is how far (half-width) it may have moved
    during the hold unseen: 0 with a thermometer. `tracking_k` is how far loop and thermometer may then drift apart.
    """

    level_k: float
    level_uncertainty_k: float
    drift_k: float
    tracking_k: float = 0.0


class Smoothed(NamedTuple):
    """`kelvin` at the cells; standard uncertainties by the thermometer's noise: `change_k` of the change over the hold, and
    `level_k` of the smooth curve at one instant.
    """

    kelvin: Array
    change_k: float
    level_k: float


def smooth(time_s: Array, known_s: Array, temperature: Array) -> Array:
    """Temperature (K) at `time_s`: straight lines fitted around each instant over some 4 % of the hold either way."""
    if known_s.size < 5:
        return np.interp(time_s, known_s, temperature)
    return local_lines(time_s, known_s, temperature, _KERNEL)[0]


def measured(time_s: Array, temperature: Array) -> Smoothed:
    """From the cells' mean temperatures (K, nan where none was read; at least one was)."""
    known = ~np.isnan(temperature)
    kelvin = smooth(time_s, time_s[known], temperature[known])
    left = temperature[known] - kelvin[known]
    count = left.size
    if count < 8:
        return Smoothed(kelvin, 0.0, 0.0)
    power = float(left @ left)
    alike = max(float(left[1:] @ left[:-1]) / power, 0.0) if power > 0.0 else 0.0
    noise = math.sqrt(power / (count - 4.0)) * math.sqrt((1.0 + alike) / max(1.0 - alike, 0.1))
    # slope of a straight line over equally spaced points; and a Gaussian kernel's own number of points
    change = noise * math.sqrt(12.0 / count)
    kept = 2.0 * math.sqrt(math.pi) * max(_KERNEL * count, 1.5)
    return Smoothed(kelvin, change, noise / math.sqrt(kept))


def lagging_k(time_s: Array, kelvin: Array, lag_s: float) -> float:
    """K (half-width) by which a loop that follows its thermometer, or that the thermometer follows, by a lag of up to `lag_s` may drift off it.

    A steady change of any lag is a constant distance and drifts nowhere once it has run for a while; a change of the slope does.
    """
    step = np.diff(time_s)
    late, rest = np.empty_like(kelvin), float(kelvin[0])
    late[0] = rest
    for row in range(1, kelvin.size):
        rest += (1.0 - math.exp(-float(step[row - 1]) / lag_s)) * (float(kelvin[row]) - rest)
        late[row] = rest
    # a loop that had run on at the first slope before the hold would stand off by slope times lag already
    parts = max(kelvin.size // 8, 2)
    slope = float(np.polyfit(time_s[:parts], kelvin[:parts], 1)[0])
    off = late - kelvin - slope * lag_s * np.exp(-(time_s - time_s[0]) / lag_s)
    behind = 0.5 * float(off.max() - off.min())
    pieces = np.array_split(np.arange(kelvin.size), max(min(kelvin.size // 4, _PIECES), 1))
    slopes = [float(np.polyfit(time_s[rows], kelvin[rows], 1)[0]) for rows in pieces if rows.size > 2]
    ahead = 0.5 * lag_s * (max(slopes) - min(slopes)) if slopes else 0.0
    return max(behind, ahead)


def unseen_factors(time_s: Array, span_s: float, thermal: Thermal) -> Array | None:
    """(paths, n): saturation along each unseen path over saturation at its start; None with a thermometer."""
    if thermal.drift_k <= 0.0:
        return None
    share = np.minimum(time_s / span_s, 1.0)
    kelvin = thermal.level_k + thermal.drift_k * np.multiply.outer(UNSEEN, share)
    return np.asarray(moisture.saturation_pressure(kelvin) / moisture.saturation_pressure(thermal.level_k))


def systematic_drift(thermal: Thermal, noise_change_k: float, *, paths: bool) -> tuple[float, float]:
    """Standard uncertainty (K) of the change of temperature over the hold: of the gas, and of a pool's saturation, whose
    unseen `paths` may be laid out already.
    """
    if thermal.drift_k <= 0.0:
        change = math.hypot(thermal.tracking_k / math.sqrt(3.0), noise_change_k)
        return change, change
    gas = thermal.drift_k / math.sqrt(3.0)
    return gas, (BETWEEN_PATHS * gas if paths else gas)
