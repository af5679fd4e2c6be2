"""A standing pressure test: what the fall of a filled loop says, with the temperature taken out by the gas law.

Theory. Dry gas in a closed loop keeps n R T / V. What is left of a fall once the gas's temperature is taken out is a leak (nearly
steady, as the pressure hardly changes) and the settling of gas that was warmed by filling, which levels off:

    p = p0 (1 + g F(t) + u(t)) - r l(t) - c (1 - exp(-t/f)) - b (1 - exp(-t/s)),   r >= 0,   0 <= b <= 5 % of p0

F is the relative change of the gas's temperature, a lagged or led copy of what the thermometer says (`gas_warmth`), g its share,
about 1. u is what no thermometer saw (the sun on a hose, a hand): a random walk, as strong as the readings ask for (restricted
likelihood). l is the time, less as the pressure is less and its gas cooler. What is linear is taken out with its prior; the lag, f and s
are searched. The interval of r is the profile: a rate is believed as long as any lag, share and settling beside it explains the readings.

Limits. A change unseen and as steady as a leak is an allowance (`Allowance`), not a model. A leak that opens or closes during the
test is not described. Intervals hold the scatter seen, the display's step, and the gauge's gain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import stdtrit

from baytrace.physics import rise_solver
from baytrace.physics.gas_warmth import LAGS_S, Followed, followed
from baytrace.physics.gauge_noise import Gauge
from baytrace.physics.pressure_rise import FEWEST_CELLS, Estimate
from baytrace.physics.rise_cells import CellMeans
from baytrace.physics.rise_warmth import Thermal

Array = NDArray[np.float64]
_MOST_SETTLING = 0.05
"""Largest part of the pressure that slow settling may take: filling warms the metal by some 15 K at most (common practice, no source)."""
_MOST_FAST = 0.1
_FAST_S = np.geomspace(12.0, 200.0, 10)
"""The gas itself to the wall, seconds to minutes."""
_SLOW_S = np.geomspace(100.0, 1200.0, 10)
"""The wall to the bay, minutes."""
_WALKS = np.array([0.0, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1])
"""K^2/s: how fast the gas may wander unseen."""
_BESIDES = 1.3
"""The profile is made so much wider for heat that goes other ways than these (from simulated tests of another hand)."""
_CALM = 2.0
"""A bay is calm unless the readings say otherwise: so much (-2 ln likelihood) against each ten times faster."""
_GAUGE_S = 100.0
"""A gauge that wanders comes back within minutes (common practice, no source)."""
_LIKELY = 2.7
_INEXACT = 0.01
"""Part of what has yet to settle by which it may miss its two exponentials (common practice, no source)."""
_UNSETTLED = 0.1
"""And part of the slow settling that may go on as a leak does (standard uncertainty; common practice, no source)."""
_CURVING = 1.5
"""A leak falls with the pressure by a power of 1 (choked) to 2 (laminar)."""
_AT_START_K, _STOOD_S = 0.5, 600.0
"""How far gas and thermometer usually differ in a bay at rest, and of which time of the usual change besides (common practice, no source)."""
_MOST_APART = 1.5
_SETTLES_K, _SETTLES_S = 6.0, 500.0
"""Metal warmed by filling: usual size, which goes down with its time (common practice, no source; checked by simulated tests)."""
_RESTED, _PLAINER = 0.15, 1.5
"""Most tests begin when the gas has come to rest: then a part of a settling is supposed, unless the readings (chi2) ask for all of it."""
_PARAMETERS = 7
_MOST_CELLS = 64
_K95 = 1.959_964


class Allowance(NamedTuple):
    """What is granted to a gas whose thermometer sits on the shell.

    `tracking_k`: how far the two may drift apart whatever happens (half-width); `share`: standard uncertainty of the part of the
    thermometer's swing that the gas takes part in; `apart`: part of the swing by which the gas may go its own way (half-width);
    a thermometer that swings by `far_k` stands in the sun or by a door, and says nothing of the gas any more; `step_k`: last figure of the thermometer.
    """

    tracking_k: float
    share: float
    apart: float
    far_k: float
    step_k: float = 0.0


@dataclass(frozen=True, slots=True)
class Problem:
    """Cells with what is known of the gas's temperature; `warmth` is None without a thermometer."""

    means: CellMeans
    gauge: Gauge
    thermal: Thermal
    allowance: Allowance
    warmth: Followed | None

    @property
    def top(self) -> float:
        return float(np.median(self.means.pressure[:3]))


