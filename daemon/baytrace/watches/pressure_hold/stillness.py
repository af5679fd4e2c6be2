"""An instrument that stands still: told from one that has nothing to show by how it moved before.

A display that flickers by several of its last figures and then shows one figure for a minute has stopped. A dull one, which
never flickers, may rightly stand for minutes; when it stands to the end for a good part of the test, nobody can tell.
"""

from __future__ import annotations

from typing import NamedTuple

_FEWEST = 15
_LIVELY = 0.35
_JUMPS = 5


class Run(NamedTuple):
    """Readings of one figure in a row: `start_s`, `end_s` since the test began, how many, and whether it is the end."""

    start_s: float
    end_s: float
    readings: int
    last: bool

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s


class Stillness:
    """Of one instrument within one test. Constant memory and cost."""

    def __init__(self) -> None:
        self.readings = self.changes = self.jumps = 0
        self.step = 0.0
        self._value: float | None = None
        self._run = Run(0.0, 0.0, 0, True)
        self._longest = Run(0.0, 0.0, 0, False)

    def take(self, time_s: float, value: float) -> None:
        self.readings += 1
        if self._value is None or value != self._value:
            if self._value is not None:
                self._moved(abs(value - self._value))
            self._longest = max(self._longest, self._run, key=lambda run: run.seconds)._replace(last=False)
            self._run = Run(time_s, time_s, 1, True)
        else:
            self._run = self._run._replace(end_s=time_s, readings=self._run.readings + 1)
        self._value = value

    def _moved(self, step: float) -> None:
        self.changes += 1
        if self.step == 0.0 or step < 0.99 * self.step:
            self.step = step
        self.jumps += step > 1.5 * self.step

    @property
    def longest(self) -> Run:
        return max(self._longest, self._run, key=lambda run: run.seconds)

    @property
    def ending(self) -> Run:
        return self._run

    @property
    def never_moved(self) -> bool:
        return self.changes == 0

    def stopped(self, shortest_s: float) -> Run | None:
        """The stretch in which a lively instrument stood still; None where there is none, or it is a dull one."""
        run = self.longest
        others = self.readings - run.readings
        if run.seconds < shortest_s or run.readings < _FEWEST or others < _FEWEST or self.jumps < _JUMPS:
            return None
        return run if self.changes >= _LIVELY * others else None
