"""One hold: its readings in cells, its gaps, and the fit of them."""

from __future__ import annotations

import copy
import math
from decimal import Decimal
from typing import NamedTuple

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.physics.gauge_noise import Gauge
from baytrace.physics.pressure_rise import RiseFit, fit
from baytrace.physics.rise_cells import CellMeans, Cells
from baytrace.physics.rise_warmth import Thermal, lagging_k, smooth
from baytrace.physics.wild_readings import WildReadings
from baytrace.watches.limits_table import limit

_KELVIN = 273.15
_FEWEST_CELLS = 8


class Gap(NamedTuple):
    start_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        return (self.end_ns - self.start_ns) / NS


class Hold:
    """Readings since `start_ns`. `marked` tells a hold that was said to begin from one seen in the curve."""

    def __init__(self, start_ns: int, *, marked: bool, max_gap_s: float) -> None:
        self.start_ns = self.last_ns = start_ns
        self.marked = marked
        self.gaps: list[Gap] = []
        self.cells = Cells()
        self.first_pressure: float | None = None
        self.lowest: float | None = None
        self.highest: float | None = None
        self.max_gap_s = max_gap_s
        self._max_gap_ns = int(max_gap_s * NS)

    def add(self, time_ns: int, pressure: float, temperature: float | None) -> None:
        if time_ns - self.last_ns > self._max_gap_ns:
            self.note_gap(time_ns)
        self.last_ns = time_ns
        if self.lowest is None or self.highest is None:
            self.lowest = self.highest = pressure
            if self.first_pressure is None:
                self.first_pressure = pressure
        elif pressure < self.lowest:
            self.lowest = pressure
        elif pressure > self.highest:
            self.highest = pressure
        self.cells.add((time_ns - self.start_ns) / NS, pressure, temperature)

    def note_gap(self, until_ns: int) -> None:
        """The gauge was silent since the last reading; at most the newest 20 gaps are kept by time."""
        if self.gaps and self.gaps[-1].start_ns == self.last_ns:
            self.gaps[-1] = Gap(self.last_ns, until_ns)
        else:
            self.gaps = [*self.gaps[-19:], Gap(self.last_ns, until_ns)]

    def silent(self, now_ns: int) -> bool:
        return now_ns - self.last_ns > self._max_gap_ns

    def cut(self, time_ns: int) -> None:
        """End the hold at `time_ns`: what came later belongs to something else."""
        self.cells.cut((time_ns - self.start_ns) / NS)
        self.last_ns = min(self.last_ns, time_ns)

    def copy(self) -> Hold:
        """As it is now."""
        same = copy.copy(self)
        same.gaps, same.cells = list(self.gaps), self.cells.copy()
        return same

    @property
    def never_moved(self) -> bool:
        """Every reading was the same figure."""
        return self.lowest is not None and self.lowest == self.highest

    @property
    def seconds(self) -> float:
        return (self.last_ns - self.start_ns) / NS

    @property
    def period_s(self) -> float:
        return self.seconds / max(self.cells.readings - 1, 1)


class Thermometer:
    """The loop's temperature as it is now: stray values left out, smoothed, and forgotten when it has been silent.

    Its noise would be carried into the pressure by saturation's 6 % a kelvin, so it is smoothed over some ten seconds.
    """

    _STALE_NS = 120 * NS
    _STRAY_K = 1.5
    _SMOOTH_NS = 10 * NS
    _PLAUSIBLE_K = (200.0, 400.0)

    def __init__(self) -> None:
        self._wild = WildReadings(self._STRAY_K, relative=0.0)
        self._kelvin: float | None = None
        self._time_ns = 0

    def take(self, time_ns: int, kelvin: float) -> None:
        if time_ns < self._time_ns or not self._PLAUSIBLE_K[0] < kelvin < self._PLAUSIBLE_K[1]:
            return
        good = self._wild.take(time_ns, kelvin)
        for at_ns, value in ((time_ns, kelvin),) if good is None else good:
            held = self.at(at_ns)
            fresh = 1.0 - math.exp((self._time_ns - at_ns) / self._SMOOTH_NS)
            self._kelvin = value if held is None else held + fresh * (value - held)
            self._time_ns = at_ns

    def at(self, time_ns: int) -> float | None:
        """K; None without a thermometer or after two silent minutes."""
        return self._kelvin if time_ns - self._time_ns <= self._STALE_NS else None


