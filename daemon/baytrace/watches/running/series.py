"""One channel's readings kept by a watch: seconds from the start of the trace against SI values."""

from __future__ import annotations

import math
from array import array

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FULL = 4096  # so many of the newest readings, and never less than half of them, are kept one by one
_OLD = 4096  # and so many means of what is older


class Series:
    """Appends in constant time on the whole, in memory that does not grow. `unusable` counts readings that carried no number,
    `late` those older than the newest.

    The newest readings are kept as they came; older ones as means (of instants and values alike) of two, then four, then more
    together as the record grows. What is kept depends on the readings alone, so a replay keeps the same.

    Of several readings with one stamp the last counts: they waited somewhere and were read together, so only the newest
    belongs to that instant, and the change before it took the time since the stamp before.
    """

    def __init__(self, channel: str) -> None:
        self.channel = channel
        self.unusable = 0
        self.late = 0
        # a quarter of the memory of lists, and handed to numpy without a look at each number
        self._times = array("d")
        self._values = array("d")
        self._newest = -math.inf
        self._old = 0
        self._room = FULL + 1
        self._together = 1
        self._arrays: tuple[Floats, Floats] | None = None

    def __len__(self) -> int:
        return len(self._times)

    def append(self, time_s: float, value: float) -> None:
        self._arrays = None
        if time_s <= self._newest:
            self.late += 1
            if time_s == self._newest:
                self._values[-1] = value
            return
        self._newest = time_s
        self._times.append(time_s)
        self._values.append(value)
        self._room -= 1
        if not self._room:
            self._age()

    def extend(self, times: Floats, values: Floats) -> None:
        """As `append` for each; ends in the same state to the bit."""
        if len(times) and (times[0] <= self._newest or (times[1:] <= times[:-1]).any()):
            for time_s, value in zip(times.tolist(), values.tolist(), strict=True):
                self.append(time_s, value)
            return
        start = 0
        while start < len(times):
            part = slice(start, start + self._room)
            self._times.frombytes(times[part].tobytes())
            self._values.frombytes(values[part].tobytes())
            self._room -= len(times[part])
            start = part.stop
            if not self._room:
                self._age()
        if len(times):
            self._newest, self._arrays = float(times[-1]), None

    def _age(self) -> None:
        """Half of the readings kept one by one become means."""
        first, last, together = self._old, self._old + FULL // 2, self._together
        halve = first + FULL // 2 // together > _OLD and together < FULL // 2
        for kept in (self._times, self._values):
            every = np.array(kept)
            old = np.concatenate((every[:first], every[first:last].reshape(-1, together).mean(axis=1)))
            if halve:
                old = old[: len(old) // 2 * 2].reshape(-1, 2).mean(axis=1)
            self._old = len(old)
            kept[:last] = array("d", old)
        self._together = 2 * together if halve else together
        self._room = FULL // 2

    @property
    def newest_s(self) -> float:
        return self._newest

    @property
    def last_value(self) -> float:
        return self._values[-1]

    def arrays(self) -> tuple[Floats, Floats]:
        if self._arrays is None:
            self._arrays = np.array(self._times), np.array(self._values)
        return self._arrays

    def between(self, start_s: float, end_s: float) -> tuple[Floats, Floats]:
        times, values = self.arrays()
        first, last = np.searchsorted(times, (start_s, end_s), side="left")
        last = last + 1 if last < len(times) and times[last] == end_s else last
        return times[first:last], values[first:last]