@dataclass(frozen=True, slots=True)
class DecayFit:
    """95 % interval of `rate`, Pa/s of fall at the pressure and temperature the test began at; `start` (Pa) is that pressure.

    `settling` (Pa, slow) and `settling_s` (s) are of the best explanation, as is `lag_s`. `noise_pa` is the scatter of a cell, `walk` (K^2/s)
    how fast the gas wandered unseen.
    """

    start: float
    rate: Estimate
    settling: float
    settling_s: float
    lag_s: float
    span_s: float
    noise_pa: float
    walk: float
    swing_k: float
    loose: tuple[float, float]
    """Pa/s below and above the rate by what a longer test of this scatter would settle."""
    steady_pa: float
    """Half-width of what may pass for a leak however long the test, Pa over the test: temperature unseen, the display's step."""
    rise_pa: float
    """By how much the pressure rose within the test, unexplained by the thermometer."""
    of_rate: float
    """Half-width that grows with the rate, as a part of it."""
    step_pa: float
    problem: Problem = field(repr=False, compare=False)

    def level(self, time_s: Array) -> Array:
        """Pa at these times, at one temperature."""
        bend = _CURVING * self.rate.value / max(self.start, 1.0)
        fall = self.rate.value * -np.expm1(-bend * time_s) / bend if bend > 0.0 else 0.0 * time_s
        return np.asarray(self.start - fall - self.settling * -np.expm1(-time_s / self.settling_s), dtype=np.float64)


def pose(means: CellMeans, gauge: Gauge, thermal: Thermal, allowance: Allowance) -> Problem | None:
    """None when there are too few cells."""
    if means.time_s.size < FEWEST_CELLS or means.time_s[-1] <= means.time_s[0]:
        return None
    means = _paired(means) if means.time_s.size > _MOST_CELLS else means
    measured = thermal.drift_k == 0.0 and int((~np.isnan(means.temperature)).sum()) >= FEWEST_CELLS
    warmth = followed(means.time_s, means.temperature, allowance.step_k) if measured else None
    return Problem(means, gauge, thermal, allowance, warmth)


def fit_decay(means: CellMeans, gauge: Gauge, thermal: Thermal, allowance: Allowance) -> DecayFit | None:
    """None when there are too few cells."""
    problem = pose(means, gauge, thermal, allowance)
    return solve(problem) if problem is not None else None


def _paired(means: CellMeans) -> CellMeans:
    """Neighbours made one: nothing of a test is faster than that, and it costs half."""
    at = np.arange(0, means.time_s.size, 2)
    count = np.add.reduceat(means.readings, at)
    known = np.where(np.isnan(means.temperature), 0.0, means.readings)
    warm = np.add.reduceat(np.nan_to_num(means.temperature) * known, at) / np.maximum(np.add.reduceat(known, at), 1.0)
    return CellMeans(
        np.add.reduceat(means.time_s * means.readings, at) / count,
        np.add.reduceat(means.pressure * means.readings, at) / count,
        np.where(np.add.reduceat(known, at) > 0.0, warm, np.nan),
        count,
        2.0 * means.length_s,
    )


class Wandering(NamedTuple):
    """Of the gas, K^2/s, and of the gauge, Pa."""

    walk: float
    gauge_pa: float = 0.0


class Grid(NamedTuple):
    """What is searched: rows of `gas_warmth.LAGS_S`, and settling times in s."""

    lags: tuple[int, ...]
    fast_s: Array
    slow_s: Array
    settling: float = 1.0
    """How strong a settling is supposed, as a part of the usual after a quick filling."""


