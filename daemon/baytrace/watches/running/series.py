"""One channel's readings kept by a watch: seconds from the start of the trace against SI values."""

from __future__ import annotations

from array import array

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_MOST = 120_000  # readings kept; then every second old one is dropped


class Series:
    """Appends in constant time. `unusable` counts readings that carried no number, `late` those older than the newest.

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
        self._arrays: tuple[Floats, Floats] | None = None

    def __len__(self) -> int:
        return len(self._times)

    def append(self, time_s: float, value: float) -> None:
        if self._times and time_s <= self._times[-1]:
            self.late += 1
            if time_s == self._times[-1]:
                self._values[-1] = value
                self._arrays = None
            return
        self._times.append(time_s)
        self._values.append(value)
        self._arrays = None
        if len(self._times) > _MOST:
            half = _MOST // 2
            self._times[:half] = self._times[:half:2]
            self._values[:half] = self._values[:half:2]

    @property
    def last_time(self) -> float:
        return self._times[-1]

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
