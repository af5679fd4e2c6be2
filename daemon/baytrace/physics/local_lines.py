"""A noisy record smoothed by straight lines fitted around each instant (W. S. Cleveland, 1979, with a Gaussian weight)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def local_lines(time_s: Array, known_s: Array, values: Array, share: float) -> tuple[Array, Array]:
    """Level and slope (a second) at each `time_s` (m) of values known at `known_s` (n, at least two instants). A line weighs what
    lies within about `share` of the record either way, and never less than one and a half steps of it.
    """
    middle = float(values.mean())
    width = max(share * float(known_s[-1] - known_s[0]), 1.5 * float(np.median(np.diff(known_s))))
    away = known_s[None, :] - time_s[:, None]
    weight = np.exp(-0.5 * (away / width) ** 2) + 1e-12
    zero, one, two = weight.sum(axis=1), (weight * away).sum(axis=1), (weight * away * away).sum(axis=1)
    rest = values - middle
    flat, tilt = weight @ rest, (weight * away) @ rest
    below = zero * two - one * one
    return np.asarray(middle + (two * flat - one * tilt) / below), np.asarray((zero * tilt - one * flat) / below)
