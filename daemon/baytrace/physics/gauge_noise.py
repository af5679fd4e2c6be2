"""How far neighbouring cells of a hold can be trusted: scale, memory and wild cells, learnt from what the fit leaves over.

A gauge's error has two parts. What is the same for every reading (its gain) scales the whole rise and cannot be seen in it;
it comes from the stated accuracy. What changes during the hold is seen in the residuals, and it wanders: neighbours err
alike. An interval that took them for independent would shrink too fast, so the memory is estimated, corrected for what a
fit hides of it, and used to whiten the cells (first-order autoregression, generalised least squares).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Array = NDArray[np.float64]
_MOST_MEMORY = 0.97
_REPEATABILITY = 0.1
"""Part of a gauge's relative accuracy that shows as noise within one hold (common practice, no source); only the ratio of
weights rests on it, their scale is estimated."""


class Gauge(NamedTuple):
    """Limits of error: `fixed` Pa and `relative`; `resolution` in Pa, the step of its display (0 when none was seen)."""

    fixed: float
    relative: float
    resolution: float

    @property
    def gain_uncertainty(self) -> float:
        """Relative standard uncertainty of the gain (rectangular, JCGM 100, 4.3.7)."""
        return self.relative / math.sqrt(3.0)

    def shape(self, pressure: Array, count: Array) -> Array:
        """Expected standard deviation of a cell up to a common factor: grows with pressure, shrinks with readings."""
        own = (self.fixed**2 + (_REPEATABILITY * self.relative * pressure) ** 2) / 3.0 + self.resolution**2 / 12.0
        spread = np.sqrt(own + 1e-12 * pressure**2 + 1e-12)
        usual = float(np.median(count))
        return np.asarray(spread * np.sqrt(np.maximum(usual / count, 1.0)))


class Memory(NamedTuple):
    """`rho` between neighbouring cells, and `inflation` of the variance for memory beyond first order."""

    rho: float
    inflation: float


class Whitener:
    """Takes out the memory: differences of neighbours, by their distance, in units of the expected spread."""

    def __init__(self, time_s: Array, spread: Array, rho: float) -> None:
        step = np.diff(time_s)
        usual = float(np.median(step)) if step.size else 1.0
        self._scale = 1.0 / spread
        self._kept = rho ** np.maximum(step / usual, 0.5) if rho > 0.0 else np.zeros_like(step)
        self._gain = 1.0 / np.sqrt(1.0 - self._kept**2)

    def __call__(self, series: Array) -> Array:
        """`series` (..., n) along its last axis."""
        scaled = series * self._scale
        out = scaled.copy()
        out[..., 1:] = (scaled[..., 1:] - self._kept * scaled[..., :-1]) * self._gain
        return np.asarray(out)


def memory(residuals: Array, parameters: int) -> Memory:
    """From residuals in units of their expected spread (n,) of a fit with so many parameters.

    A fit bends towards the errors, so residuals remember less than the errors did: to first order the estimate is low by
    (parameters + (parameters + 2) rho) / n (Marriott and Pope, Biometrika 41, 1954, for a mean; extended by count of smooth
    terms and checked by simulation).
    """
    n = residuals.size
    power = float(residuals @ residuals)
    if n < 8 or power <= 0.0:
        return Memory(0.0, 1.0)
    first = _undo_bias(float(residuals[1:] @ residuals[:-1]) / power, parameters, n)
    second = _undo_bias(float(residuals[2:] @ residuals[:-2]) / power, parameters, n)
    rho = min(max(first, 0.0), _MOST_MEMORY)
    inflation = 1.0
    if rho > 2.0 / math.sqrt(n) and second > rho * rho:
        # white noise on top of a wandering error: neighbours look less alike than the wandering is
        slow = min(second / rho, _MOST_MEMORY)
        inflation = (1.0 + 2.0 * rho / (1.0 - slow)) / ((1.0 + rho) / (1.0 - rho))
    return Memory(rho, min(max(inflation, 1.0), 6.0))


def _undo_bias(estimate: float, parameters: int, n: int) -> float:
    return (estimate + parameters / n) / max(1.0 - (parameters + 2.0) / n, 0.3)


def outlier_factor(residuals: Array) -> Array:
    """By cell: by how much to widen its spread so that a wild cell pulls no harder than three sigma (Huber)."""
    middle = float(np.median(residuals))
    scale = 1.4826 * float(np.median(np.abs(residuals - middle)))
    if scale <= 0.0:
        return np.ones_like(residuals)
    size = np.abs(residuals - middle) / (3.0 * scale)
    return np.where(size > 1.0, size, 1.0)


def coverage_factor(cells: int, rho: float, parameters: int, confidence: float = 0.95) -> float:
    """Student's factor with the degrees of freedom the memory leaves (JCGM 100, G.3), at least 3."""
    free = max(cells * (1.0 - rho) / (1.0 + rho) - parameters, 3.0)
    return float(stdtrit(free, 0.5 + 0.5 * confidence))