def _grid(problem: Problem, every: int = 1) -> Grid:
    lags = tuple(range(LAGS_S.size)) if problem.warmth is not None else (0,)
    fast = _FAST_S[0.3 * problem.means.length_s <= _FAST_S]
    return Grid(lags, (fast if fast.size else _FAST_S[-1:])[::every], _SLOW_S[::every])


class Look:
    """One problem's cells, whitened and freed of what is linear, for every lag and settling of a grid.

    Rows are the pressures, then the thermometer's readings, then what is known beforehand; all in standard deviations.
    """

    def __init__(self, problem: Problem, grid: Grid, noise: Array, loose: Wandering, rate: float) -> None:
        means, self.grid = problem.means, grid
        self._time_s, self._count = means.time_s, means.time_s.size
        self._root = _root(problem, noise, loose)
        times = np.concatenate([grid.fast_s, grid.slow_s])
        settling = self._whiten(-np.expm1(-means.time_s[None, :] / times[:, None]))
        line = _line(means, rate)
        if problem.warmth is None:
            linear, lines, falls = (
                self._whiten(np.ones((1, 1, self._count))),
                self._whiten(line),
                self._whiten(-means.pressure),
            )
            lines, falls = lines[None, :], falls[None, :]
        else:
            linear, lines, falls = self._warmed(problem, problem.warmth, line)
            settling = np.pad(settling, ((0, 0), (0, linear.shape[-1] - self._count)))
        basis, small = np.linalg.qr(np.swapaxes(linear, -1, -2))
        self._volume = 2.0 * np.log(np.abs(np.diagonal(small, axis1=-2, axis2=-1)) + 1e-300).sum(axis=-1)
        self._solved(problem, basis, lines, falls, settling)

    def _solved(self, problem: Problem, basis: Array, lines: Array, falls: Array, settling: Array) -> None:
        """What is left free of the linear part, and then of a fast settling; the rest by closed form."""
        back = np.swapaxes(basis, -1, -2)
        t = lines - (basis @ (back @ lines[..., None]))[..., 0]
        y = falls - (basis @ (back @ falls[..., None]))[..., 0]
        g = settling[None] - np.swapaxes(basis @ (back @ settling.T[None]), -1, -2)
        kinds = self.grid.fast_s.size
        fast, slow = g[:, :kinds], g[:, kinds:]
        self._size: Array = np.sqrt(
            np.einsum("jfn,jfn->jf", fast, fast) + (_MOST_FAST * self.grid.settling * problem.top) ** -2
        )
        unit = fast / self._size[..., None]
        ut, uy = (unit @ t[..., None])[..., 0], (unit @ y[..., None])[..., 0]
        us = unit @ np.swapaxes(slow, -1, -2)
        self.shape = us.shape
        self._parts = t, y, slow, unit

        def each(values: Array) -> Array:
            return np.asarray(np.broadcast_to(values, self.shape).ravel())

        def squares(a: Array, b: Array) -> Array:
            return np.asarray(np.einsum("jn,jn->j", a, b)[:, None])

        self.normal = rise_solver.Normal(
            each((squares(y, y) - uy * uy)[..., None]),  # type: ignore[arg-type]  # by shape too
            each((squares(t, t) - ut * ut)[..., None]),  # type: ignore[arg-type]  # by shape too
            each((squares(t, y) - ut * uy)[..., None]),  # type: ignore[arg-type]  # by shape too
            each((np.einsum("jsn,jsn->js", slow, slow) + _unlikely(problem, self.grid))[:, None, :] - us * us),
            each((slow @ t[..., None])[..., 0][:, None, :] - us * ut[..., None]),
            each((slow @ y[..., None])[..., 0][:, None, :] - us * uy[..., None]),
        )
        self.most = np.full(self.normal.gg.size, _MOST_SETTLING * problem.top)
        self.found = rise_solver.minimum(self.normal, self.most)
        self.best = int(np.argmin(self.found.chi2))
        self.rate = float(self.found.rate[self.best])
        self.settling = float(self.found.vapour[self.best])

    @property
    def least(self) -> float:
        """Chi2 of the best."""
        return float(self.found.chi2[self.best])

    @property
    def unlikeliness(self) -> float:
        """-2 ln of the restricted likelihood of the best, up to what all looks share."""
        lag, _, _ = self.place()
        root = 2.0 * float(np.log(np.diagonal(self._root)).sum())
        return float(self.found.chi2[self.best]) + root + float(self._volume[lag])

    def _whiten(self, series: Array) -> Array:
        flat = solve_triangular(self._root, series.reshape(-1, self._count).T, lower=True, check_finite=False)
        return np.asarray(flat.T.reshape(series.shape))

    def _warmed(self, problem: Problem, warmth: Followed, line: Array) -> tuple[Array, Array, Array]:
        """What is linear (m, unknowns, rows), the leak's line and the negative of what was read (m, rows)."""
        pressure, n, lags = problem.means.pressure, self._count, list(self.grid.lags)
        to_pa = pressure / problem.thermal.level_k
        pieces, bends = warmth.gas.shape[-1], warmth.bends.shape[0]
        linear = np.zeros((len(lags), pieces + 3, 2 * n + bends + 2))
        now, seen, before = slice(0, n), slice(n, 2 * n), slice(2 * n, 2 * n + bends)
        known = 1.0 / warmth.noise_k
        linear[:, :pieces, now] = self._whiten(np.swapaxes(warmth.gas[lags], -1, -2) * to_pa)
        linear[:, :pieces, seen] = np.swapaxes(warmth.shown[lags], -1, -2) * known
        linear[:, :pieces, before] = warmth.bends.T / warmth.bend_k
        linear[:, pieces, now] = self._whiten(np.ones(n))
        linear[:, pieces + 1, now] = self._whiten(warmth.guess[lags] * to_pa)
        linear[:, pieces + 1, -2] = 1.0 / problem.allowance.share
        linear[:, pieces + 2, now] = self._whiten(warmth.gas_fading[lags] * to_pa)
        linear[:, pieces + 2, seen] = -warmth.shown_fading[lags] * known
        linear[:, pieces + 2, -1] = 1.0 / math.hypot(_AT_START_K, warmth.rate_k_s * _STOOD_S)
        lines, falls = np.zeros((len(lags), linear.shape[-1])), np.zeros((len(lags), linear.shape[-1]))
        lines[:, now] = self._whiten(line)
        falls[:, now], falls[:, seen] = self._whiten(-pressure), -warmth.reading * known
        return linear, lines, falls

    def place(self) -> tuple[int, int, int]:
        """Lag, fast and slow settling of the best."""
        lag, fast, slow = np.unravel_index(self.best, self.shape)
        return int(lag), int(fast), int(slow)

    def _left(self) -> tuple[Array, float]:
        """Left over at the best, and the fast settling in Pa."""
        lag, fast, slow = self.place()
        t, y, g, unit = self._parts
        left = y[lag] - self.rate * t[lag] - self.settling * g[lag, slow]
        along = float(unit[lag, fast] @ left)
        return left - along * unit[lag, fast], along / max(float(self._size[lag, fast]), 1e-12)

    def residuals(self) -> Array:
        """Left over at the best (n,)."""
        return np.asarray(self._left()[0][: self._count])

    def unsettled(self) -> Array:
        """Pa of settling that is still to come, by the best explanation (n,)."""
        _, fast, slow = self.place()
        of_gas = abs(self._left()[1]) * np.exp(-self._time_s / self.grid.fast_s[fast])
        return np.asarray(of_gas + abs(self.settling) * np.exp(-self._time_s / self.grid.slow_s[slow]))


