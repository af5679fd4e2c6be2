"""What is true of a run, seen from its end: the final means, and the instant from which they hold for good.

A value "holds" when the mean over whole clutch cycles (the value itself where nothing cycles) stays within a band of its
final mean until the end of the record. Where cycles differ from each other for good by more than the band
(a switch works in whole steps, a valve hunts), their lasting spread is the band. The record must therefore run well past
settling: at least as long again.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from baytrace.measure.faults import BadInput
from baytrace_sim.loop.base import LoopBase
from baytrace_sim.loop.steady import CHANNELS, sample

PRESSURE_SHARE, TEMPERATURE_K = 0.01, 0.5


class Record(NamedTuple):
    """`times_s` (n,) from the first step; `values` by channel of CHANNELS, each (n,), Pa absolute or K; `clutch` (n,) 0 or 1."""

    times_s: npt.NDArray[np.float64]
    values: Mapping[str, npt.NDArray[np.float64]]
    clutch: npt.NDArray[np.float64]


class Truth(NamedTuple):
    """`means` by channel over the last whole cycles; `settled_s` by channel and `all_s` for the last of them, on the
    record's times; `cycle_s` is 0 when the clutch does not cycle at the end.
    """

    means: dict[str, float]
    settled_s: dict[str, float]
    all_s: float
    cycle_s: float


def run(loop: LoopBase, seconds: float, *, rpm: float = 1500.0, blower: float = 0.7, dt_s: float = 1.0) -> Record:
    """Run `loop` with the engine on, and keep every channel each `dt_s`."""
    rows = []
    for _ in range(round(seconds / dt_s)):
        loop.step(dt_s, engine_on=True, rpm=rpm, blower=blower)
        rows.append(sample(loop))
    table = np.array(rows, dtype=np.float64)
    times = np.arange(1, len(rows) + 1, dtype=np.float64) * dt_s
    return Record(times, {name: table[:, index] for index, name in enumerate(CHANNELS)}, table[:, -1])


def truth(record: Record, bands: Mapping[str, float] | None = None, *, final_s: float = 240.0) -> Truth:
    """Truth of a record; `bands` in the channel's unit, else 1 % of a final pressure and 0.5 K. Raises BadInput for a record
    that is too short for its last `final_s` to be an end, or whose clutch cycles less often than twice in them.
    """
    times = record.times_s
    step = float(times[1] - times[0])
    count = len(times)
    tail = round(final_s / step)
    if count < 3 * tail:
        raise BadInput(f"the record is {times[-1]:g} s long", right=f"at least {3 * final_s:g} s to know its end")
    starts = np.flatnonzero(np.diff(record.clutch) > 0.0) + 1
    ends = starts[starts >= count - tail]
    stays = bool(np.all(record.clutch[-tail:] == record.clutch[-1]))
    if len(ends) < 2 and not stays:
        raise BadInput("the clutch cycles more slowly than the end of the record shows", right="a longer final_s")
    means, settled = {}, {}
    for name, values in record.values.items():
        final = float(np.mean(values[ends[0] : ends[-1]] if len(ends) > 1 else values[-tail // 4 :]))
        band = (bands or {}).get(name, PRESSURE_SHARE * final if name.endswith("_pa") else TEMPERATURE_K)
        means[name] = final
        settled[name] = _holds_from(times, values, starts if len(ends) > 1 else starts[:0], (final, band, tail))
    cycle = step * float(ends[-1] - ends[0]) / (len(ends) - 1) if len(ends) > 1 else 0.0
    return Truth(means, settled, max(settled.values()), cycle)


def _holds_from(
    times: npt.NDArray[np.float64], values: npt.NDArray[np.float64], starts: npt.NDArray[np.intp],
    end: tuple[float, float, int],
) -> float:  # fmt: skip
    """The first instant after which nothing leaves the band; a cycle counts by its mean and from its beginning.

    `end` is the final mean, the band, and how many values make up the end of the record.
    """
    final, band, tail = end
    if len(starts) > 1:
        means = np.array([np.mean(values[a:b]) for a, b in itertools.pairwise(starts)])
        lasting = np.abs(means - final)[starts[:-1] >= len(times) - tail]
        outside = np.flatnonzero(np.abs(means - final) > max(band, 1.2 * float(np.max(lasting, initial=0.0))))
        return float(times[starts[outside[-1] + 1]]) if len(outside) else float(times[starts[0]])
    outside = np.flatnonzero(np.abs(values - final) > band)
    if not len(outside):
        return 0.0
    return float(times[min(outside[-1] + 1, len(times) - 1)])
