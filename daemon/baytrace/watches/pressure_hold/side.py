"""One gauge of a standing test: its readings, its test, and the fit of it."""

from __future__ import annotations

import copy

from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.physics.pressure_decay import Allowance, DecayFit, fit_decay
from baytrace.physics.rise_warmth import Thermal
from baytrace.physics.wild_readings import WildReadings
from baytrace.watches.evacuation.hold import Hold, gauge_of, still_step, thermal_of
from baytrace.watches.evacuation.phases import Tick, Ticker
from baytrace.watches.limits_table import limit
from baytrace.watches.pressure_hold.stillness import Stillness

_LOOKS = 1.02


class Test:
    """What one gauge showed since `start_ns`, and what the thermometer showed beside it."""

    __test__ = False  # no case of a test run, whatever its name

    def __init__(self, start_ns: int, marked: bool, max_gap_s: float) -> None:
        self.hold = Hold(start_ns, marked=marked, max_gap_s=max_gap_s)
        self.still = Stillness()

    def add(self, time_ns: int, pressure: float, kelvin: float | None) -> None:
        if time_ns >= self.hold.start_ns:
            self.hold.add(time_ns, pressure, kelvin)
            self.still.take((time_ns - self.hold.start_ns) / NS, pressure)

    def copy(self) -> Test:
        same = copy.copy(self)
        same.hold, same.still = self.hold.copy(), copy.copy(self.still)
        return same


class Side:
    """Follows one pressure channel."""

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self.wild = WildReadings(3.0 * gauge_of(channel, 0.0).fixed)
        self.last_ns: int | None = None
        self.last_pressure: float | None = None
        self.last_tick: Tick | None = None
        self.ticker = Ticker()
        self.test: Test | None = None
        self.top: float | None = None
        self._aside: tuple[Test, float] | None = None
        self._next_s = 0.0
        self._fits: dict[int, DecayFit | None] = {}

    @property
    def name(self) -> str:
        return str(self.channel.role).replace("_", " ")

    def begin(self, test: Test) -> None:
        self.test, self._aside, self._next_s = test, None, 0.0
        self._fits.clear()

    def close(self, time_ns: int) -> None:
        """End the test; what came later belongs to something else."""
        assert self.test is not None
        if time_ns < self.test.hold.last_ns:
            self.test.hold.cut(time_ns)
        self._fits.clear()

    def sample(self, time_ns: int, pressure: float, kelvin: float | None) -> Tick | None:
        self.last_pressure = pressure
        if self.test is not None:
            self.test.add(time_ns, pressure, kelvin)
            if self.test.hold.seconds >= self._next_s:
                self._next_s = self.test.hold.seconds * _LOOKS
                self._aside = self.test.copy(), self.wild.resolution
        return self.ticker.take(time_ns, pressure)

    def fit(self, thermometer: Channel | None, step_k: float, dead: bool, *, aside: bool = False) -> DecayFit | None:
        """Of all readings, or (`aside`) of those up to the last set length, which is cheap to ask again and again."""
        if self.test is None:
            return None
        test, resolution = self._aside if aside and self._aside is not None else (self.test, self.wild.resolution)
        readings = test.hold.cells.readings
        key = 2 * readings + dead
        if key not in self._fits:
            if len(self._fits) > 4:
                self._fits.pop(next(iter(self._fits)))
            self._fits[key] = self._fitted(test.hold, resolution, thermometer, step_k, dead)
        return self._fits[key]

    def _fitted(
        self, hold: Hold, resolution: float, thermometer: Channel | None, step_k: float, dead: bool
    ) -> DecayFit | None:
        if not len(hold.cells):
            return None
        thermal = thermal_of(hold, None if dead else thermometer)
        if thermal.drift_k > 0.0:
            thermal = Thermal(thermal.level_k, thermal.level_uncertainty_k, limit("pressure_hold.temperature_drift"))
        gauge = gauge_of(self.channel, resolution, hold.first_pressure)
        if resolution == 0.0 and hold.first_pressure is not None:
            gauge = gauge._replace(resolution=max(gauge.resolution, still_step(self.channel, hold.first_pressure)))
        allowance = Allowance(
            limit("pressure_hold.temperature_tracking"),
            limit("pressure_hold.thermometer_share"),
            limit("pressure_hold.apart_share"),
            limit("pressure_hold.far_swing"),
            step_k,
        )
        return fit_decay(hold.cells.means(), gauge, thermal, allowance)