def _unlikely(problem: Problem, grid: Grid) -> Array:
    """What weighs a slow settling, 1/Pa^2: the slower, the less of it there usually is."""
    usual_k = grid.settling * (_SETTLES_K * np.exp(-grid.slow_s / _SETTLES_S) + _AT_START_K)
    return np.asarray((problem.top * usual_k / problem.thermal.level_k) ** -2.0)


def _root(problem: Problem, noise: Array, loose: Wandering) -> Array:
    """Root of the covariance of the cells (Pa^2): their noise, a gauge that wanders and comes back, and gas that wanders unseen."""
    time_s = problem.means.time_s
    to_pa = problem.means.pressure / problem.thermal.level_k
    wandered = loose.walk * np.minimum.outer(time_s, time_s) * np.multiply.outer(to_pa, to_pa)
    if loose.gauge_pa > 0.0:
        wandered += loose.gauge_pa**2 * np.exp(-np.abs(np.subtract.outer(time_s, time_s)) / _GAUGE_S)
    return np.asarray(np.linalg.cholesky(np.diag(noise * noise) + wandered))


def _line(means: CellMeans, rate: float) -> Array:
    """Fall (Pa) by a leak of 1 Pa/s at the start: it goes down with the pressure, and what is left in shows as warm as it is."""
    first = float(means.pressure[0])
    flow = (np.maximum(means.pressure, 0.0) / first) ** _CURVING
    steps = np.diff(means.time_s, prepend=0.0)
    gone = np.cumsum(steps * np.concatenate([[1.0], 0.5 * (flow[1:] + flow[:-1])]))
    return np.asarray(gone * np.maximum(means.pressure + rate * gone, 0.0) / first)


