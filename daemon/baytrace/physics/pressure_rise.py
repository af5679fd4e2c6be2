"""What a hold says: `p(t) = p0 + (q/V) t + b g(t)`, fitted under constraints with honest intervals.

Theory. A leak keeps on (rate q/V), vapour levels off (b g(t), shapes in `rise_shapes`). Early in a hold a slow vapour and
a leak draw the same straight line, so the interval of the rate is the profile over every vapour shape: a rate is believed
as long as any allowed vapour beside it explains the readings (chi2 within Student's factor of the best). A local covariance
would take the best tau for granted and be far too narrow.

Limits. b may not exceed water's saturation, as the gauge would show it, less what is there. A straight rise that has not bent and stays below saturation
is called a leak only as far as tau <= 3 h cannot explain it. Intervals hold the scatter seen, the display's step, the
unknown temperature (allowance) and the gauge's gain; not a leak that changes during the hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from baytrace.physics import moisture, rise_shapes, rise_solver
from baytrace.physics.gauge_noise import Gauge, Memory, Whitener, coverage_factor, memory, outlier_factor
from baytrace.physics.rise_cells import CellMeans
from baytrace.physics.rise_shapes import Candidates, Kind, family, join
from baytrace.physics.rise_warmth import (
    BETWEEN_PATHS,
    UNSEEN,
    Thermal,
    measured,
    systematic_drift,
    unseen_factors,
)
from baytrace.physics.variable_projection import zoom

Array = NDArray[np.float64]
FEWEST_CELLS = 8
PARAMETERS = 4
_K95 = 1.959_964
SLOW_VAPOUR_S = 3600.0
"""Vapour slower than this is, within a hold, a straight rise: it counts against the limit of the rate, not of the vapour."""


class Estimate(NamedTuple):
    value: float
    low: float
    high: float


class Scatter(NamedTuple):
    """`sigma`: standard deviation of a cell in units of the gauge's expected spread; `memory`: correlation of neighbours."""

    sigma: float
    memory: float


@dataclass(frozen=True, slots=True)
class RiseFit:
    """95 % intervals. Pressures in Pa at `thermal.level_k`, rate in Pa/s, times in s from the start of the hold.

    `vapour_soon_high` bounds the vapour that comes within an hour. `noise_pa` is the scatter of one cell, `cell_step_s` the
    usual distance of cells. `path` tells which unseen path of temperature a DRIFTING pool took.
    """

    start: float
    rate: Estimate
    vapour: Estimate
    vapour_soon_high: float
    vapour_time: Estimate
    kind: Kind
    path: int
    span_s: float
    scatter: Scatter
    most_vapour: float
    noise_pa: float
    cell_step_s: float
    gauge: Gauge
    thermal: Thermal
    squares: float
    """Least chi2, in units of the gauge's expected spread."""
    problem: Problem = field(repr=False, compare=False)
    """What was fitted, for looking ahead."""

    def level(self, time_s: Array) -> Array:
        """Pa at these times, without temperature's share."""
        one = Candidates(np.array([int(self.kind) + self.path]), np.array([self.vapour_time.value]))
        at = np.asarray(time_s, dtype=float)
        factors = unseen_factors(at, self.span_s, self.thermal) if self.kind is Kind.DRIFTING else None
        shape = rise_shapes.values(one, at, 0.0, path_factors=factors)[0]
        return np.asarray(self.start + self.rate.value * time_s + self.vapour.value * shape, dtype=np.float64)


class Look:
    """Evaluates candidates against one set of whitened cells."""

    def __init__(self, problem: Problem, whiten: Whitener) -> None:
        self._problem, self._whiten = problem, whiten
        self._one = whiten(np.ones_like(problem.time_s))
        self._time = whiten(problem.time_s)
        self._pressure = whiten(problem.pressure)

    def normal(self, candidates: Candidates) -> tuple[rise_solver.Normal, Array]:
        shapes = self._problem.shapes(candidates)
        most = self._problem.most(shapes)
        return rise_solver.normal(self._one, self._time, self._whiten(shapes), self._pressure), most

    def minimum(self, candidates: Candidates) -> rise_solver.Minimum:
        return rise_solver.minimum(*self.normal(candidates))

    def straight(self) -> tuple[float, float]:
        """Least chi2 of a steady rise alone, and its rate."""
        none = np.zeros((1, self._time.size))
        return rise_solver.without_vapour(rise_solver.normal(self._one, self._time, none, self._pressure))


