"""Single wild readings kept out, real steps let through.

A reading far from the last good one is put aside. If the next ones agree that the level has moved, all are taken, in order;
if they return, what was put aside was wild and is counted. So one or two stray values never reach a fit, and a step is
late by two readings and loses nothing. A coarse display flickers between two figures and looks alike, but strays do not
hit the same figure from the same figure again and again: then the distance is the step of the display.
"""

from __future__ import annotations

_NEEDED = 3
_FLICKERS = 4
_OLD, _NEW = 0.98, 0.02


class WildReadings:
    """A step is far beyond `floor`, `relative` of the value and six times the usual step together. `dropped` counts readings that were left out; `resolution` is the smallest step seen between readings, 0 if none."""

    def __init__(self, floor: float, relative: float = 0.05) -> None:
        self._floor, self._relative = floor, relative
        self._last: float | None = None
        self._usual = 0.0
        self._aside: list[tuple[int, float]] = []
        self._step = 0.0
        self._flickers = 0
        self._seen = 0.0
        self.dropped = 0
        self.resolution = 0.0

    def take(self, time_ns: int, value: float) -> list[tuple[int, float]] | None:
        """The readings that are now known to be good, oldest first; None (the usual case) means: just this one."""
        last = self._last
        if last is None:
            self._last = value
            return None
        step = value - last if value > last else last - value
        if step > self._floor + self._relative * abs(last) + 6.0 * self._usual + 1.01 * self._step:
            return self._far(time_ns, value)
        if self._aside:
            self.dropped += len(self._aside)
            self._aside.clear()
        self._last = value
        self._usual = _OLD * self._usual + _NEW * step
        if 1e-6 * value < step and (step < self.resolution or self.resolution == 0.0):
            self.resolution = step
        return None

    def _far(self, time_ns: int, value: float) -> list[tuple[int, float]]:
        above = value > (self._last or 0.0)
        if self._aside and (self._aside[-1][1] > (self._last or 0.0)) != above:
            self.dropped += len(self._aside)
            self._aside.clear()
        self._aside.append((time_ns, value))
        self._flickering(value)
        return self._accept() if len(self._aside) >= _NEEDED else []

    def _flickering(self, value: float) -> None:
        step = abs(value - (self._last or 0.0))
        self._flickers = self._flickers + 1 if abs(step - self._seen) <= 1e-6 * step else 1
        self._seen = step
        if self._flickers >= _FLICKERS:
            self._step = step
            self.resolution = step if self.resolution == 0.0 else min(self.resolution, step)

    def _accept(self) -> list[tuple[int, float]]:
        good = list(self._aside)
        self._aside.clear()
        before = self._last or good[0][1]
        self._last = good[-1][1]
        self._usual = max(self._usual, 0.2 * abs(self._last - before) / _NEEDED)
        return good

    def settle(self) -> list[tuple[int, float]]:
        """Whatever is put aside is taken as it is (a mark says something happened there)."""
        return self._accept() if self._aside else []
