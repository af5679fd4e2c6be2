"""How likely signs are under each cause, and from where on they are more than a sound car shows.

Theory. The signs of a car under a cause are a mixture over the ensemble's structures, kinds of car and strengths, each a
multivariate Student's t (one odd sign must not outweigh the rest). As the models are not this car, the evidence is tempered: the
likelihoods are raised to a power below one, chosen by leaving structures out in turn. With each cause's share before the
evidence this gives shares after it; some is left unassigned. A cause that no model knows competes, as signs anywhere within
several spreads of sound cars; its share is left unassigned too.

Suspicion. A day, a set of channels and their uncertainties make a scale of their own: how little sound a car looks. Sound cars
of the ensemble, drawn with the instruments' errors, give the point on it that 5 % of them pass; faulty ones how many of a
strength pass it (detection limit with errors of both kinds, ISO 11843-1:1997; decision with uncertainty, JCGM 106:2012).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.causes import CAUSES, SIGNS, SOUND, Day
from baytrace.watches.pressures.draws import heavy_tailed
from baytrace.watches.pressures.ensemble import Components, Ensemble, State, ensemble, signs_carried
from baytrace.watches.pressures.instruments import errors, told
from baytrace.watches.running.figures import Value

Floats = npt.NDArray[np.float64]
NAMES = (SOUND, *CAUSES)
_UNKNOWN = "something else"
_COLUMNS = (*NAMES, _UNKNOWN)
_UNKNOWN_SPREADS = 6.0
_SOUND_DRAWS, _FAULT_DRAWS, _AT_ONCE = 1024, 512, 1024
_FAR_SHARE = 0.1
"""Of the false alarms allowed, the share for signs that no known cause explains."""
_STEP_U, _STEP_AMBIENT_K, _STEP_HUMIDITY = 0.1, 1.0, 0.05  # uncertainties in steps of a tenth of their logarithm


@dataclass(frozen=True, eq=False)
class Comparison:
    """What a set of signs is compared with; K components (the last is the unknown cause), `names` in the order of the signs."""

    names: tuple[str, ...]
    states: tuple[State, ...]
    parts: Components
    quadratic: Floats
    middle: Floats
    """What sound cars show."""
    usual: Floats
    """Their covariance."""

    def causes_of(self, read: Floats) -> Floats:
        """Logarithm of the tempered likelihood, a row a reading, a column for each of NAMES and the unknown; up to a constant."""
        blocks = [self._block(read[at : at + _AT_ONCE]) for at in range(0, len(read), _AT_ONCE)]
        tempered: Floats = limit("pressures.temper") * np.concatenate(blocks)
        return tempered

    def _block(self, read: Floats) -> Floats:
        density = self.densities(read)
        top = density.max(axis=1, keepdims=True)
        summed = np.exp(density - top) @ self._membership
        summary: Floats = np.log(np.maximum(summed, 1e-300)) + top
        return summary

    def densities(self, read: Floats) -> Floats:
        """Logarithm of each component's density times its share of its cause."""
        freedom, size = float(limit("pressures.freedom")), len(self.names)
        squared = np.maximum(_terms(read - self.middle) @ self.quadratic, 0.0) / (freedom - 2.0)
        density: Floats = self._constant - 0.5 * (freedom + size) * np.log1p(squared)
        return density

    @cached_property
    def _constant(self) -> Floats:
        constant: Floats = np.log(self.parts.share) - 0.5 * np.linalg.slogdet(self.parts.covariance)[1]
        return constant

    @cached_property
    def cause(self) -> npt.NDArray[np.int64]:
        """The place in NAMES of each component's cause, behind them the unknown one."""
        names = [*(state.cause for state in self.states), _UNKNOWN]
        return np.array([_COLUMNS.index(names[state]) for state in self.parts.state])

    @cached_property
    def _membership(self) -> Floats:
        member = self.cause[:, None] == np.arange(len(_COLUMNS))
        states = np.array([max(sum(name == state.cause for state in self.states), 1) for name in _COLUMNS])
        membership: Floats = member / states
        return membership

    def shares(self, read: Floats) -> Floats:
        """Likelihoods of NAMES, a row a reading; together at most 1 less what is left unassigned."""
        score = self.causes_of(read) + np.log(before())
        weight = np.exp(score - score.max(axis=1, keepdims=True))
        shares: Floats = (1.0 - limit("pressures.unassigned")) * weight / weight.sum(axis=1, keepdims=True)
        return shares[:, : len(NAMES)]

    def unsound(self, read: Floats) -> Floats:
        """How little sound a reading looks: logarithm of the odds against it."""
        score = self.causes_of(read) + np.log(before())
        top = score[:, 1:].max(axis=1)
        against: Floats = np.log(np.exp(score[:, 1:] - top[:, None]).sum(axis=1)) + top - score[:, 0]
        return against

    def suspect(self, read: Floats) -> npt.NDArray[np.bool_]:
        """Whether a reading is beyond what 95 % of the ensemble's sound cars show: its odds are against a sound one, or it lies further
        from all of them than next to any sound car does, whether or not a cause is known that explains it.
        """
        beyond: npt.NDArray[np.bool_] = (self.unsound(read) > self.threshold) | (self.far(read) > self.farthest)
        return beyond

    def far(self, read: Floats) -> Floats:
        """How far from sound cars: the logarithm of their density, downwards."""
        return -self.causes_of(read)[:, 0]

    def drawn(self, cause: str, strength: float, count: int) -> Floats:
        """Readings of cars of the ensemble with a fault, with the instruments' errors."""
        states = [at for at, state in enumerate(self.states) if (state.cause, state.strength) == (cause, strength)]
        rows = np.flatnonzero(np.isin(self.parts.state, states))
        ends = np.cumsum(self.parts.share[rows])
        t, chosen = heavy_tailed(count, len(self.names), int(limit("pressures.freedom")))
        which = rows[np.minimum(np.searchsorted(ends, chosen * ends[-1]), len(rows) - 1)]
        drawn: Floats = self.parts.mean[which] + np.einsum("nij,nj->ni", self._roots[which], t)
        return drawn

    @cached_property
    def _roots(self) -> Floats:
        return np.asarray(np.linalg.cholesky(self.parts.covariance), dtype=np.float64)

    @cached_property
    def _sound(self) -> Floats:
        return self.drawn(SOUND, 0.0, _SOUND_DRAWS)

    @cached_property
    def threshold(self) -> float:
        """Odds that, with those further than `farthest`, 5 % of the ensemble's sound cars pass (`false_alarms`)."""
        far = self.far(self._sound) > self.farthest
        left = (limit("pressures.false_alarms") - float(np.mean(far))) / (1.0 - float(np.mean(far)))
        return float(np.quantile(self.unsound(self._sound[~far]), 1.0 - left))

    @cached_property
    def farthest(self) -> float:
        """A distance that they pass in a tenth of 5 %."""
        return float(np.quantile(self.far(self._sound), 1.0 - _FAR_SHARE * limit("pressures.false_alarms")))

    def shown(self, cause: str, strength: float) -> float:
        """The share of cars with a fault that are suspected."""
        return float(np.mean(self.suspect(self.drawn(cause, strength, _FAULT_DRAWS))))


