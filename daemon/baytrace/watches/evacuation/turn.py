"""Isolation seen in the curve, when nobody marks it.

With the pump on the pressure falls to the lowest it can and stays there with some scatter. The turn is where it was last at
its lowest, as far as the scatter lets one see; it is certain once the pressure has climbed clear. The readings since are
kept in a hold that is ready when the turn is certain. A loop so tight that it does not rise at all shows no turn: then only
a mark can tell that the pump was shut off.
"""

from __future__ import annotations

from baytrace.measure.instant import NS
from baytrace.watches.evacuation.hold import Hold
from baytrace.watches.evacuation.phases import Tick

_SURE_NS = 20 * NS
_PUMPED_PA = 20_000.0
_SLOW, _MOST_SCATTER = 0.1, 0.05


class Scatter:
    """Mean distance (Pa) of ticks from their slow mean."""

    def __init__(self) -> None:
        self._mean: float | None = None
        self.pressure = 0.0

    def take(self, pressure: float) -> None:
        if self._mean is None:
            self._mean = pressure
        self.pressure += _SLOW * (abs(pressure - self._mean) - self.pressure)
        self._mean += _SLOW * (pressure - self._mean)

    def within(self, low: float) -> float:
        """Capped, as a pull-down is no scatter."""
        return min(self.pressure, _MOST_SCATTER * low)


class TurnFinder:
    """Follows ticks while the pump may be on. `bounce` is the relative rise that makes a turn certain."""

    def __init__(self, bounce: float, max_gap_s: float) -> None:
        self._bounce, self._max_gap_s = bounce, max_gap_s
        self._scatter = Scatter()
        self.low: float | None = None
        self._hold: Hold | None = None

    def restart(self, low: float | None = None) -> None:
        self.low, self._hold = low, None

    def add(self, time_ns: int, pressure: float, temperature: float | None) -> None:
        if self._hold is not None:
            self._hold.add(time_ns, pressure, temperature)

    def clear(self, low: float, resolution: float) -> float:
        """How far (Pa) above the lowest pressure the curve has turned for certain."""
        return max(self._bounce * low, 4.0 * resolution, 7.0 * self._scatter.within(low))

    def take(self, tick: Tick, resolution: float) -> Hold | None:
        """The hold, once its turn is certain."""
        self._scatter.take(tick.pressure)
        if self.low is None or tick.pressure < self.low:
            self.low = tick.pressure
        low = self.low
        band = max(1.5 * resolution, 3.0 * self._scatter.within(low))
        if self._hold is None or tick.pressure <= low + band:
            self._hold = Hold(tick.time_ns, marked=False, max_gap_s=self._max_gap_s)
            self._hold.first_pressure = tick.pressure
            return None
        sure = tick.pressure > low + self.clear(low, resolution) and tick.time_ns - self._hold.start_ns >= _SURE_NS
        return self._hold if sure and low < _PUMPED_PA else None


class SecondTurn:
    """A hold that nobody marked may have begun at a mere bounce. Rises of a closed loop only slow down; one that gets
    several times faster began later, and the readings since then are kept ready here.
    """

    _STEP_NS = 60 * NS
    _FASTER = 4.0

    def __init__(self) -> None:
        self._older: Tick | None = None
        self._newer: Tick | None = None
        self._edge: Hold | None = None

    def add(self, time_ns: int, pressure: float, temperature: float | None) -> None:
        if self._edge is not None:
            self._edge.add(time_ns, pressure, temperature)

    def take(self, hold: Hold, tick: Tick, clear: float) -> Hold | None:
        """The later hold, when there is one that has lasted a minute."""
        if self._newer is None or tick.time_ns - self._newer.time_ns >= self._STEP_NS:
            self._older, self._newer = self._newer, tick
        older = self._older
        if older is None or hold.first_pressure is None:
            return None
        if self._edge is None or tick.pressure <= older.pressure + 0.4 * clear:
            self._edge = Hold(tick.time_ns, marked=False, max_gap_s=hold.max_gap_s)
            self._edge.first_pressure = tick.pressure
            return None
        edge = self._edge
        before_s = (edge.start_ns - hold.start_ns) / NS
        recent_s = (tick.time_ns - edge.start_ns) / NS
        if recent_s < 60.0 or before_s < 2.0 * recent_s or edge.first_pressure is None:
            return None
        before = max(edge.first_pressure - hold.first_pressure, 0.0) / before_s
        climbed = tick.pressure - edge.first_pressure
        return edge if climbed > clear and climbed / recent_s > self._FASTER * before + clear / before_s else None
