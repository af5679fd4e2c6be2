"""Closed-form constrained least squares for `p0 + rate t + vapour g(t)`, for many shapes g at once.

With p0 free (it is the pressure at isolation, far from zero in every hold that can be read), what is left is a quadratic in
(rate, vapour) over the strip rate >= 0, 0 <= vapour <= most. Its minimum and the projections of `chi2 <= level` on either
axis lie inside the strip or on an edge, so both are found by trying inside and edges: no iteration, nothing to converge.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_TINY = 1e-30


class Normal(NamedTuple):
    """Sums over whitened cells after taking out p0; each (m,) but `yy`, `tt` and `ty`, which no shape changes."""

    yy: float
    tt: float
    ty: float
    gg: Array
    gt: Array
    gy: Array


class Minimum(NamedTuple):
    """By shape (m,): least chi2 within the constraints and where it is."""

    chi2: Array
    rate: Array
    vapour: Array


class Span(NamedTuple):
    """By shape (m,): lowest and highest value where chi2 <= level; (inf, -inf) where there is none."""

    low: Array
    high: Array


def normal(one: Array, time: Array, shapes: Array, pressure: Array) -> Normal:
    """`one`, `time`, `pressure` (n,), `shapes` (m, n), all whitened alike."""
    unit = one / np.sqrt(one @ one)
    t = time - (time @ unit) * unit
    y = pressure - (pressure @ unit) * unit
    g = shapes - np.outer(shapes @ unit, unit)
    return Normal(float(y @ y), float(t @ t), float(t @ y), np.einsum("ij,ij->i", g, g) + _TINY, g @ t, g @ y)


def chi2(n: Normal, rate: Array, vapour: Array) -> Array:
    return (
        n.yy
        - 2.0 * (rate * n.ty + vapour * n.gy)
        + rate * rate * n.tt
        + 2.0 * rate * vapour * n.gt
        + vapour * vapour * n.gg
    )


def minimum(n: Normal, most: Array, negative_rate: bool = False) -> Minimum:
    """The constrained minimum of each shape. `negative_rate` lifts rate >= 0."""
    floor = -np.inf if negative_rate else 0.0
    determinant = np.maximum(n.tt * n.gg - n.gt * n.gt, 1e-14 * n.tt * n.gg)
    rate = (n.gg * n.ty - n.gt * n.gy) / determinant
    vapour = (n.tt * n.gy - n.gt * n.ty) / determinant
    inside = (rate >= floor) & (vapour >= 0.0) & (vapour <= most)
    best = np.where(inside, chi2(n, rate, vapour), np.inf)
    edges = [_given_vapour(n, np.zeros_like(most), floor), _given_vapour(n, most, floor)]
    if not negative_rate:
        none = np.zeros_like(most)
        edges.append((none, np.clip(n.gy / n.gg, 0.0, most)))
    for edge_rate, edge_vapour in edges:
        value = chi2(n, edge_rate, edge_vapour)
        better = value < best
        best = np.where(better, value, best)
        rate = np.where(better, edge_rate, rate)
        vapour = np.where(better, edge_vapour, vapour)
    return Minimum(best, rate, vapour)


def without_leak(n: Normal, most: Array) -> Minimum:
    """The least chi2 of each shape when nothing but vapour rises."""
    vapour = np.clip(n.gy / n.gg, 0.0, most)
    none = np.zeros_like(most)
    return Minimum(chi2(n, none, vapour), none, vapour)


def without_vapour(n: Normal) -> tuple[float, float]:
    """Least chi2 of a steady rise alone, and its rate."""
    rate = max(n.ty / n.tt, 0.0)
    return n.yy - 2.0 * rate * n.ty + rate * rate * n.tt, rate


def _given_vapour(n: Normal, vapour: Array, floor: float) -> tuple[Array, Array]:
    return np.maximum((n.ty - vapour * n.gt) / n.tt, floor), vapour


def rate_span(n: Normal, most: Array, level: Array) -> Span:
    """Range of the rate (>= 0) for which some allowed vapour gives chi2 <= level."""
    a, b, c = n.gg, n.gt, np.full_like(n.gg, n.tt)
    u, v = n.gy, np.full_like(n.gg, n.ty)
    zero = np.zeros_like(most)
    return _project(n.yy - level, a, b, c, u, v, zero, most, 0.0, np.full_like(most, np.inf))


def vapour_span(n: Normal, most: Array, level: Array) -> Span:
    """Range of the vapour (0 to `most`) for which some rate >= 0 gives chi2 <= level."""
    a, b, c = np.full_like(n.gg, n.tt), n.gt, n.gg
    u, v = np.full_like(n.gg, n.ty), n.gy
    zero = np.zeros_like(most)
    return _project(n.yy - level, a, b, c, u, v, zero, np.full_like(most, np.inf), 0.0, most)


def _project(  # noqa: PLR0917 - one problem's parts
    rest: Array,
    a: Array,
    b: Array,
    c: Array,
    u: Array,
    v: Array,
    x_low: Array,
    x_high: Array,
    y_low: float,
    y_high: Array,
) -> Span:
    """Extremes of y where a x^2 + 2 b x y + c y^2 - 2 u x - 2 v y + rest <= 0 for some x in [x_low, x_high]."""
    low, high = np.full_like(a, np.inf), np.full_like(a, -np.inf)

    def take(root: Array, valid: NDArray[np.bool_]) -> None:
        np.minimum(low, np.where(valid, root, np.inf), out=low)
        np.maximum(high, np.where(valid, root, -np.inf), out=high)

    def roots(qa: Array, qb: Array, qc: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
        inner = qb * qb - qa * qc
        real = inner >= 0.0
        width = np.sqrt(np.maximum(inner, 0.0))
        return (qb - width) / qa, (qb + width) / qa, real

    # inside: x at its best for this y, x = (u - b y) / a
    first, second, real = roots(np.maximum(c - b * b / a, 1e-14 * c), v - b * u / a, rest - u * u / a)
    for root in (first, second):
        x = (u - b * root) / a
        take(root, real & (x >= x_low) & (x <= x_high))
    for edge in (x_low, x_high):
        finite = np.isfinite(edge)
        x = np.where(finite, edge, 0.0)
        first, second, real = roots(c, v - b * x, a * x * x - 2.0 * u * x + rest)
        for root in (first, second):
            take(root, real & finite)
    empty = (low > high) | (high < y_low) | (low > y_high)
    low, high = np.maximum(low, y_low), np.minimum(high, y_high)
    return Span(np.where(empty, np.inf, low), np.where(empty, -np.inf, high))
