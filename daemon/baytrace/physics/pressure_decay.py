"""A standing pressure test: what the fall of a filled loop says, with the temperature taken out by the gas law.

Dry gas in a closed loop keeps p/T. What is left of a fall after bringing every reading to one temperature is a leak
(steady over a test, as the pressure hardly changes) and the settling of the gas that was warmed by filling (levels off):
the rise model of `pressure_rise` turned over. A thermometer on the wall follows the gas only so well; `tracking_k` is how
far the two may drift apart during the test.
"""

from __future__ import annotations

import math

import numpy as np

from baytrace.physics.gauge_noise import Gauge
from baytrace.physics.pressure_rise import FEWEST_CELLS, Problem, RiseFit, solve
from baytrace.physics.rise_cells import CellMeans
from baytrace.physics.rise_warmth import Thermal, measured

_MOST_SETTLING = 0.05
"""Largest part of the pressure that settling may take: filling warms the gas by some 15 K at most (common practice, no source)."""


def fit_decay(means: CellMeans, gauge: Gauge, thermal: Thermal, tracking_k: float) -> RiseFit | None:
    """`rate` is the fall in Pa/s, `vapour` the settling in Pa; `level` counts the fall from the first reading's level.

    None when there are too few cells.
    """
    if means.time_s.size < FEWEST_CELLS or means.time_s[-1] <= means.time_s[0]:
        return None
    pressure, noise_k = corrected(means, thermal)
    top = float(np.median(pressure[:3]))
    span = float(means.time_s[-1])
    drift = thermal.drift_k if thermal.drift_k > 0.0 else tracking_k
    extra = top * math.hypot(drift / math.sqrt(3.0), noise_k) / thermal.level_k / span
    offset = 2.0 * _MOST_SETTLING * top
    problem = Problem(
        means.time_s,
        top + offset - pressure,
        gauge.shape(means.pressure, means.readings),
        None,
        _MOST_SETTLING * top,
        means.length_s,
        span,
        extra,
        drying=False,
    )
    return solve(problem, gauge, Thermal(thermal.level_k, thermal.level_uncertainty_k, 0.0))


def corrected(means: CellMeans, thermal: Thermal) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], float]:
    """Pressures (absolute, Pa) at `thermal.level_k` where the temperature is known, else as they are; and the standard
    uncertainty (K) of the change of temperature by the thermometer's noise.
    """
    if thermal.drift_k > 0.0 or np.isnan(means.temperature).all():
        return np.asarray(means.pressure), 0.0
    warmth = measured(means.time_s, means.temperature)
    return np.asarray(means.pressure * thermal.level_k / warmth.kelvin), warmth.change_k