def before() -> Floats:
    """The causes' shares before the evidence, as NAMES, the unknown one behind them."""
    shares = limit("pressures.shares_before")
    found = np.array([shares.get(name, shares["others"]) for name in _COLUMNS])
    shared: Floats = found / found.sum()
    return shared


def _terms(moved: Floats) -> Floats:
    """The terms of a quadratic form: squares and products, single ones, and one."""
    rows, columns = np.triu_indices(moved.shape[1])
    return np.concatenate([moved[:, rows] * moved[:, columns], moved, np.ones((len(moved), 1))], axis=1)


def _quadratic(mean: Floats, precision: Floats) -> Floats:
    """A column for each component: what `_terms` are multiplied with for the squared distance."""
    rows, columns = np.triu_indices(mean.shape[1])
    doubled = np.where(rows == columns, 1.0, 2.0)
    along = np.einsum("kij,kj->ki", precision, mean)
    level = np.einsum("ki,ki->k", along, mean)
    return np.concatenate([(precision[:, rows, columns] * doubled).T, -2.0 * along.T, level[None]])


def compared(cars: Ensemble, u: Mapping[str, float], day: Day, refrigerant: str) -> Comparison:
    """What signs with these standard uncertainties (K) are compared with on a day."""
    at = [SIGNS.index(name) for name in u]
    whole = cars.on(day, refrigerant)
    spread = whole.covariance[:, at][:, :, at] + errors(u, day.ambient_u)
    sound = whole.state == 0
    middle, usual = spread_of(whole.share[sound], whole.mean[sound][:, at], spread[sound])
    parts = Components(
        np.append(whole.state, len(cars.states)),
        np.append(whole.share, 1.0),
        np.concatenate([whole.mean[:, at], middle[None]]),
        np.concatenate([spread, _UNKNOWN_SPREADS**2 * usual[None]]),
    )
    precision = np.asarray(np.linalg.inv(parts.covariance), dtype=np.float64)
    quadratic = _quadratic(parts.mean - middle, precision)
    return Comparison(tuple(u), cars.states, parts, quadratic, middle, usual)


def spread_of(share: Floats, mean: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of a mixture."""
    share = share / share.sum()
    middle: Floats = share @ mean
    off = mean - middle
    return middle, np.einsum("k,kij->ij", share, covariance + off[:, :, None] * off[:, None, :])


def comparable(signs: Mapping[str, Value], refrigerant: str) -> tuple[str, ...]:
    """The signs that can be compared, in the order of SIGNS."""
    carried = signs_carried(refrigerant)
    return told([name for name in SIGNS if name in carried and (sign := signs.get(name)) is not None and _finite(sign)])


def _finite(sign: Value) -> bool:
    return math.isfinite(sign.value) and math.isfinite(sign.u)


def comparison(signs: Mapping[str, Value], day: Day, refrigerant: str) -> Comparison:
    """As `compared` with the shipped ensemble; days and uncertainties that are all but the same share one."""
    names = comparable(signs, refrigerant)
    steps = tuple(_step(signs[name].u) for name in names)
    return _kept(names, steps, _like(day), refrigerant)


def _step(u: float) -> int:
    return round(math.log(max(u, 1e-2)) / _STEP_U)


def _like(day: Day) -> Day:
    humidity = None if day.humidity is None else round(day.humidity / _STEP_HUMIDITY) * _STEP_HUMIDITY
    ambient = round(day.ambient_c / _STEP_AMBIENT_K) * _STEP_AMBIENT_K
    ambient_u = math.exp(_step(day.ambient_u) * _STEP_U)
    return Day(ambient, humidity, day.valve, ambient_u, day.speed, day.compressor)


@lru_cache(maxsize=64)
def _kept(names: tuple[str, ...], steps: tuple[int, ...], day: Day, refrigerant: str) -> Comparison:
    u = {name: math.exp(step * _STEP_U) for name, step in zip(names, steps, strict=True)}
    return compared(ensemble(), u, day, refrigerant)