def solve(problem: Problem) -> DecayFit:
    """Scatter from neighbours, wandering from the likelihood, then the profile."""
    means = problem.means
    noise = _noise(problem)
    coarse = _grid(problem, 3)
    plain, hot = (
        Look(problem, each, noise, Wandering(float(_WALKS[1])), 0.0)
        for each in (coarse._replace(settling=_RESTED), coarse)
    )
    rested = plain.least <= hot.least + _PLAINER
    coarse, fine = (each._replace(settling=_RESTED if rested else 1.0) for each in (coarse, _grid(problem)))
    plain = plain if rested else hot
    noise = np.hypot(noise, _INEXACT * plain.unsettled())
    loose, rate, unlike = _wandering(problem, coarse, noise, plain, 0.0)
    if loose.walk > float(_WALKS[1]):
        # what looks like gas that wanders off may be a gauge that wanders and comes back
        usual = float(np.median(noise))
        for gauge_pa in (usual * times for times in (1.0, 2.5, 6.0)):
            other = _wandering(problem, coarse, noise, plain, gauge_pa)
            if other[2] < unlike - _LIKELY:
                loose, rate, unlike = other
    look = Look(problem, fine, noise, loose, rate)
    left = look.residuals()
    excess = max(float(left @ left) / max(means.time_s.size - _PARAMETERS, 1), 1.0)
    return _concluded(problem, look, noise, loose.walk, excess)


def _wandering(
    problem: Problem, grid: Grid, noise: Array, plain: Look, gauge_pa: float
) -> tuple[Wandering, float, float]:
    """The most wandering of the gas that the readings may have seen, the leak beside it, and how unlikely the likeliest is."""
    looks: dict[int, Look] = {}

    def told(row: int) -> float:
        if row not in looks:
            looks[row] = Look(problem, grid, noise, Wandering(float(_WALKS[row]), gauge_pa), plain.rate)
        return looks[row].unlikeliness + _CALM * row

    best = 1
    while best + 1 < _WALKS.size and told(best + 1) < told(best):
        best += 1
    while best > 0 and told(best - 1) <= told(best):
        best -= 1
    least = told(best)
    while best + 1 < _WALKS.size and told(best + 1) <= least + _LIKELY:
        best += 1
    return Wandering(float(_WALKS[best]), gauge_pa), looks[best].rate, least


def _noise(problem: Problem) -> Array:
    """Standard deviation of the cells, Pa, by what neighbours differ."""
    means, gauge = problem.means, problem.gauge
    shape = gauge.shape(means.pressure, means.readings)
    steps = np.diff(means.pressure, 2) / shape[2:]
    sigma = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(6.0)
    usual = float(np.median(shape))
    return np.asarray(shape * max(sigma, 0.1 * gauge.resolution / usual, 1e-9 * problem.top / usual))


