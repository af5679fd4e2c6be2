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
from baytrace.watches.evacuation.assess import Assessment
from baytrace.watches.evacuation.decision import Against, Cause, cause
from baytrace.watches.evacuation.foresight import Foresight
from baytrace.watches.evacuation.hold import Hold, Thermometer, gauge_of, thermal_of
from baytrace.watches.evacuation.mute import at_an_end
from baytrace.watches.evacuation.phases import Tick, Ticker
from baytrace.watches.evacuation.waiting import further, needed, time_left
from baytrace.watches.evacuation.wording import a_minute, ended, over, span
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
        self._foresight = Foresight(self._look_ahead, self._weigh)
        self._ahead: tuple[int, bool, Outlook | None] | None = None
        self._last_pressure: float | None = None

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
            if self._unpressed():
                return
            self._begin(Hold(mark.time_ns, marked=True, max_gap_s=self.settings.max_gap_s), "mark")
        elif _END.search(plain) and self._hold is not None and not self._ended:
            self._end(f"mark '{mark.text}'", mark.time_ns)

    def advance(self, time_ns: int) -> None:
        self._now_ns = max(self._now_ns, time_ns)

    def _unpressed(self) -> bool:
        """Whether the gauge shows that there is no pressure to hold: then `isolated` is about something else, or a slip."""
        low = self._last_pressure is not None and self._last_pressure < self._lowest
        return low and self._silent_s() == 0.0

    def _silent_s(self) -> float:
        """How long the gauge has said nothing; 0.0 while that is no longer than allowed."""
        silent = (self._now_ns - self._last_ns) / NS if self._last_ns is not None else 0.0
        return silent if silent > self.settings.max_gap_s else 0.0

    # ---- phases

    def _sample(self, time_ns: int, pressure: float) -> None:
        self._last_pressure = pressure
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
        self._foresight.look(self._hold, self._wild.resolution)
        step = tick.pressure - last.pressure
        if tick.pressure < self._lowest and (self._hold.highest or 0.0) < self._lowest:
            self._dropped("waiting", tick.time_ns, "no pressure in the loop")
        elif tick.pressure < self._lowest or -step > 0.1 * last.pressure:
            self._end("pressure released", last.time_ns)
        elif step > max(0.02 * last.pressure, 5.0 * self._wild.resolution):
            self._end("pressure added", last.time_ns)
            if self._hold.seconds < self.settings.hold_s:
                self._dropped("pressurising", tick.time_ns, "pressure added")

    def _dropped(self, phase: str, time_ns: int, how: str) -> None:
        """What was taken for the test is none; the next begins where the pressure stands."""
        self._hold, self._ended, self._top, self._candidate = None, "", None, None
        self._phases.append((phase, time_ns, how))

    def _begin(self, hold: Hold, how: str) -> None:
        self._hold, self._ended, self._candidate, self._cache = hold, "", None, None
        self._foresight, self._ahead = Foresight(self._look_ahead, self._weigh), None
        self._phases.append(("hold", hold.start_ns, how))

    def _end(self, why: str, time_ns: int) -> None:
        assert self._hold is not None
        time_ns = max(time_ns, self._hold.start_ns)
        if time_ns < self._hold.last_ns:
            self._hold.cut(time_ns)
        self._ended, self._cache, self._ahead = why, None, None
        self._phases.append(("over", time_ns, why))

    # ---- what goes out

    def _fit(self) -> RiseFit | None:
        hold = self._hold
        if hold is None or not len(hold.cells):
            return None
        if self._cache is None or self._cache[0] != hold.cells.readings:
            self._cache = (hold.cells.readings, self._fit_of(hold, self._wild.resolution))
        return self._cache[1]

    def _fit_of(self, hold: Hold, resolution: float) -> RiseFit | None:
        thermal = thermal_of(hold, self._thermometer)
        if thermal.drift_k > 0.0:
            drift = limit("pressure_hold.temperature_drift")
            thermal = Thermal(thermal.level_k, thermal.level_uncertainty_k, drift)
        gauge = gauge_of(self._channel, resolution)
        return fit_decay(hold.cells.means(), gauge, thermal, limit("pressure_hold.temperature_tracking"))

    def _weigh(self, hold: Hold, resolution: float) -> Assessment:
        return self._assessed(hold, self._fit_of(hold, resolution) if len(hold.cells) else None)

    def _assessed(self, hold: Hold, fit: RiseFit | None) -> Assessment:
        if fit is None:
            return Assessment(None, None, Cause.UNDECIDED, hold.seconds)
        stand = Against(self._stand(fit), "below")
        return Assessment(fit, stand, cause(stand), hold.seconds)

    def _look_ahead(self, now: Assessment) -> Outlook | None:
        if now.cause is not Cause.UNDECIDED or now.fit is None:
            return None
        return more_time(now.fit, lambda later: self._stand(later) != "across")

    def _stand(self, fit: RiseFit) -> str:
        bound = self.settings.rate_limit
        return Against(
            "above" if fit.rate.low > bound else "below" if fit.rate.high < bound else "across", "below"
        ).rate

    def _more(self, fit: RiseFit) -> Outlook | None:
        """Of a fit that stands across the limit, from cache when no reading came since."""
        hold, over_now = self._hold, bool(self._ended)
        assert hold is not None
        if self._ahead is None or self._ahead[:2] != (hold.cells.readings, over_now):
            now = self._assessed(hold, fit)
            more = self._look_ahead(now) if over_now else self._foresight.more(now)
            self._ahead = (hold.cells.readings, over_now, more)
        return self._ahead[2]

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
            short = finding == "too short" and self._ended
            time = self._needed(fit, self.settings.hold_s if short else self._rest_s(self._hold))
            if time is not None:
                figures["more_time_needed"] = time
        return Verdict(self.name, outcome, finding, tuple(reasons + self._remarks(fit)), figures)

    def _needed(self, fit: RiseFit | None, rest_s: float) -> Figure | None:
        """`rest_s` is what is left of the set time."""
        in_vain = self._hold is not None and self._in_vain(self._hold) is not None
        if fit is None or self._stand(fit) != "across" or in_vain:
            return Figure(rest_s, "s") if rest_s > 0.0 else None
        more = self._more(fit)
        if more is None or rest_s == 0.0:
            return needed(more) if more is not None else None
        return Figure(max(rest_s, more.middle_s), "s")

    def _decide(self, fit: RiseFit | None) -> tuple[Outcome, str, list[str]]:
        hold = self._hold
        if self._channel is None:
            return Outcome.UNDECIDED, "undecided", ["No pressure channel is there to read."]
        if hold is None:
            return (
                Outcome.UNDECIDED,
                "too short",
                ["No standing test was seen yet: no mark 'isolated', no standing pressure."],
            )
        if fit is None:
            return Outcome.UNDECIDED, "too short", ["The gauge has given too few readings since the test began."]
        if hold.seconds < self.settings.hold_s - 2.0 * hold.period_s:
            said = f"The test lasted {span(hold.seconds)}; {span(self.settings.hold_s)} are set."
            seen = {"above": ["What was seen of it already says: it leaks."]}.get(self._stand(fit), [])
            return Outcome.UNDECIDED, "too short", [said, *seen]
        match self._stand(fit):
            case "above":
                return (
                    Outcome.FAIL,
                    "leak",
                    ["The pressure falls by more than temperature and settling explain: it leaks."],
                )
            case "below" | "across" if (vain := self._in_vain(hold)) is not None:
                return Outcome.UNDECIDED, "undecided", [vain]
            case "below":
                return Outcome.PASS, "tight", ["The loop holds its pressure: no leak above the limit."]
            case _:
                said = "What was measured does not decide between tight and leaking."
                return Outcome.UNDECIDED, "undecided", [said, self._wanting(fit)]

    def _in_vain(self, hold: Hold) -> str | None:
        """Why this test cannot pass, however little it falls."""
        if hold.gaps:
            return self._gap_words(max(gap.seconds for gap in hold.gaps))
        return at_an_end(hold, self._channel) or self._fed(hold)

    def _fed(self, hold: Hold) -> str | None:
        """Nitrogen still coming in hides a leak: the pressure rises by more than the limit lets out and temperature explains."""
        cells, thermal = hold.cells.means(), thermal_of(hold, self._thermometer)
        part = len(hold.cells) // 8
        if part < 1:
            return None
        measured = thermal.drift_k == 0.0
        at_level = cells.pressure * (thermal.level_k / cells.temperature if measured else 1.0)
        rose = float(np.nanmean(at_level[-part:]) - np.nanmean(at_level[:part]))
        unseen_k = limit("pressure_hold.temperature_tracking" if measured else "pressure_hold.temperature_drift")
        unseen = float(cells.pressure[-1]) * unseen_k / thermal.level_k + self._wild.resolution
        if rose <= self.settings.rate_limit * hold.seconds + unseen:
            return None
        return (
            f"The pressure rose by {rose / 1e3:.2g} kPa more than temperature explains: nitrogen may still come in and hide a leak, "
            "so this test cannot pass; shut it off and mark 'isolated' to begin another."
        )

    def _gap_words(self, seconds: float) -> str:
        allowed = span(self.settings.max_gap_s)
        return (
            f"The gauge was silent for {span(seconds)} during the test (no more than {allowed} is allowed), so this test cannot "
            "pass; mark 'isolated' to begin another."
        )

    def _wanting(self, fit: RiseFit) -> str:
        more = self._more(fit)
        if more is None:
            return "A longer test alone would not decide it; a steadier temperature or a finer gauge might."
        said = further(more)
        return f"{said[:1].upper()}{said[1:]} more of the test should decide it."

    def _rest_s(self, hold: Hold) -> float:
        return max(self.settings.hold_s - hold.seconds, 0.0)

    def _remarks(self, fit: RiseFit | None) -> list[str]:
        said = []
        if self._hold is not None and fit is not None and thermal_of(self._hold, self._thermometer).drift_k > 0.0:
            said.append(
                f"No system temperature was measured: {limit('pressure_hold.temperature_drift'):.0f} K of unseen drift "
                "is allowed for, which moves the pressure of a standing test by a percent."
            )
        if self.settings.volume_l is None:
            said.append(
                f"The loop's volume is not given: the limit is taken as a fall of {self.settings.rate_limit:.3g} Pa/s."
            )
        if self._ended:
            said.append(ended("test", self._ended))
        return said

    def status(self) -> Status:
        phase = self._phases[-1][0] if self._phases else "waiting"
        details: dict[str, Any] = {
            "phases": [{"phase": p, "since": format_instant(t, 3), "seen_by": how} for p, t, how in self._phases]
        }
        if phase == "waiting":
            said = "Waiting for pressure in the loop"
            if self._last_ns is None:
                said = "Waiting for the pressure gauge, which has said nothing yet: see that it is on and connected"
            return Status(phase, said, "decay_rate", "pressure", caution=CAUTION, details=details)
        if phase == "pressurising":
            said = "Pressurising: shut off the nitrogen and mark 'isolated'"
            details["mark"] = "isolated"
            return Status(phase, said, "decay_rate", "isolation", caution=CAUTION, details=details)
        if phase == "over":
            said = over(self.verdict(), "Test", "isolated")
            return Status(phase, said, "decay_rate", progress=1.0, curve=self._curve(), details=details)
        return self._holding(details)

    def _holding(self, details: dict[str, Any]) -> Status:
        hold, fit = self._hold, self._fit()
        assert hold is not None
        vain = self._in_vain(hold) if fit is not None and self._stand(fit) != "above" else None
        if silent := self._silent_s():
            vain = self._gap_words(silent)
        if vain is not None:
            return Status("hold", vain, "decay_rate", "another test", None, None, CAUTION, self._curve(), details)
        said = f"Holding pressure, {span(hold.seconds)} of {span(self.settings.hold_s)}"
        left: float | None = self._rest_s(hold)
        waiting, stand = "time", self._stand(fit) if fit is not None else None
        if fit is None or stand is None:
            said += ", too early to tell"
        else:
            words = {"above": "it leaks", "below": "no leak above the limit", "across": "leak not yet excluded"}[stand]
            said += f", falling {a_minute(fit.rate)} at one temperature, {words}"
        if fit is not None and stand == "across":
            more, rest = self._more(fit), self._rest_s(hold)
            left = time_left(more, rest)
            said += ": a longer test alone will not decide it" if more is None else f": {further(more, rest)} more"
        elif fit is not None and left == 0.0:
            said += ": long enough, mark 'hold end'"
            waiting, details["mark"] = "the end of the test", "hold end"
        progress = None if left is None else hold.seconds / max(hold.seconds + left, 1.0)
        return Status("hold", said, "decay_rate", waiting, left, progress, CAUTION, self._curve(), details)

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