@dataclass(frozen=True, slots=True)
class Problem:
    """Cells brought to one temperature, and what bounds the vapour."""

    time_s: Array
    pressure: Array
    spread: Array
    pool_factor: Array | None
    most_vapour: float
    length_s: float
    span_s: float
    extra_rate: float = 0.0
    """Further standard uncertainty of the rate, Pa/s."""
    pool_slack: float = 0.0
    """Part of a pool's vapour by which it may stand off the curve that its temperature draws for it."""
    noise_change_k: float = 0.0
    """Standard uncertainty (K) of the measured change of temperature by the thermometer's noise."""
    path_factors: Array | None = None
    """Saturation along the unseen paths of temperature, where pools on them are to be considered."""
    kelvin: Array | None = None
    """The measured temperature, smoothed."""
    drying: bool = True
    """Whether a vapour may end for want of liquid."""

    def shapes(self, candidates: Candidates) -> Array:
        return rise_shapes.values(candidates, self.time_s, self.length_s, self.pool_factor, self.path_factors)

    def most(self, shapes: Array) -> Array:
        """p0 >= 0 and rate >= 0 leave a vapour no more than the highest pressure seen."""
        seen = 1.05 * float(self.pressure.max()) / np.maximum(shapes.max(axis=1), 1e-9)
        return np.asarray(np.minimum(self.most_vapour, seen))

    def residuals(self, candidate: Candidates, best: rise_solver.Minimum) -> tuple[Array, float]:
        """Left over at the minimum, in units of the spread, and p0."""
        shape = self.shapes(candidate)[0]
        rest = self.pressure - best.rate[0] * self.time_s - best.vapour[0] * shape
        weight = self.spread**-2.0
        start = float(rest @ weight / weight.sum())
        return (rest - start) / self.spread, start


def pool_factor(kelvin: Array, level_k: float) -> Array:
    """Saturation at `kelvin` over that at `level_k`, brought to `level_k` as gas is."""
    following = moisture.saturation_pressure(kelvin) / moisture.saturation_pressure(level_k)
    return np.asarray(level_k / kelvin * following, dtype=np.float64)


def prepare(means: CellMeans, gauge: Gauge, thermal: Thermal) -> Problem:
    """Gas brought to `thermal.level_k` (p/T constant), saturation's share set beside it."""
    pressure, factor, warmth = means.pressure, None, None
    if thermal.drift_k == 0.0 and not np.isnan(means.temperature).all():
        warmth = measured(means.time_s, means.temperature)
        pressure = pressure * thermal.level_k / warmth.kelvin
        factor = pool_factor(warmth.kelvin, thermal.level_k)
    hottest = thermal.level_k + _K95 * thermal.level_uncertainty_k + thermal.drift_k
    first = _at_start(means.time_s, pressure)
    shown = moisture.saturation_pressure(hottest) * (1.0 + _K95 * gauge.gain_uncertainty)
    most = max(shown - first, 0.0)
    spread = gauge.shape(means.pressure, means.readings)
    span = float(means.time_s[-1])
    change, level = (warmth.change_k, warmth.level_k) if warmth is not None else (0.0, 0.0)
    slack = moisture.sensitivity(thermal.level_k) * _slack_k(thermal, level)
    return Problem(
        means.time_s,
        pressure,
        spread,
        factor,
        most,
        means.length_s,
        span,
        pool_slack=slack,
        noise_change_k=change,
        kelvin=warmth.kelvin if warmth is not None else None,
    )


def _slack_k(thermal: Thermal, noise_k: float) -> float:
    """Standard deviation (K) that a pool may stand off its temperature's curve."""
    unseen = 0.25 * BETWEEN_PATHS * thermal.drift_k
    return math.hypot(max(thermal.tracking_k, unseen) / math.sqrt(3.0), noise_k)


def _at_start(time_s: Array, pressure: Array) -> float:
    """Pa where the first cells point back to: a fast vapour has risen far within them and was not there at isolation."""
    middle = float(np.median(pressure[:3]))
    slope = float(np.polyfit(time_s[:3], pressure[:3], 1)[0])
    return min(max(float(pressure[:3].mean()) - slope * float(time_s[:3].mean()), 0.0), middle)