def _concluded(problem: Problem, look: Look, noise: Array, walk: float, excess: float) -> DecayFit:
    means, best, rate = problem.means, look.best, look.rate
    span = float(means.time_s[-1])
    factor = _BESIDES * float(stdtrit(max(means.time_s.size - _PARAMETERS, 3), 0.975))
    ceiling = np.full_like(look.most, float(look.found.chi2[best]) + factor * factor * excess)
    spans = rise_solver.rate_span(look.normal, look.most, ceiling)
    low, high = min(float(spans.low.min()), rate), max(float(spans.high.max()), rate)
    rise = _unexplained_rise(problem, noise)
    to_pa = problem.top / problem.thermal.level_k
    unsure = (
        math.hypot(to_pa * _unsure_k(problem), _UNSETTLED * look.settling, rise, 2.0 * to_pa * math.sqrt(walk * span))
        / span
    )
    ends = _step(problem, noise) / math.sqrt(6.0) / span
    gain = math.hypot(problem.gauge.gain_uncertainty, 0.75 * rate * span / problem.top)
    steady = _K95 * math.hypot(unsure, ends)
    extra = math.hypot(steady, _K95 * gain * rate)
    lag, _, slow = look.place()
    settling, settling_s = look.settling, float(look.grid.slow_s[slow])
    warmer = problem.warmth.guess[look.grid.lags[lag]] / problem.thermal.level_k if problem.warmth is not None else 0.0
    fallen = rate * _line(means, rate) + settling * -np.expm1(-means.time_s / settling_s)
    return DecayFit(
        start=float(np.average(means.pressure / (1.0 + warmer) + fallen, weights=noise**-2.0)),
        rate=Estimate(rate, max(rate - math.hypot(rate - low, extra), 0.0), rate + math.hypot(high - rate, extra)),
        settling=settling,
        settling_s=settling_s,
        lag_s=float(LAGS_S[look.grid.lags[lag]]) if problem.warmth is not None else 0.0,
        span_s=span,
        noise_pa=float(np.median(noise)),
        walk=walk,
        swing_k=problem.warmth.swing_k if problem.warmth is not None else 0.0,
        loose=(rate - low, high - rate),
        steady_pa=steady * span,
        rise_pa=rise,
        of_rate=_K95 * gain,
        step_pa=_K95 * ends * span,
        problem=problem,
    )


def _step(problem: Problem, noise: Array) -> float:
    """Pa of the display's step that noise does not average away: of rounded normal noise the mean errs by exp(-2 (pi sigma / step)^2)."""
    step = problem.gauge.resolution
    if step <= 0.0:
        return 0.0
    of_reading = float(np.median(noise)) ** 2 * float(np.median(problem.means.readings)) - step * step / 12.0
    return step * math.exp(-2.0 * math.pi**2 * max(of_reading, 0.0) / step**2)


def _unexplained_rise(problem: Problem, noise: Array) -> float:
    """Pa by which the pressure rose within the test though no lag and no share of the thermometer's course would have it so: something
    warms the gas unseen. Nothing in a closed loop rises by itself.
    """
    pressure = problem.means.pressure[None]
    if problem.warmth is not None:
        shares = np.array([0.2, 0.4, 0.6, 0.8, 1.0, 1.2])[:, None, None]
        pressure = (pressure / (1.0 + shares * problem.warmth.guess / problem.thermal.level_k)).reshape(-1, noise.size)
    rises = (pressure - np.minimum.accumulate(pressure, axis=1)).max(axis=1)
    return max(float(rises.min()) - 5.0 * float(np.median(noise)) - problem.gauge.resolution, 0.0)


def _unsure_k(problem: Problem) -> float:
    """Standard uncertainty (K) of the change of the gas's temperature over the test that no lag or share describes."""
    warmth, allowance = problem.warmth, problem.allowance
    if warmth is None:
        return problem.thermal.drift_k / math.sqrt(3.0)
    apart = min(allowance.apart + (warmth.swing_k / allowance.far_k) ** 4, _MOST_APART)
    return math.hypot(allowance.tracking_k, apart * warmth.swing_k) / math.sqrt(3.0)
