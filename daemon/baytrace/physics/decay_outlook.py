"""How long a standing test has yet to run before its rate can be decided, from what its interval is made of.

What scatter leaves open shrinks with the test's length to the power of 1.5 (a slope among independent errors), what the
temperature may do unseen with its length, and what is a part of the rate not at all. Each rate that the interval allows is
tried, as likely as the interval says; together they are the odds of when it will be. The room is taken to stay as it is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from baytrace.physics.outlook import LONGEST_S, Outlook
from baytrace.physics.pressure_decay import DecayFit
from baytrace.physics.pressure_rise import Estimate

Array = NDArray[np.float64]
_TRUTHS = 40
_LENGTHS = np.geomspace(1.002, 400.0, 240)
_K95 = 1.959_964


def foreseen(fit: DecayFit, rate: float, longer: float) -> Estimate:
    """The interval of a test so many times as long, were the rate so."""
    steady = fit.steady_pa / (fit.span_s * longer)
    fixed = math.hypot(steady, fit.of_rate * rate)
    below, above = (math.hypot(part * longer**-1.5, fixed) for part in fit.loose)
    return Estimate(rate, max(rate - below, 0.0), rate + above)


def more_time(fit: DecayFit, passes: float, fails: float) -> Outlook | None:
    """Until the interval lies below `passes` or above `fails` (Pa/s); None when even a day would likely not do."""
    shares = (np.arange(_TRUTHS) + 0.5) / _TRUTHS
    away = ndtri(shares) / _K95
    value, low, high = fit.rate
    rates = value + np.where(away < 0.0, (value - low) * away, (high - value) * away)
    lengths = _LENGTHS[fit.span_s * _LENGTHS <= LONGEST_S]
    took = np.sort([_decided(fit, max(float(rate), 0.0), lengths, passes, fails) for rate in rates])
    middle = float(took[_TRUTHS // 2])
    if math.isinf(middle):
        return None
    sure = float(np.mean((took >= 0.5 * middle) & (took <= 2.0 * middle)))
    return Outlook(middle, float(took[_TRUTHS // 20]), float(took[-1 - _TRUTHS // 20]), sure)


def _decided(fit: DecayFit, rate: float, lengths: Array, passes: float, fails: float) -> float:
    """Seconds from now; infinite when never."""
    for longer in lengths.tolist():
        later = foreseen(fit, rate, longer)
        if later.high < passes or later.low > fails:
            return float((longer - 1.0) * fit.span_s)
    return math.inf
