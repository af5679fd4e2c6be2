"""Accuracy as makers print it, read into a standard uncertainty.

Grammar (terms joined by `+`, order free, a leading `±` and outer brackets ignored):

    0.5 % of reading | 0.5 % rdg | 50 ppm of reading     of the value shown
    1 % of full scale (35 bar) | 1 % FS (-1 to 35 bar)   of the range; the bracket may be left out when `span` is known
    2 counts (0.01 ohm) | 2 dgt                          last digits; the bracket may be left out when `resolution` is known
    1.1 K | 3 micron | 2 degF | 3 %RH                    a half-width in a unit of its own (none: the channel's)
    class B | IEC 60751 class A | 1/3 class B | F0.3     Pt100 probes
    type K class 2 | IEC 60584 type T class 1            thermocouples
    EN 837 class 1.6                                     dial gauges, of the range
    1 °C or 0.75 % of reading                            whichever is greater
    0.2 K (k=2)                                          an expanded uncertainty from a certificate

Rules of this file:
- Half-widths add as printed (a maker's limit of error), then divide by sqrt(3): rectangular, JCGM 100:2008, 4.3.7, where
  nothing better is known. Certificate terms (`k=`) are standard uncertainties already and join in quadrature (4.3.3).
- Everything is kept in the channel's own unit. Text parsed without a unit is read again when a channel gives it one.
- `text` is completed with the range and resolution it was read with, so that the text and a unit are enough ever after.
- A bare `0.5 %` is of reading only next to counts (as meters print it); alone it is refused, for nobody can know of what.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from baytrace.measure.accuracy_text import Reader
from baytrace.measure.units import Unit

_ROOT3 = math.sqrt(3.0)


class Part(NamedTuple):
    """A half-width of `fixed + relative * |reading - zero|`, in the channel's own unit."""

    relative: float
    fixed: float
    zero: float = 0.0

    def at(self, reading: float) -> float:
        return self.fixed + self.relative * abs(reading - self.zero)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error: `relative` of the reading plus `fixed`, in the channel's own unit.

    `greatest` holds terms of which the greatest part counts (probe classes); `standard` is a standard uncertainty known
    as such. `pending` marks a text read before its channel's unit was known.
    """

    text: str = ""
    relative: float = 0.0
    fixed: float = 0.0
    greatest: tuple[tuple[Part, ...], ...] = ()
    standard: float = 0.0
    pending: bool = False

    def half_width(self, reading: float) -> float:
        """The maker's limit of error at a reading, both in the channel's own unit."""
        width = self.relative * abs(reading) + self.fixed
        for parts in self.greatest:
            width += max(part.at(reading) for part in parts)
        return width

    def standard_uncertainty(self, reading: float) -> float:
        """k = 1, in the channel's own unit."""
        if self.greatest or self.standard:
            return math.hypot(self.half_width(reading) / _ROOT3, self.standard)
        return (self.relative * abs(reading) + self.fixed) / _ROOT3

    def in_unit(self, unit: Unit) -> Accuracy:
        """The same accuracy once the channel's unit is known."""
        return Accuracy.parse(self.text, unit=unit) if self.pending else self

    @classmethod
    def parse(
        cls, text: str, unit: Unit | None = None, resolution: float | None = None, span: float | None = None
    ) -> Accuracy:
        """`resolution` and `span` (full scale) are in the channel's `unit`.

        Raises BadInput naming the term that cannot be read and what would be right.
        """
        read = Reader(unit, resolution, span).read(text)
        greatest = tuple(tuple(Part(*part) for part in parts) for parts in read.greatest)
        return cls(read.text, read.relative, read.fixed, greatest, read.standard, pending=unit is None)
