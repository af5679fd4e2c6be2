"""The standing test: a loop filled with dry nitrogen, shut off, and watched for a fall that temperature does not explain."""

from __future__ import annotations

import re
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS, format_instant
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Curve, Figure, Outcome, Status, Verdict
from baytrace.physics import leak
from baytrace.physics.outlook import Outlook, more_time
from baytrace.physics.pressure_decay import fit_decay
from baytrace.physics.pressure_rise import RiseFit
from baytrace.physics.rise_warmth import Thermal
from baytrace.physics.wild_readings import WildReadings
from baytrace.watches.evacuation.decision import Against
from baytrace.watches.evacuation.hold import Hold, Thermometer, gauge_of, thermal_of
from baytrace.watches.evacuation.mute import at_an_end
from baytrace.watches.evacuation.phases import Tick, Ticker
from baytrace.watches.evacuation.waiting import further, needed, time_left
from baytrace.watches.evacuation.wording import span
from baytrace.watches.limits_table import limit
from baytrace.watches.watch import ASK, View, WatchSettings

_UNUSABLE = int(Quality.NOT_A_NUMBER | Quality.UNDER_RANGE | Quality.OVER_RANGE)
_SETTLED_NS = 30 * NS
_PRESSURES = (Role.LOW_SIDE, Role.HIGH_SIDE, Role.SYSTEM_PRESSURE)
_BEGIN = re.compile(r"isolat|pressuri[sz]ed|hold (start|begin)|start (of )?hold|valves? (closed|shut)|test start")
_END = re.compile(
    r"hold (end|over|done)|end (of )?hold|releas|recover|valves? open|pump on|test end|charge start|engine on"
)
CAUTION = (
    "The loop is under pressure: eye protection, regulator set below the loop's test pressure, dry nitrogen only, "
    "never oxygen or shop air."
)


class PressureHoldSettings(WatchSettings):
    volume_l: float | None = Field(default=None, gt=0.0, le=1000.0, json_schema_extra=ASK)
    """Volume of the loop with hoses, in litres; without it the fall is judged for the usual loop."""
    leak_limit: float = Field(default_factory=lambda: limit("pressure_hold.leak_limit"), gt=0.0)
    """Largest leak that passes, Pa*m3/s going out at the test pressure."""
    hold_s: float = Field(default_factory=lambda: limit("pressure_hold.hold_s"), ge=30.0)
    """Length of the test, s."""
    max_gap_s: float = Field(default_factory=lambda: limit("pressure_hold.max_gap_s"), gt=0.0)
    """A test with a longer silence of the gauge cannot pass, s."""

    @property
    def rate_limit(self) -> float:
        """Pa/s of fall that the leak limit means in this loop."""
        litres = self.volume_l if self.volume_l is not None else limit("evacuation.assumed_volume_l")
        return self.leak_limit / (litres * 1e-3)


