"""The temperature of the gas in a loop, as a thermometer on the shell leaves it open: lag and share are not known.

Theory. Gas follows the metal around it, and a thermometer follows the same metal, each late by a time of its own. For slow
changes only the difference counts, a signed lag: of the two, the later follows the earlier as a first-order filter. The earlier
one's course is written as a cubic spline of unknown coefficients, so neither has to be differentiated: a filter dampens noise,
its inverse would make a leak of it. How much of what the thermometer sees the gas takes part in (a clip half in the air, a
loop half in the cabin) is a factor about 1. How far the later one stood behind when the valve closed is not known either: a
difference that fades with the same lag.

Limits. Two places that change independently of each other are not described; what they may do is an allowance of the caller.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.measure.later import Later
from baytrace.physics.local_lines import local_lines

_interpolate, _signal = Later("scipy.interpolate"), Later("scipy.signal")

Array = NDArray[np.float64]
_LATER_S = np.array([40.0, 80.0, 130.0, 200.0, 300.0, 450.0, 650.0, 900.0, 1200.0])
LAGS_S = np.concatenate([-_LATER_S[::-1], [0.0], _LATER_S])
"""Seconds by which the gas may lag the thermometer (below zero: the thermometer the gas)."""
PIECES = 16
_KERNEL = 0.05
_GRID = 256


class Followed(NamedTuple):
    """By lag (m, ...). `gas` and `shown` (m, n, k) are what the spline's coefficients (K) make of the gas and the thermometer;
    `gas_fading` and `shown_fading` (m, n) a difference at the start; `guess` (m, n) the gas less the mean reading, roughly.
    `bends` (k - 2, k) are the second differences of the coefficients, usually of size `bend_k`.

    `reading` (n, K less the mean reading, 0 where none) with standard deviation `noise_k` (n, infinite where none). `swing_k` is how far the
    thermometer went, `rate_k_s` its usual slope.
    """

    gas: Array
    shown: Array
    gas_fading: Array
    shown_fading: Array
    guess: Array
    bends: Array
    bend_k: float
    reading: Array
    noise_k: Array
    swing_k: float
    rate_k_s: float


def followed(time_s: Array, temperature: Array, step_k: float) -> Followed:
    """From the cells' mean temperatures (K, nan where none was read); `step_k` is the thermometer's last figure, 0 if unknown."""
    known = ~np.isnan(temperature)
    level, slope, noise = _smooth(time_s, time_s[known], temperature[known])
    middle = float(temperature[known].mean())
    level = level - middle
    span = float(time_s[-1] - time_s[0])
    even = np.linspace(0.0, 1.0, _GRID)
    share = (time_s - time_s[0]) / span
    pieces, later = _splines()
    now = _read(even, pieces, share)
    count, rows = LAGS_S.size, time_s.size
    gas, shown = np.empty((count, rows, now.shape[1])), np.empty((count, rows, now.shape[1]))
    gas_fading, shown_fading, guess = (np.zeros((count, rows)) for _ in range(3))
    on_even = np.interp(even, share, level)[:, None]
    for row, lag in enumerate(LAGS_S.tolist()):
        late = _read(even, _late(later, 1.0 / (_GRID - 1), abs(lag) / span), share) if lag else now
        fading = np.exp(-(time_s - time_s[0]) / abs(lag)) if lag else np.zeros(rows)
        if lag > 0.0:
            gas[row], shown[row], gas_fading[row] = late, now, fading
            guess[row] = _read(even, _late(on_even, 1.0 / (_GRID - 1), lag / span), share)[:, 0]
        else:
            gas[row], shown[row], shown_fading[row] = now, late, fading
            guess[row] = level - lag * slope
    bends = np.diff(np.eye(now.shape[1]), 2, axis=0)
    spread = np.where(known, math.hypot(noise, step_k / math.sqrt(12.0)), np.inf)
    of_level = np.interp(np.linspace(0.0, 1.0, now.shape[1]), share, level)
    return Followed(
        gas,
        shown,
        gas_fading,
        shown_fading,
        guess,
        bends,
        3.0 * float(np.sqrt(np.mean(np.diff(of_level, 2) ** 2))) + 0.02,
        np.where(known, temperature - middle, 0.0),
        spread,
        float(level.max() - level.min()),
        float(np.sqrt(np.mean(slope * slope))),
    )


@lru_cache(maxsize=1)
def _splines() -> tuple[Array, Array]:
    """Cubic B-splines on an even grid from 0 to 1, (grid, k); twice, for those that filter them."""
    knots = np.concatenate([[0.0] * 3, np.linspace(0.0, 1.0, PIECES - 2), [1.0] * 3])
    at = np.linspace(0.0, 1.0, _GRID)
    made = _interpolate.BSpline.design_matrix(np.minimum(at, 1.0 - 1e-12), knots, 3).toarray()
    return made, made


def _read(even: Array, table: Array, at: Array) -> Array:
    """Rows of a table on an even grid from 0 to 1, between its points."""
    place = at * (even.size - 1)
    below = np.minimum(place.astype(int), even.size - 2)
    part = (place - below)[:, None]
    return np.asarray(table[below] * (1.0 - part) + table[below + 1] * part)


def _late(table: Array, step: float, lag: float) -> Array:
    """A first-order filter of columns of straight lines, begun at rest."""
    kept = math.exp(-step / lag)
    mean = (1.0 - kept) * lag / step
    first = table[0]
    rest = _signal.lfilter([1.0 - mean, mean - kept], [1.0, -kept], table - first, axis=0)
    return np.asarray(rest + first, dtype=np.float64)


def _smooth(time_s: Array, known_s: Array, temperature: Array) -> tuple[Array, Array, float]:
    """Level (K) and slope (K/s) by straight lines fitted around each instant, and the noise (K) of one reading."""
    level, slope = local_lines(time_s, known_s, temperature, _KERNEL)
    left = temperature - np.interp(known_s, time_s, level)
    noise = math.sqrt(float(left @ left) / max(left.size - 8.0, 1.0))
    alike = max(float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-30), 0.0)
    noise *= math.sqrt((1.0 + alike) / max(1.0 - alike, 0.1))
    return level, slope, noise
