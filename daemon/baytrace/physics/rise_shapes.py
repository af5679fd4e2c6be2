"""The ways vapour can come up in a closed, evacuated loop, as shapes that run from 0 to 1.

- GAS: `1 - exp(-t/tau)`: a finite amount evaporates (water, refrigerant out of the oil) and then follows the gas law.
- POOL: the same, times saturation at the temperature of the moment: liquid stays, so the level it climbs to moves with the
  temperature as saturation does (6 % a kelvin), not as a gas (0.3 % a kelvin). Needs a temperature.
- DRYING: straight up until the pool is gone at t = tau, then flat. Only ends that lie inside the hold are considered: a
  straight rise that has not ended cannot be told from a leak by its shape.
- DRIFTING: a POOL whose temperature nobody measured, one family for each path the temperature may have taken (kinds
  DRIFTING, DRIFTING + 1, ... in the order of the paths).

All are averaged over the cells they are compared with.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FASTEST_S, SLOWEST_S = 10.0, 10_800.0
DRIFTING_SLOWEST_S = 3600.0
"""A slower pool counts as a steady rise whatever its temperature does."""
_PER_FAMILY = 24
_PER_PATH = 10
_DRYING_STEPS = 12


class Kind(IntEnum):
    GAS = 0
    POOL = 1
    DRYING = 2
    DRIFTING = 3


class Candidates(NamedTuple):
    """`kind` (m,) and `tau_s` (m,): one vapour shape each; a kind from DRIFTING on names its path too."""

    kind: NDArray[np.int64]
    tau_s: Array


def _of(kind: Kind, tau_s: Array) -> Candidates:
    return Candidates(np.full(tau_s.shape, int(kind), dtype=np.int64), tau_s)


def join(*parts: Candidates) -> Candidates:
    return Candidates(np.concatenate([p.kind for p in parts]), np.concatenate([p.tau_s for p in parts]))


def family(kind: int) -> Kind:
    """The family of a kind, whatever its path."""
    return Kind(min(kind, Kind.DRIFTING))


def bounds(kind: Kind, span_s: float, length_s: float) -> tuple[float, float]:
    """Range of tau considered for a hold of `span_s` seen through cells of `length_s`."""
    if kind is Kind.DRYING:
        return max(30.0, 4.0 * length_s, 0.08 * span_s), 0.85 * span_s
    return max(FASTEST_S, 0.3 * length_s), DRIFTING_SLOWEST_S if kind is Kind.DRIFTING else SLOWEST_S


def grid(span_s: float, length_s: float, *, temperature_known: bool, drying: bool, finer: int = 1) -> Candidates:
    """Every family over its whole range, evenly in log tau (drying: evenly in time); as it is fit for a first look."""
    parts = [_of(Kind.GAS, np.geomspace(*bounds(Kind.GAS, span_s, length_s), finer * _PER_FAMILY))]
    if temperature_known:
        parts.append(_of(Kind.POOL, np.geomspace(*bounds(Kind.POOL, span_s, length_s), finer * _PER_FAMILY)))
    low, high = bounds(Kind.DRYING, span_s, length_s)
    if drying and high > 1.3 * low:
        parts.append(_of(Kind.DRYING, np.linspace(low, high, finer * _DRYING_STEPS)))
    return join(*parts)


def drifting(paths: int, span_s: float, length_s: float, finer: int = 1) -> Candidates:
    """Pools that drift unseen along so many paths."""
    taus = np.geomspace(*bounds(Kind.DRIFTING, span_s, length_s), finer * _PER_PATH)
    kinds = np.repeat(np.arange(paths) + int(Kind.DRIFTING), taus.size)
    return Candidates(kinds, np.tile(taus, paths))


def values(
    candidates: Candidates,
    time_s: Array,
    length_s: float,
    pool_factor: Array | None = None,
    path_factors: Array | None = None,
) -> Array:
    """(m, n): each candidate at each cell, averaged over the cell. `pool_factor` (n,) scales POOL shapes, `path_factors`
    (paths, n) the DRIFTING ones.
    """
    out = np.empty((candidates.tau_s.size, time_s.size))
    straight = candidates.kind == Kind.DRYING
    if straight.any():
        np.minimum(np.multiply.outer(1.0 / candidates.tau_s[straight], time_s), 1.0, out=(ramps := out[straight]))
        out[straight] = ramps
    curved = ~straight
    if curved.any():
        slowness = -1.0 / candidates.tau_s[curved]
        fall = np.multiply.outer(slowness, time_s)
        np.exp(fall, out=fall)
        # the mean of exp over a cell is its value at the middle times sinh(x)/x; a reading at the very start is no cell
        fall[:, 1:] *= _cell_mean(0.5 * length_s * slowness)[:, None]
        fall[:, 0] *= _cell_mean(min(0.5 * length_s, float(time_s[0])) * slowness)
        out[curved] = 1.0 - fall
    if pool_factor is not None:
        pool = candidates.kind == Kind.POOL
        out[pool] *= pool_factor
    if path_factors is not None:
        adrift = candidates.kind >= Kind.DRIFTING
        out[adrift] *= path_factors[candidates.kind[adrift] - int(Kind.DRIFTING)]
    return out


def _cell_mean(reach: Array) -> Array:
    size = np.maximum(np.abs(reach), 1e-6)
    return np.asarray(np.sinh(np.minimum(size, 50.0)) / size)