def still_step(channel: Channel | None, pressure: float) -> float:
    """Pa: the step a display that never moved must be granted, the last decimal of what it shows in its own unit.

    A gauge that stands at 0.0 kPa all along has said nothing about anything smaller than its last figure.
    """
    if channel is None:
        return 0.0
    exponent = Decimal(f"{channel.unit.from_si(pressure):.9g}").normalize().as_tuple().exponent
    return channel.unit.difference_to_si(10.0 ** min(int(exponent), 0))


def gauge_of(channel: Channel | None, resolution: float, pressure: float | None = None) -> Gauge:
    """A channel's limits of error in SI. A display that never moved is taken to have steps of its fixed error. One that states no accuracy is
    taken for the usual instrument of its role. At a `pressure` (absolute) the limit of error there counts as one of the gain.
    """
    if channel is None:
        return Gauge(0.2, 0.1, resolution or 0.2)
    accuracy = stated(channel)
    fixed = channel.unit.difference_to_si(accuracy.half_width(0.0) + math.sqrt(3.0) * accuracy.standard)
    relative = max(accuracy.half_width(1e9) / 1e9 - accuracy.half_width(0.0) / 1e9, 0.0)
    if pressure is not None and pressure > 0.0:
        relative += fixed / pressure
    return Gauge(fixed, relative, resolution or fixed)


def stated(channel: Channel) -> Accuracy:
    """A channel's accuracy; where none is stated, the usual one of its role."""
    if channel.accuracy.half_width(1.0) > 0.0 or channel.accuracy.standard > 0.0:
        return channel.accuracy
    return Accuracy.parse(str(limit(f"instruments.{channel.role}")), unit=channel.unit)


def thermal_of(hold: Hold, channel: Channel | None) -> Thermal:
    """Measured when a thermometer spoke in at least 4 of 5 cells, else assumed with its allowance."""
    if len(hold.cells):
        kelvin = hold.cells.means().temperature
        known = kelvin[~np.isnan(kelvin)]
        if channel is not None and known.size >= 0.8 * kelvin.size:
            level = float(known.mean())
            apart = math.hypot(limit("evacuation.temperature_tracking"), _lagging(hold.cells.means()))
            return Thermal(level, channel.standard_uncertainty(level), 0.0, apart)
    spread = limit("evacuation.assumed_temperature_spread") / 3.0**0.5
    return Thermal(limit("evacuation.assumed_temperature") + _KELVIN, spread, limit("evacuation.temperature_drift"))


def _lagging(means: CellMeans) -> float:
    """K by which a loop may have stood off its thermometer (half-width), changing within the hold: the most of any lag."""
    known = ~np.isnan(means.temperature)
    if int(known.sum()) < _FEWEST_CELLS:
        return 0.0
    time_s = means.time_s[known]
    return lagging_k(time_s, smooth(time_s, time_s, means.temperature[known]), float(limit("evacuation.lag")))


def fit_hold(hold: Hold, pressure: Channel | None, temperature: Channel | None, resolution: float) -> RiseFit | None:
    if not len(hold.cells):
        return None
    gauge = gauge_of(pressure, resolution)
    if resolution == 0.0 and hold.first_pressure is not None:
        gauge = gauge._replace(resolution=max(gauge.resolution, still_step(pressure, hold.first_pressure)))
    return fit(hold.cells.means(), gauge, thermal_of(hold, temperature))