def fit(means: CellMeans, gauge: Gauge, thermal: Thermal) -> RiseFit | None:
    """None when there are too few cells to say anything."""
    if means.time_s.size < FEWEST_CELLS or means.time_s[-1] <= means.time_s[0]:
        return None
    return solve(prepare(means, gauge, thermal), gauge, thermal)


def solve(problem: Problem, gauge: Gauge, thermal: Thermal) -> RiseFit:
    """Fit a prepared problem: memory and scatter from its own residuals, then the profile."""
    coarse = grid(problem)
    look = Look(problem, Whitener(problem.time_s, problem.spread, 0.0))
    best, _, _ = _search(look, problem, coarse, rounds=2)
    residuals, _ = problem.residuals(best, look.minimum(best))
    problem = replace(problem, spread=problem.spread * outlier_factor(residuals))
    look = Look(problem, Whitener(problem.time_s, problem.spread, 0.0))
    kept = memory(problem.residuals(best, look.minimum(best))[0], PARAMETERS)
    return _explained(problem, kept, None, gauge, thermal)


def weigh_known(problem: Problem, scatter: Scatter, gauge: Gauge, thermal: Thermal) -> RiseFit:
    """As `solve`, with the scatter and memory told: for readings that are yet to come."""
    return _explained(problem, Memory(scatter.memory, 1.0), scatter, gauge, thermal)


def _explained(problem: Problem, kept: Memory, told: Scatter | None, gauge: Gauge, thermal: Thermal) -> RiseFit:
    rounds = 5 if told is None else 3
    coarse = grid(problem)
    look = Look(problem, Whitener(problem.time_s, problem.spread, kept.rho))
    found = _search(look, problem, coarse, rounds)
    scatter = told or _scatter(problem, found[1], kept, gauge)
    factors = unseen_factors(problem.time_s, problem.span_s, thermal)
    if factors is not None and _bends(look, found[1], scatter):
        problem = replace(problem, path_factors=factors)
        look = Look(problem, Whitener(problem.time_s, problem.spread, kept.rho))
        coarse = grid(problem)
        found = _search(look, problem, coarse, rounds)
        scatter = told or _scatter(problem, found[1], kept, gauge)
    return _conclude(problem, look, coarse, found, scatter, gauge, thermal)


def _scatter(problem: Problem, least: rise_solver.Minimum, kept: Memory, gauge: Gauge) -> Scatter:
    variance = least.chi2[0] / max(problem.time_s.size - PARAMETERS, 1) * kept.inflation
    floor = 0.1 * gauge.resolution / float(np.median(problem.spread))
    return Scatter(math.sqrt(max(variance, floor * floor, 1e-12)), kept.rho)


def _bends(look: Look, least: rise_solver.Minimum, scatter: Scatter) -> bool:
    """Whether the rise shows any vapour at all. Where a straight line will do there is no sign of water, and none is
    supposed to be hidden by a drift that makes up for its bend.
    """
    return look.straight()[0] > float(least.chi2[0]) + (_RULED_OUT * scatter.sigma) ** 2


def grid(problem: Problem, finer: int = 1) -> Candidates:
    """Every shape that may explain the problem; `finer` times as many as a first look needs."""
    span, length = problem.span_s, problem.length_s
    known = problem.pool_factor is not None
    shapes = rise_shapes.grid(span, length, temperature_known=known, drying=problem.drying, finer=finer)
    if problem.path_factors is None:
        return shapes
    return join(shapes, rise_shapes.drifting(len(UNSEEN), span, length, finer))


