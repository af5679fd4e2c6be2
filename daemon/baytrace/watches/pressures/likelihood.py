"""Likely causes of what a running loop shows, by an ensemble of loop models (`ensemble.py`, `evidence.py`).

A likelihood is kept to what came true on loop models of a structure that was left out (`tests/benchmarks/
pressures_reliability.py`; the manual has its table). Causes that the evidence does not part are named as one group with the
group's likelihood: those whose evidence differs by less than a factor of 3.2, "not worth more than a bare mention" after R. E.
Kass and A. E. Raftery, J. Am. Stat. Assoc. 90 (1995) 773. Where more than three are alike none is named before the others, and
each stands with its own; so do those that are next to nothing together. `nothing wrong` stands alone always. What is left to 1 belongs to causes that no model knows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.causes import CLUTCH, SOUND, WORN, Day, as_usual, moved_by
from baytrace.watches.pressures.ensemble import COOLEST_C, HOTTEST_C, covers, covers_day
from baytrace.watches.pressures.evidence import NAMES, Comparison, comparable, comparison
from baytrace.watches.running.figures import Value

Floats = npt.NDArray[np.float64]
_ALIKE, _MOST_ALIKE, _LEAST_GROUP = 3.2, 3, 0.05


@dataclass(frozen=True, slots=True)
class Cause:
    """`likelihood` 0 to 1, of the cause or, where the evidence does not part it from those in `alike`, of all of them."""

    cause: str
    likelihood: float
    alike: tuple[str, ...] = ()
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()

    @property
    def names(self) -> str:
        return " or ".join((self.cause, *self.alike))

    @property
    def share(self) -> str:
        """The likelihood in words: no more is claimed than came true."""
        most = limit("pressures.most_claimed")
        if self.likelihood > most:
            return f"over {100 * most:.0f} %"
        return f"{100 * self.likelihood:.0f} %" if self.likelihood >= 0.01 else "under 1 %"

    def sentence(self) -> str:
        text = f"{self.names} ({self.share})"
        if self.speaks_for:
            text += f", for it: {'; '.join(self.speaks_for)}"
        if self.speaks_against:
            text += f"; against it: {'; '.join(self.speaks_against)}"
        return text

    def to_json(self) -> dict[str, Any]:
        return {
            "cause": self.cause,
            "likelihood": self.likelihood,
            "or": list(self.alike),
            "share": self.share,
            "for": list(self.speaks_for),
            "against": list(self.speaks_against),
        }


@dataclass(frozen=True, slots=True)
class Ranking:
    """Causes, best first, together at most 1; none where nothing can be said.

    `suspected`: the evidence is beyond what 95 % of the ensemble's sound cars show on this day with these channels.
    """

    causes: tuple[Cause, ...] = ()
    suspected: bool = False


def not_judged(refrigerant: str, day: Day | None = None) -> str:
    """Why no cause is ranked with a refrigerant, or on a day, as a sentence; "" where causes are ranked."""
    if (why := covers(refrigerant)) or day is None or covers_day(day.ambient_c):
        return why
    return (
        f"causes are not judged in air of {day.ambient_c:.0f} degC: "
        f"the loop models were run from {COOLEST_C:.0f} to {HOTTEST_C:.0f} degC"
    )


def ranked(signs: Mapping[str, Value], day: Day, refrigerant: str) -> Ranking:
    """The causes of `signs` (those that could not be had are left out). Raises BadInput for an unknown refrigerant."""
    if not_judged(refrigerant, day) or not comparable(signs, refrigerant):
        return Ranking()
    beside = comparison(signs, day, refrigerant)
    return ranking(beside, np.array([signs[name].value for name in beside.names]))


def ranking(beside: Comparison, read: Floats) -> Ranking:
    """As `ranked`, of readings in the order of the comparison's names."""
    rows = read[None]
    shares, evidence = beside.shares(rows)[0], beside.causes_of(rows)[0]
    reasons = _Reasons.of(beside, read)
    causes = []
    for group in grouped(shares, evidence):
        names = tuple(NAMES[index] for index in group)
        likelihood = float(sum(shares[index] for index in group))
        causes.append(Cause(names[0], likelihood, names[1:], *reasons.about(group[0])))
    causes.sort(key=lambda cause: -cause.likelihood)
    return Ranking(tuple(causes), bool(beside.suspect(rows)[0]))


def grouped(shares: Floats, evidence: Floats) -> list[tuple[int, ...]]:
    """Places in NAMES, what the evidence (logarithms) does not part together, the likeliest of each group first."""
    faults = [int(index) for index in np.argsort(-shares, kind="stable") if NAMES[index] != SOUND]
    groups: list[tuple[int, ...]] = [(NAMES.index(SOUND),)]
    for first in faults:
        if any(first in group for group in groups):
            continue
        alike = [index for index in faults if abs(evidence[index] - evidence[first]) <= np.log(_ALIKE)]
        together = len(alike) <= _MOST_ALIKE and shares[alike].sum() >= _LEAST_GROUP
        free = [index for index in alike if not any(index in group for group in groups)]
        groups.append(tuple(free) if together else (first,))
    return groups


@dataclass(frozen=True, slots=True)
class _Reasons:
    """What moved against sound cars, in spreads of sound cars, and what each cause would have moved."""

    names: tuple[str, ...]
    moved: Floats
    width: Floats
    wanted: Mapping[int, Floats]

    @classmethod
    def of(cls, beside: Comparison, read: Floats) -> _Reasons:
        parts, usual = beside.parts, beside.middle
        density = beside.densities(read[None])[0]
        best = {
            index: parts.mean[np.flatnonzero(beside.cause == index)[int(np.argmax(density[beside.cause == index]))]]
            for index in range(len(NAMES))
            if (beside.cause == index).any()
        }
        width = np.sqrt(np.diag(beside.usual))
        return cls(beside.names, read - usual, width, {index: mean - usual for index, mean in best.items()})

    def about(self, index: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Signs that moved as the cause moves them, and signs that did not move as it would have them."""
        supporting, contrary = [], []
        for name, shift, width, wanted in zip(self.names, self.moved, self.width, self.wanted[index], strict=True):
            gap = abs(shift - wanted) / width
            if abs(shift) > 1.2 * width and shift * wanted > 0.0 and gap < max(1.5, 0.5 * abs(shift) / width):
                supporting.append((abs(shift) / width, moved_by(name, shift)))
            elif gap > 1.5:
                contrary.append((gap, moved_by(name, shift) if abs(shift) > width else as_usual(name)))
        strongest = [tuple(text for _, text in sorted(found, reverse=True)[:3]) for found in (supporting, contrary)]
        return (() if NAMES[index] == SOUND else strongest[0]), strongest[1]


def not_pumping() -> Ranking:
    """Running with equal pressures: nothing pumps. The shares are orientation (common practice, no source)."""
    seen = ("high and low side stand equal with the engine running",)
    usual = (*seen, "a clutch, its relay, fuse or low-pressure cut-out is the usual reason")
    clutch = Cause(CLUTCH, 0.8, (), usual)
    worn = Cause(WORN, 0.15, (), seen, ("even a worn one parts the pressures a little",))
    return Ranking((clutch, worn), suspected=True)
