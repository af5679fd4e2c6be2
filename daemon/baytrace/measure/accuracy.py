"""Accuracy as makers print it, read into a standard uncertainty.

Grammar (terms joined by `+`, order free):
    0.5 % of reading | 1 % of full scale (10 bar) | 2 counts (0.01) | 1.1 K | 3 micron
A bare number with a unit is a half-width in the channel's own unit. Half-widths add as printed (a maker's limit), then
divide by sqrt(3): a rectangular distribution, JCGM 100:2008, 4.3.7, where nothing better is known.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from baytrace.measure.faults import BadInput

_NUMBER = r"([0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?)"
_OF_READING = re.compile(rf"{_NUMBER}\s*%\s*(?:of\s+)?(?:reading|rdg)")
_OF_SPAN = re.compile(rf"{_NUMBER}\s*%\s*(?:of\s+)?(?:full scale|span|FS)\s*\(\s*{_NUMBER}[^)]*\)")
_COUNTS = re.compile(rf"{_NUMBER}\s*(?:counts?|digits?)\s*\(\s*{_NUMBER}[^)]*\)")
_PLAIN = re.compile(rf"{_NUMBER}\s*([^\s%]*)")


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error: `relative` of the reading plus `fixed` in the channel's own unit."""

    text: str = ""
    relative: float = 0.0
    fixed: float = 0.0

    def standard_uncertainty(self, reading: float) -> float:
        """k = 1, in the channel's own unit."""
        return (self.relative * abs(reading) + self.fixed) / math.sqrt(3.0)

    @classmethod
    def parse(cls, text: str) -> Accuracy:
        """Raises BadInput for a term it cannot read."""
        relative = fixed = 0.0
        for term in filter(None, (part.strip() for part in text.split("+"))):
            if found := _OF_READING.fullmatch(term):
                relative += float(found[1]) / 100.0
            elif found := _OF_SPAN.fullmatch(term):
                fixed += float(found[1]) / 100.0 * float(found[2])
            elif found := _COUNTS.fullmatch(term):
                fixed += float(found[1]) * float(found[2])
            elif found := _PLAIN.fullmatch(term):
                fixed += float(found[1])
            else:
                raise BadInput(
                    f"accuracy term {term!r} is not understood", right="write e.g. '0.5 % of reading + 2 counts (0.01)'"
                )
        return cls(text, relative, fixed)