class PressureHold:
    name: ClassVar[str] = "pressure_hold"
    roles: ClassVar[frozenset[str]] = frozenset({*_PRESSURES, Role.SYSTEM_TEMPERATURE})
    Settings: ClassVar[type[PressureHoldSettings]] = PressureHoldSettings
    marks: ClassVar[tuple[str, ...]] = ("isolated", "hold end")
    summary: ClassVar[str] = "standing test with dry nitrogen: does it hold, corrected for temperature"

    def __init__(self, settings: PressureHoldSettings, view: View) -> None:
        self.settings = settings
        self._channel = _finest(view)
        self._thermometer = next((c for c in view.channels.values() if c.role is Role.SYSTEM_TEMPERATURE), None)
        self._wild = WildReadings(3.0 * gauge_of(self._channel, 0.0).fixed)
        self._ticker = Ticker()
        self._lowest = limit("pressure_hold.lowest_pressure")
        self._now_ns = 0
        self._last_ns: int | None = None
        self._temperature = Thermometer()
        self._top: float | None = None
        self._last_tick: Tick | None = None
        self._candidate: Hold | None = None
        self._hold: Hold | None = None
        self._ended = ""
        self._marked = False
        self._phases: list[tuple[str, int, str]] = []
        self._cache: tuple[int, RiseFit | None] | None = None
        self._ahead: tuple[int, Outlook | None] | None = None

    # ---- what comes in

    def reading(self, reading: Reading) -> None:
        self._now_ns = max(self._now_ns, reading.time_ns)
        if reading.quality & _UNUSABLE:
            return
        if reading.role == Role.SYSTEM_TEMPERATURE:
            self._temperature.take(reading.time_ns, reading.value)
            return
        if self._channel is None or reading.channel != self._channel.name:
            return
        if self._last_ns is not None and reading.time_ns <= self._last_ns:
            return
        self._last_ns = reading.time_ns
        good = self._wild.take(reading.time_ns, reading.value)
        for time_ns, value in ((reading.time_ns, reading.value),) if good is None else good:
            self._sample(time_ns, value)

    def mark(self, mark: Mark) -> None:
        self._now_ns = max(self._now_ns, mark.time_ns)
        plain = " ".join(mark.text.lower().split())
        for time_ns, value in self._wild.settle():
            self._sample(time_ns, value)
        if _BEGIN.search(plain):
            self._begin(Hold(mark.time_ns, marked=True, max_gap_s=self.settings.max_gap_s), "mark")
        elif _END.search(plain) and self._hold is not None and not self._ended:
            self._end(f"mark: {mark.text}", mark.time_ns)

    def advance(self, time_ns: int) -> None:
        self._now_ns = max(self._now_ns, time_ns)

    # ---- phases

    def _sample(self, time_ns: int, pressure: float) -> None:
        kelvin = self._temperature.at(time_ns)
        if self._hold is not None and not self._ended:
            if time_ns >= self._hold.start_ns:
                self._hold.add(time_ns, pressure, kelvin)
        elif self._candidate is not None:
            self._candidate.add(time_ns, pressure, kelvin)
        tick = self._ticker.take(time_ns, pressure)
        if tick is None:
            return
        if self._hold is not None and not self._ended:
            self._hold_tick(tick)
        elif not self._ended:
            self._filling_tick(tick)
        self._last_tick = tick

    def _filling_tick(self, tick: Tick) -> None:
        """The test begins where the pressure stopped climbing, seen half a minute later."""
        if tick.pressure < self._lowest:
            self._top, self._candidate = None, None
            return
        if not self._phases:
            self._phases.append(("pressurising", tick.time_ns, "pressure rises"))
        climbing = max(1.5 * self._wild.resolution, 1e-3 * tick.pressure)
        if self._top is None or self._candidate is None or tick.pressure > self._top + climbing:
            self._top = tick.pressure
            self._candidate = Hold(tick.time_ns, marked=False, max_gap_s=self.settings.max_gap_s)
        elif tick.time_ns - self._candidate.start_ns >= _SETTLED_NS:
            self._begin(self._candidate, "pressure stands")

    def _hold_tick(self, tick: Tick) -> None:
        last = self._last_tick
        if last is None or self._hold is None:
            return
        step = tick.pressure - last.pressure
        if tick.pressure < self._lowest or -step > 0.1 * last.pressure:
            self._end("pressure released", last.time_ns)
        elif step > max(0.02 * last.pressure, 5.0 * self._wild.resolution):
            self._end("pressure added", last.time_ns)
            if self._hold.seconds < self.settings.hold_s:
                self._hold, self._ended, self._top, self._candidate = None, "", None, None

    def _begin(self, hold: Hold, how: str) -> None:
        self._hold, self._ended, self._candidate, self._cache = hold, "", None, None
        self._phases.append(("hold", hold.start_ns, how))

    def _end(self, why: str, time_ns: int) -> None:
        assert self._hold is not None
        if time_ns < self._hold.last_ns:
            self._hold.cut(time_ns)
        self._ended, self._cache = why, None
        self._phases.append(("over", time_ns, why))

    # ---- what goes out

    def _fit(self) -> RiseFit | None:
        hold = self._hold
        if hold is None or not len(hold.cells):
            return None
        if self._cache is None or self._cache[0] != hold.cells.readings:
            thermal = thermal_of(hold, self._thermometer)
            if thermal.drift_k > 0.0:
                drift = limit("pressure_hold.temperature_drift")
                thermal = Thermal(thermal.level_k, thermal.level_uncertainty_k, drift)
            gauge = gauge_of(self._channel, self._wild.resolution)
            fit = fit_decay(hold.cells.means(), gauge, thermal, limit("pressure_hold.temperature_tracking"))
            self._cache = (hold.cells.readings, fit)
        return self._cache[1]

    def _stand(self, fit: RiseFit) -> str:
        bound = self.settings.rate_limit
        return Against(
            "above" if fit.rate.low > bound else "below" if fit.rate.high < bound else "across", "below"
        ).rate

    def _more(self, fit: RiseFit) -> Outlook | None:
        """Of a fit that stands across the limit, from cache when no reading came since."""
        assert self._hold is not None
        readings = self._hold.cells.readings
        if self._ahead is None or self._ahead[0] != readings:
            self._ahead = (readings, more_time(fit, lambda later: self._stand(later) != "across"))
        return self._ahead[1]

    def _evidence(self, fit: RiseFit | None) -> dict[str, Figure]:
        found: dict[str, Figure] = {}
        if fit is not None:
            rate = fit.rate
            found["decay_rate"] = Figure(rate.value, "Pa/s", rate.low, rate.high, 0.95)
            if self.settings.volume_l is not None:
                cubic = self.settings.volume_l * 1e-3
                found["leak_rate"] = Figure(rate.value * cubic, "Pa*m3/s", rate.low * cubic, rate.high * cubic, 0.95)
                scale = cubic / leak.PA_M3_S_PER_MBAR_L_S
                found["leak_rate_mbar_l_s"] = Figure(
                    rate.value * scale, "mbar*L/s", rate.low * scale, rate.high * scale, 0.95
                )
        if self._hold is not None:
            found["hold_time"] = Figure(self._hold.seconds, "s")
        return found

    def verdict(self) -> Verdict:
        fit = self._fit()
        figures = self._evidence(fit)
        outcome, finding, reasons = self._decide(fit)
        if outcome is Outcome.UNDECIDED and self._hold is not None:
            time = self._needed(fit, max(self.settings.hold_s - self._hold.seconds, 0.0))
            if time is not None:
                figures["more_time_needed"] = time
        return Verdict(self.name, outcome, finding, tuple(reasons + self._remarks(fit)), figures)

    def _needed(self, fit: RiseFit | None, rest_s: float) -> Figure | None:
        """`rest_s` is what is left of the set time."""
        if fit is None or self._stand(fit) != "across":
            return Figure(rest_s, "s") if rest_s > 0.0 else None
        more = self._more(fit)
        if more is None or rest_s == 0.0:
            return needed(more) if more is not None else None
        return Figure(max(rest_s, more.middle_s), "s")

    def _decide(self, fit: RiseFit | None) -> tuple[Outcome, str, list[str]]:
        hold = self._hold
        if self._channel is None:
            return Outcome.UNDECIDED, "undecided", ["No pressure channel is there to read."]
        if hold is None or fit is None:
            return (
                Outcome.UNDECIDED,
                "too short",
                ["No standing test was seen yet: no mark 'isolated', no standing pressure."],
            )
        if hold.seconds < self.settings.hold_s - 2.0 * hold.period_s:
            said = f"The test lasted {span(hold.seconds)}; {span(self.settings.hold_s)} are set."
            return Outcome.UNDECIDED, "too short", [said]
        match self._stand(fit):
            case "above":
                return (
                    Outcome.FAIL,
                    "leak",
                    ["The pressure falls by more than temperature and settling explain: it leaks."],
                )
            case "below" if hold.gaps:
                longest = max(gap.seconds for gap in hold.gaps)
                return (
                    Outcome.UNDECIDED,
                    "undecided",
                    [f"The gauge was silent for {span(longest)}: this test cannot pass."],
                )
            case "below" if pegged := at_an_end(hold, self._channel):
                return Outcome.UNDECIDED, "undecided", [pegged]
            case "below":
                return Outcome.PASS, "tight", ["The loop holds its pressure: no leak above the limit."]
            case _:
                return Outcome.UNDECIDED, "undecided", ["What was measured does not decide between tight and leaking."]

    def _remarks(self, fit: RiseFit | None) -> list[str]:
        said = []
        if fit is not None and self._thermometer is None:
            said.append(
                f"No system temperature was measured: {limit('pressure_hold.temperature_drift'):.0f} K of unseen drift "
                "is allowed for, which moves the pressure of a standing test by a percent."
            )
        if self.settings.volume_l is None:
            said.append(
                f"The loop's volume is not given: the limit is taken as a fall of {self.settings.rate_limit:.3g} Pa/s."
            )
        if self._ended:
            said.append(f"The test ended: {self._ended}.")
        return said

    def status(self) -> Status:
        phase = self._phases[-1][0] if self._phases else "waiting"
        details: dict[str, Any] = {
            "phases": [{"phase": p, "since": format_instant(t, 3), "seen_by": how} for p, t, how in self._phases]
        }
        if phase == "waiting":
            return Status(phase, "Waiting for pressure in the loop", "decay_rate", "pressure", details=details)
        if phase == "pressurising":
            said = "Pressurising: shut off the nitrogen and mark 'isolated'"
            details["mark"] = "isolated"
            return Status(phase, said, "decay_rate", "isolation", caution=CAUTION, details=details)
        if phase == "over":
            given = self.verdict()
            said = f"Test over: {given.finding} ({given.outcome})"
            return Status(phase, said, "decay_rate", progress=1.0, curve=self._curve(), details=details)
        return self._holding(details)

    def _holding(self, details: dict[str, Any]) -> Status:
        hold, fit = self._hold, self._fit()
        assert hold is not None
        said = f"Holding pressure, {span(hold.seconds)} of {span(self.settings.hold_s)}"
        rest = max(self.settings.hold_s - hold.seconds, 0.0)
        left: float | None = rest
        if fit is None:
            said += ", too early to tell"
        else:
            stand = self._stand(fit)
            words = {"above": "it leaks", "below": "no leak above the limit", "across": "leak not yet excluded"}[stand]
            said += f", falling {fit.rate.value * 60.0:.2g} Pa/min at one temperature, {words}"
            if stand == "across":
                more = self._more(fit)
                left = time_left(more, rest)
                said += ": a longer test alone will not decide it" if more is None else f": {further(more, rest)} more"
        progress = None if left is None else hold.seconds / max(hold.seconds + left, 1.0)
        return Status("hold", said, "decay_rate", "time", left, progress, CAUTION, self._curve(), details)

    def _curve(self) -> Curve | None:
        """The fitted fall from the pressure of the first cell on, as at one temperature, with the scatter of a cell."""
        fit, hold, channel = self._fit(), self._hold, self._channel
        if fit is None or hold is None or channel is None or hold.first_pressure is None:
            return None
        time_s = np.linspace(0.0, fit.span_s, 31)
        first = float(hold.cells.means().pressure[0])
        level = first - (fit.level(time_s) - float(fit.level(np.zeros(1))[0]))
        noise = 1.96 * fit.noise_pa
        times = [hold.start_ns + round(second * NS) for second in time_s.tolist()]
        return Curve(str(channel.role), times, level.tolist(), (level - noise).tolist(), (level + noise).tolist())


def _finest(view: View) -> Channel | None:
    """The pressure channel with the smallest uncertainty at a usual test pressure of 10 bar."""
    pressures = [channel for channel in view.channels.values() if channel.role in _PRESSURES]
    return min(pressures, key=lambda c: (c.standard_uncertainty(1.1e6), _PRESSURES.index(c.role), c.name), default=None)


WATCH = PressureHold
