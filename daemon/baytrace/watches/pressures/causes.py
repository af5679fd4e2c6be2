"""Likely causes, ranked, with what speaks for and against each.

Every cause moves the signs (pressures as temperatures, superheat, subcooling, ...) away from a sound car's in its own
direction; how far depends on how bad it is. The likelihood of a cause is that of the readings under it, averaged over weak to
bad faults, with the spread between sound cars and the instruments' uncertainty; a sound car and an unknown cause (any reading
anywhere) compete. The table is `defaults/pressures.toml`; its sizes are orientation, so the numbers rank, they do not prove.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import Value

CLUTCH = "clutch not engaged"
SOUND, OTHER = "nothing wrong", "something else"
_STRENGTHS = (0.3, 0.5, 0.75, 1.0, 1.4, 2.0)
_UNKNOWN_SPREAD = 5.0  # an unknown cause moves a sign by this many spreads, either way
_WORDS = {
    "evaporating": "low side",
    "condensing": "high side",
    "superheat": "superheat",
    "subcooling": "subcooling",
    "approach": "liquid line above ambient",
    "vent": "vent air against what is expected",
    "discharge": "discharge line above condensing",
    "static": "standing pressure against saturation",
}


@dataclass(frozen=True, slots=True)
class Cause:
    """`likelihood` 0 to 1 over all causes."""

    cause: str
    likelihood: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]

    def sentence(self) -> str:
        text = f"{self.cause} ({100 * self.likelihood:.0f} %)"
        if self.speaks_for:
            text += f", for it: {'; '.join(self.speaks_for)}"
        if self.speaks_against:
            text += f"; against it: {'; '.join(self.speaks_against)}"
        return text

    def to_json(self) -> dict[str, Any]:
        return {
            "cause": self.cause,
            "likelihood": self.likelihood,
            "for": list(self.speaks_for),
            "against": list(self.speaks_against),
        }


def _log_normal(x: float, mean: float, spread: float) -> float:
    return -0.5 * ((x - mean) / spread) ** 2 - math.log(spread)


def _log_mean(values: list[float]) -> float:
    top = max(values)
    return top + math.log(sum(math.exp(value - top) for value in values) / len(values))


def rank(signs: Mapping[str, Value], healthy: Mapping[str, float]) -> list[Cause]:
    """Causes by likelihood. `signs` in K as the table names them; those that could not be had are left out."""
    spread = limit("pressures.spread")
    widths = {name: math.hypot(spread[name], sign.u) for name, sign in signs.items()}
    scores: dict[str, float] = {
        SOUND: sum(_log_normal(sign.value, healthy[name], widths[name]) for name, sign in signs.items()),
        OTHER: sum(_log_normal(s.value, healthy[n], _UNKNOWN_SPREAD * widths[n]) for n, s in signs.items()),
    }
    shifts: dict[str, Mapping[str, float]] = {row["cause"]: row["shift"] for row in limit("pressures.causes")}
    for cause, shift in shifts.items():
        scores[cause] = _log_mean(
            [
                sum(
                    _log_normal(sign.value, healthy[name] + strength * shift[name], widths[name])
                    for name, sign in signs.items()
                )
                for strength in _STRENGTHS
            ]
        )
    top = max(scores.values())
    total = sum(math.exp(score - top) for score in scores.values())
    found = [
        Cause(cause, math.exp(score - top) / total, *_reasons(signs, healthy, shifts.get(cause), widths))
        for cause, score in scores.items()
    ]
    return sorted(found, key=lambda cause: -cause.likelihood)


def _reasons(
    signs: Mapping[str, Value],
    healthy: Mapping[str, float],
    shift: Mapping[str, float] | None,
    widths: Mapping[str, float],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    if shift is None:
        return (), ()
    supporting, contrary = [], []
    for name, sign in signs.items():
        moved, expected, width = sign.value - healthy[name], shift[name], widths[name]
        if abs(expected) >= 0.8 * width and moved * expected > 0.0 and abs(moved) > 0.8 * width:
            supporting.append((abs(moved) / width, _said(name, moved)))
        elif abs(moved) > 1.3 * width and (moved * expected < 0.0 or abs(expected) < 0.4 * width):
            contrary.append((abs(moved) / width, _said(name, moved)))
        elif abs(expected) > 2.0 * width and abs(moved) < 0.5 * width:
            contrary.append((abs(expected) / width, f"{_WORDS[name]} is as usual"))
    strongest = [tuple(text for _, text in sorted(found, reverse=True)[:3]) for found in (supporting, contrary)]
    return strongest[0], strongest[1]


def _said(name: str, moved: float) -> str:
    return f"{_WORDS[name]} {abs(moved):.0f} K {'more' if moved > 0.0 else 'less'} than usual"


def not_pumping() -> list[Cause]:
    """Running with equal pressures: nothing pumps. The shares are orientation (common practice, no source)."""
    seen = ("high and low side stand equal with the engine running",)
    return [
        Cause(CLUTCH, 0.8, (*seen, "a clutch, its relay, fuse or low-pressure cut-out is the usual reason"), ()),
        Cause("worn or slipping compressor", 0.15, seen, ("even a worn one parts the pressures a little",)),
        Cause(OTHER, 0.05, (), ()),
    ]