def _conclude(  # noqa: PLR0917 - one problem's parts
    problem: Problem, look: Look, coarse: Candidates, found: _Found, scatter: Scatter, gauge: Gauge, thermal: Thermal
) -> RiseFit:
    best, least, peaks = found
    rate, vapour = float(least.rate[0]), float(least.vapour[0])
    factor = coverage_factor(problem.time_s.size, scatter.memory, PARAMETERS)
    spans = _profile(look, problem, coarse, peaks, scatter.sigma, factor)
    risen = min(vapour + rate * problem.span_s, problem.most_vapour)
    systematic = _systematic_rate(problem, gauge, thermal, risen)
    gain = gauge.gain_uncertainty
    step = float(np.median(np.diff(problem.time_s)))
    return RiseFit(
        start=problem.residuals(best, least)[1],
        rate=_widened(rate, *spans.rate, _K95 * math.hypot(systematic, gain * rate)),
        vapour=_widened(vapour, *spans.vapour, _K95 * math.hypot(_ends(gauge), gain * vapour)),
        vapour_soon_high=spans.vapour_soon_high * (1.0 + _K95 * gain) + _K95 * systematic * problem.span_s,
        vapour_time=Estimate(float(best.tau_s[0]), *spans.tau_s),
        kind=family(int(best.kind[0])),
        path=int(best.kind[0]) - family(int(best.kind[0])),
        span_s=problem.span_s,
        scatter=scatter,
        most_vapour=problem.most_vapour,
        noise_pa=scatter.sigma * float(np.median(problem.spread)),
        cell_step_s=step,
        gauge=gauge,
        thermal=thermal,
        squares=float(least.chi2[0]),
        problem=problem,
    )


_Found = tuple[Candidates, rise_solver.Minimum, Candidates]


def _search(look: Look, problem: Problem, coarse: Candidates, rounds: int) -> _Found:
    """Best candidate, its minimum, and the best of every family, refined in log tau until chi2 stands still."""
    found = look.minimum(coarse)
    peaks = _best_of_each(coarse, found.chi2)
    low, high = np.array(
        [rise_shapes.bounds(family(int(kind)), problem.span_s, problem.length_s) for kind in peaks.kind]
    ).T

    def squares(trials: Array) -> Array:
        near = Candidates(np.repeat(peaks.kind, trials.shape[1]), trials.ravel())
        return look.minimum(near).chi2.reshape(trials.shape)

    peaks = Candidates(peaks.kind, zoom(peaks.tau_s, squares, 0.3, rounds, low, high))
    found = look.minimum(peaks)
    # a drift that nobody saw is taken for the best explanation only where nothing plainer will do
    plainer = 1.0 + _RULED_OUT**2 / max(problem.time_s.size - PARAMETERS, 1)
    at = int(np.argmin(np.where(peaks.kind >= Kind.DRIFTING, plainer, 1.0) * found.chi2))
    one = Candidates(peaks.kind[at : at + 1], peaks.tau_s[at : at + 1])
    return one, rise_solver.Minimum(*(part[at : at + 1] for part in found)), peaks


def _best_of_each(candidates: Candidates, chi2: Array) -> Candidates:
    rows = []
    for kind in np.unique(candidates.kind):
        members = np.flatnonzero(candidates.kind == kind)
        rows.append(int(members[np.argmin(chi2[members])]))
    return Candidates(candidates.kind[rows], candidates.tau_s[rows])


def _around(centres: Candidates, steps: Array, problem: Problem) -> Candidates:
    """Each centre moved by each step in log tau, kept within its family's bounds."""
    tau = centres.tau_s[:, None] * np.exp(steps)
    for row, kind in enumerate(centres.kind):
        tau[row] = np.clip(tau[row], *rise_shapes.bounds(family(int(kind)), problem.span_s, problem.length_s))
    return Candidates(np.repeat(centres.kind, steps.size), tau.ravel())


