"""What the instruments add to the spread of the signs, with what signs have in common.

The low side's error moves evaporating and superheat oppositely; the high side's moves condensing and subcooling together and
discharge oppositely; the ambient's moves all that is told above the ambient. A sign's own standard uncertainty holds all of
its parts, so no common part is larger than the smallest of those that share it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

_ABOVE_AMBIENT = ("condensing", "approach", "vent", "static")


def told(names: Sequence[str]) -> tuple[str, ...]:
    """Without a sign that the others give: the approach is condensing less subcooling."""
    twice = {"condensing", "subcooling", "approach"} <= set(names)
    return tuple(name for name in names if not (twice and name == "approach"))


def errors(u: Mapping[str, float], ambient_u: float) -> npt.NDArray[np.float64]:
    """The covariance (K^2) of the signs named by `u`, in its order; standard uncertainties in K."""
    names = list(u)
    parts = []
    low = min(u.get("evaporating", 0.0), u.get("superheat", 0.0))
    parts.append((low, {"evaporating": 1.0, "superheat": -1.0}))
    airy = [u[name] for name in _ABOVE_AMBIENT if name in u]
    ambient = min([ambient_u, *airy])
    parts.append((ambient, dict.fromkeys(_ABOVE_AMBIENT, -1.0)))
    high_side = {"condensing": 1.0, "subcooling": 1.0, "discharge": -1.0}
    left = {name: u[name] ** 2 - (ambient**2 if name == "condensing" else 0.0) for name in high_side if name in u}
    parts.append((np.sqrt(max(min(left.values(), default=0.0), 0.0)), high_side))
    total = np.diag(np.array([value**2 for value in u.values()]))
    for size, moves in parts:
        along = size * np.array([moves.get(name, 0.0) for name in names])
        shared = np.outer(along, along)
        total += shared - np.diag(np.diag(shared))
    return total
