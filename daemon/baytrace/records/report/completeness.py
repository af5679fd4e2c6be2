"""How completely each channel was heard: its readings, their usual spacing, what was not usable, the longest silence.

Fed blocks in the order of the record. Memory is bounded: spacings are counted in bins an eighth of an octave wide, and the usual
one is the mean of the bin that holds their median. A step back in time, and a second reading of the same instant, are no spacing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from baytrace.measure.instant import NS, format_instant
from baytrace.measure.roles import Role, called
from baytrace.records.report.texts import Row, span, when
from baytrace.records.session import SessionRecord

_BINS_AN_OCTAVE = 8.0


@dataclass(slots=True)
class Silence:
    """From `begin_ns`, for `length_ns`."""

    begin_ns: int = 0
    length_ns: int = 0


@dataclass(slots=True)
class Heard:
    """What one channel delivered."""

    readings: int = 0
    unusable: int = 0
    first_ns: int = 0
    last_ns: int = 0
    silence: Silence = field(default_factory=Silence)
    _spacings: dict[int, tuple[int, int]] = field(default_factory=dict)
    """By bin: how many, and their sum in ns."""

    def put(self, times: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> None:
        """UTC ns and values of one block, not empty; nan where a reading was not usable."""
        if not self.readings:
            self.first_ns = self.last_ns = int(times[0])
        self.readings += len(times)
        self.unusable += int(np.isnan(values).sum())
        reached = np.maximum.accumulate(np.concatenate(([self.last_ns], times)))
        steps = np.diff(reached)
        longest = int(steps.argmax())
        self._silent(int(reached[longest]), int(steps[longest]))
        self.last_ns = int(reached[-1])
        steps = steps[steps > 0]
        bins = np.floor(_BINS_AN_OCTAVE * np.log2(steps)).astype(np.int64)
        for number in np.unique(bins).tolist():
            inside = steps[bins == number]
            count, total = self._spacings.get(number, (0, 0))
            self._spacings[number] = count + len(inside), total + int(inside.sum())

    def _silent(self, begin_ns: int, length_ns: int) -> None:
        if length_ns > self.silence.length_ns:
            self.silence = Silence(begin_ns, length_ns)

    def over(self, start_ns: int, end_ns: int) -> None:
        """The record is over: what was not heard at its two ends is a silence, too."""
        self._silent(start_ns, self.first_ns - start_ns)
        self._silent(self.last_ns, end_ns - self.last_ns)

    @property
    def usual_s(self) -> float | None:
        """The usual spacing; None for fewer than two instants."""
        half = sum(count for count, _ in self._spacings.values()) / 2.0
        for number in sorted(self._spacings):
            count, total = self._spacings[number]
            half -= count
            if half <= 0.0:
                return total / count / NS
        return None


def completeness(record: SessionRecord, heard: Mapping[str, Heard]) -> list[Row]:
    """Channel, readings, one every, not usable, longest silence and its beginning; for every channel the session had."""
    rows = []
    for said in (channel for instrument in record.instruments for channel in instrument.channels):
        name = called(Role(said["role"]), said["name"])
        found = heard.get(said["name"])
        if found is None:
            rows.append([name, "none", "", "", "the whole session", ""])
            continue
        usual = found.usual_s
        rows.append(
            [
                name,
                str(found.readings),
                span(float(f"{usual:.2g}")) if usual is not None else "",
                str(found.unusable) if found.unusable else "none",
                span(float(f"{found.silence.length_ns / NS:.2g}"))
                if found.silence.length_ns < 120 * NS
                else span(found.silence.length_ns / NS),
                when(format_instant(found.silence.begin_ns)) if found.silence.length_ns else "",
            ]
        )
    return rows