_LADDER = np.concatenate([-np.geomspace(1.2, 2e-4, 14), np.geomspace(2e-4, 1.2, 14)])
_RULED_OUT = 3.5
"""A family of shapes this many sigma worse than the best is no explanation any more (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Spans:
    rate: tuple[float, float]
    vapour: tuple[float, float]
    vapour_soon_high: float
    tau_s: tuple[float, float]


def _profile(  # noqa: PLR0917 - one problem's parts
    look: Look, problem: Problem, coarse: Candidates, peaks: Candidates, sigma: float, factor: float
) -> _Spans:
    """Extremes over every shape whose chi2 stays within its family's level: first on a ladder, then closer to each extreme.

    A family of shapes is another explanation, not another parameter: each that the readings do not rule out keeps its own
    minimum to measure from.
    """
    found = look.minimum(peaks)
    least = found.chi2
    ceiling = np.full(len(Kind) + UNSEEN.size, -1.0)
    slack = _pool_slack(problem, peaks, found)
    allowed = (least <= least.min() + (_RULED_OUT * sigma) ** 2) | (least <= slack)
    adrift = np.where(peaks.kind >= Kind.DRIFTING, slack, 0.0)
    ceiling[peaks.kind[allowed]] = np.maximum(least + (factor * sigma) ** 2, adrift)[allowed]
    kept = Candidates(peaks.kind[allowed], peaks.tau_s[allowed])
    candidates = join(coarse, peaks, _around(kept, _LADDER, problem))
    for closeness in (0.3, 0.08):
        rate, vapour = _both_spans(look, candidates, ceiling[candidates.kind])
        ends = [np.argmin(rate.low), np.argmax(rate.high), np.argmin(vapour.low), np.argmax(vapour.high)]
        rows = sorted({int(row) for row in ends})
        extreme = Candidates(candidates.kind[rows], candidates.tau_s[rows])
        within = rate.low <= rate.high
        candidates = Candidates(candidates.kind[within], candidates.tau_s[within])
        candidates = join(candidates, extreme, _around(extreme, np.linspace(-closeness, closeness, 8), problem))
    rate, vapour = _both_spans(look, candidates, ceiling[candidates.kind])
    within = rate.low <= rate.high
    soon = within & (candidates.tau_s <= SLOW_VAPOUR_S)
    taus = candidates.tau_s[within]
    # a drift that nobody saw can hide a leak's absence, not the vapour's presence: that stands on the plain shapes
    plain = within & (candidates.kind < Kind.DRIFTING)
    shown = vapour.low[plain if plain.any() else within]
    return _Spans(
        (float(rate.low.min()), float(rate.high.max())),
        (float(shown.min()) if shown.size else math.inf, float(vapour.high.max())),
        float(vapour.high[soon].max()) if soon.any() else 0.0,
        (float(taus.min()), float(taus.max())) if taus.size else (math.inf, -math.inf),
    )


def _pool_slack(problem: Problem, peaks: Candidates, found: rise_solver.Minimum) -> Array:
    """Chi2 by which a pool may miss the readings because its temperature is known, or laid out, only so well.

    A quiet gauge sees thousandths of a kelvin and a thermometer does not, so chi2 alone would call every pool that warms a
    leak. 0 for shapes that follow no temperature.
    """
    pool = (peaks.kind == Kind.POOL) | (peaks.kind >= Kind.DRIFTING)
    off = problem.pool_slack * found.vapour
    return np.asarray(np.where(pool, off * off * float(np.sum(problem.spread**-2.0)), 0.0))


def _both_spans(look: Look, candidates: Candidates, level: Array) -> tuple[rise_solver.Span, rise_solver.Span]:
    normal, most = look.normal(candidates)
    return rise_solver.rate_span(normal, most, level), rise_solver.vapour_span(normal, most, level)


def _ends(gauge: Gauge) -> float:
    """Standard uncertainty (Pa) of a difference of two readings by the display's step."""
    return gauge.resolution / math.sqrt(6.0)


def _systematic_rate(problem: Problem, gauge: Gauge, thermal: Thermal, risen: float) -> float:
    """Standard uncertainty of the rate (Pa/s) that scatter cannot show: the display's step at either end, and the unseen
    drift of temperature (past the thermometer where there is one), on the gas as T and on what has risen as saturation,
    as it may stand over a pool.
    """
    step = _ends(gauge)
    of_gas, of_pool = systematic_drift(thermal, problem.noise_change_k, paths=problem.path_factors is not None)
    at = float(problem.pressure[-1])
    warmth = at / thermal.level_k * of_gas + risen * moisture.sensitivity(thermal.level_k) * of_pool
    return math.hypot(step / problem.span_s, warmth / problem.span_s, problem.extra_rate)


def _widened(value: float, low: float, high: float, extra: float) -> Estimate:
    """Systematic parts join the interval as squares (JCGM 100, 5.1.2)."""
    below, above = max(value - low, 0.0), max(high - value, 0.0)
    return Estimate(value, max(value - math.hypot(below, extra), 0.0), value + math.hypot(above, extra))
