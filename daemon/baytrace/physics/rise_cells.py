"""A whole hold in at most 128 cells: constant memory and constant cost a reading, however long the hold.

Rules of this file:
- Time from the start of the hold is cut into equal cells; a reading is added to its cell's sums. When all cells are used
  the cell length doubles and neighbours merge, so a cell is never longer than 1/64 of the hold.
- The mean of a cell keeps what a slow model can use: rises are slow against a cell, and averaging over many readings
  whitens a gauge's wandering error, which makes what is left between neighbouring cells easy to describe.
- Nothing here depends on when anybody looks: the same readings give the same cells, to the bit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
CAPACITY = 128
_FIRST_LENGTH_S = 1.0


class CellMeans(NamedTuple):
    """By cell: mean time (s from the start), mean pressure (Pa), mean temperature (K, nan where none), number of readings.

    `length_s` is the length of every cell.
    """

    time_s: Array
    pressure: Array
    temperature: Array
    readings: Array
    length_s: float


class Cells:
    """Sums of readings by cell. Times must not decrease."""

    def __init__(self, first_length_s: float = _FIRST_LENGTH_S) -> None:
        self.length_s = first_length_s
        self.readings = 0
        self.last_s = 0.0
        self._index: list[int] = []
        self._sums: list[list[float]] = []
        self._open = -1
        self._current = [0.0, 0.0, 0.0, 0.0, 0.0]

    def add(self, time_s: float, pressure: float, temperature: float | None = None) -> None:
        """One reading: s from the start of the hold, Pa, K."""
        index = int(time_s / self.length_s)
        if index > self._open:
            self._next_cell(index)
        current = self._current
        current[0] += 1.0
        current[1] += time_s
        current[2] += pressure
        if temperature is not None:
            current[3] += 1.0
            current[4] += temperature
        self.readings += 1
        self.last_s = time_s

    def _next_cell(self, index: int) -> None:
        while len(self._index) >= CAPACITY and index > self._open:
            self._coarsen()
            index //= 2
        if index <= self._open:
            return
        self._open = index
        self._current = [0.0, 0.0, 0.0, 0.0, 0.0]
        self._index.append(index)
        self._sums.append(self._current)

    def _coarsen(self) -> None:
        self.length_s *= 2.0
        index: list[int] = []
        sums: list[list[float]] = []
        for old, cell in zip(self._index, self._sums, strict=True):
            new = old // 2
            if index and index[-1] == new:
                sums[-1] = [a + b for a, b in zip(sums[-1], cell, strict=True)]
            else:
                index.append(new)
                sums.append(cell)
        self._index, self._sums = index, sums
        self._open, self._current = index[-1], sums[-1]

    def cut(self, time_s: float) -> None:
        """Forget the cells that begin at or after `time_s` (something else began there)."""
        while self._index and self._index[-1] * self.length_s >= time_s:
            self._index.pop()
            self.readings -= int(self._sums.pop()[0])
        if self._index:
            self._open, self._current = self._index[-1], self._sums[-1]
            self.last_s = min(self.last_s, time_s)
        else:
            self._open, self._current, self.last_s = -1, [0.0] * 5, 0.0

    def copy(self) -> Cells:
        """As they are now."""
        same = Cells(self.length_s)
        same.readings, same.last_s, same._open = self.readings, self.last_s, self._open
        same._index, same._sums = list(self._index), [list(cell) for cell in self._sums]
        same._current = same._sums[-1] if same._sums else list(self._current)
        return same

    def __len__(self) -> int:
        return len(self._index)

    def means(self) -> CellMeans:
        table = np.array(self._sums, dtype=float).reshape(-1, 5)
        count = table[:, 0]
        warm = np.where(table[:, 3] > 0, table[:, 4] / np.maximum(table[:, 3], 1.0), np.nan)
        return CellMeans(table[:, 1] / count, table[:, 2] / count, warm, count, self.length_s)
