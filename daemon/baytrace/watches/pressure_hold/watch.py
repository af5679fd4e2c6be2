"""The standing test as a state machine over readings and marks: one test of all gauges at once."""

from __future__ import annotations

import re
from typing import Any, ClassVar

import numpy as np

from baytrace.measure.instant import NS, format_instant
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Curve, Figure, Outcome, Status, Verdict
from baytrace.physics import leak
from baytrace.physics.outlook import Outlook
from baytrace.physics.pressure_decay import DecayFit
from baytrace.physics.pressure_rise import Estimate
from baytrace.watches.evacuation.hold import Thermometer
from baytrace.watches.evacuation.phases import Tick
from baytrace.watches.evacuation.waiting import further, needed, time_left
from baytrace.watches.evacuation.wording import a_minute, ended, over, span
from baytrace.watches.limits_table import limit
from baytrace.watches.pressure_hold.judge import Judged, gap_words, judged, outlook, thermometer_stands_still, wanting
from baytrace.watches.pressure_hold.settings import PressureHoldSettings
from baytrace.watches.pressure_hold.side import Side, Test
from baytrace.watches.pressure_hold.stillness import Stillness
from baytrace.watches.watch import View

_UNUSABLE = int(Quality.NOT_A_NUMBER | Quality.UNDER_RANGE | Quality.OVER_RANGE)
_SETTLED_NS = 30 * NS
_PRESSURES = (Role.LOW_SIDE, Role.HIGH_SIDE, Role.SYSTEM_PRESSURE)
BEGIN = re.compile(r"isolat|pressuri[sz]ed|hold (start|begin)|start (of )?hold|valves? (closed|shut)|test start")
END = re.compile(
    r"hold (end|over|done)|end (of )?hold|releas|recover|valves? open|pump on|test end|charge start|engine on"
)
CAUTION = (
    "The loop is under pressure: eye protection, regulator set below the loop's test pressure, dry nitrogen only, "
    "never oxygen or shop air."
)


class PressureHold:
    name: ClassVar[str] = "pressure_hold"
    roles: ClassVar[frozenset[str]] = frozenset({*_PRESSURES, Role.SYSTEM_TEMPERATURE})
    Settings: ClassVar[type[PressureHoldSettings]] = PressureHoldSettings
    marks: ClassVar[tuple[str, ...]] = ("isolated", "hold end")
    summary: ClassVar[str] = "standing test with dry nitrogen: does it hold, corrected for temperature"

    def __init__(self, settings: PressureHoldSettings, view: View) -> None:
        self.settings = settings
        self._sides = _sides(view)
        self.thermometer = next((c for c in view.channels.values() if c.role is Role.SYSTEM_TEMPERATURE), None)
        self.lowest: float = limit("pressure_hold.lowest_pressure")
        self._now_ns = 0
        self._temperature = Thermometer()
        self.warm_still: Stillness | None = None
        self.step_k = 0.0
        self._last_kelvin: float | None = None
        self._began_ns: int | None = None
        self._candidate_ns: int | None = None
        self._ended = ""
        self._phases: list[tuple[str, int, str]] = []

    @property
    def sides(self) -> list[Side]:
        """The gauges that are there; a vacuum gauge counts only where it bears the pressure."""
        return [
            side
            for side in self._sides
            if side.channel.role is not Role.SYSTEM_PRESSURE
            or (side.last_pressure or 0.0) >= self.lowest
            or len(self._sides) == 1
        ]

    @property
    def seconds(self) -> float:
        """How long the test has run, by the gauge that was heard last."""
        return max((side.test.hold.seconds for side in self._sides if side.test is not None), default=0.0)

    # ---- what comes in

    def reading(self, reading: Reading) -> None:
        self._now_ns = max(self._now_ns, reading.time_ns)
        if reading.quality & _UNUSABLE:
            return
        if reading.role == Role.SYSTEM_TEMPERATURE:
            self._warm(reading)
            return
        side = next((side for side in self._sides if side.channel.name == reading.channel), None)
        if side is None or (side.last_ns is not None and reading.time_ns <= side.last_ns):
            return
        side.last_ns = reading.time_ns
        good = side.wild.take(reading.time_ns, reading.value)
        for time_ns, value in ((reading.time_ns, reading.value),) if good is None else good:
            self._sample(side, time_ns, value)

    def _warm(self, reading: Reading) -> None:
        self._temperature.take(reading.time_ns, reading.value)
        before, self._last_kelvin = self._last_kelvin, reading.value
        moved = abs(reading.value - before) if before is not None else 0.0
        if moved > 1e-6 and (self.step_k == 0.0 or moved < self.step_k):
            self.step_k = moved
        began = self._began_ns if self._began_ns is not None else self._candidate_ns
        if self.warm_still is not None and began is not None and not self._ended and reading.time_ns >= began:
            self.warm_still.take((reading.time_ns - began) / NS, reading.value)

    def mark(self, mark: Mark) -> None:
        self._now_ns = max(self._now_ns, mark.time_ns)
        plain = " ".join(mark.text.lower().split())
        for side in self._sides:
            for time_ns, value in side.wild.settle():
                self._sample(side, time_ns, value)
        if BEGIN.search(plain):
            if self._unpressed():
                return
            self._candidate(mark.time_ns, marked=True)
            self._begin("mark")
        elif END.search(plain) and self._began_ns is not None and not self._ended:
            self._end(f"mark '{mark.text}'", mark.time_ns)

    def advance(self, time_ns: int) -> None:
        self._now_ns = max(self._now_ns, time_ns)

    def _unpressed(self) -> bool:
        """Whether the gauges show that there is no pressure to hold: then `isolated` is about something else, or a slip."""
        known = [side for side in self._sides if side.last_pressure is not None and self._silent_s(side) == 0.0]
        return bool(known) and all((side.last_pressure or 0.0) < self.lowest for side in known)

    def _silent_s(self, side: Side) -> float:
        """How long the gauge has said nothing; 0.0 while that is no longer than allowed, or before it ever spoke."""
        silent = (self._now_ns - side.last_ns) / NS if side.last_ns is not None else 0.0
        return silent if silent > self.settings.max_gap_s else 0.0

    # ---- phases

    def _sample(self, side: Side, time_ns: int, pressure: float) -> None:
        kept = side.test
        if self._ended:
            side.test = None
        tick = side.sample(time_ns, pressure, self._temperature.at(time_ns))
        side.test = kept
        if tick is None:
            return
        if self._began_ns is not None and not self._ended:
            self._hold_tick(side, tick)
        elif not self._ended:
            self._filling_tick(side, tick)
        side.last_tick = tick

    def _filling_tick(self, side: Side, tick: Tick) -> None:
        """The test begins where no gauge climbs any more, seen half a minute later."""
        if tick.pressure < self.lowest:
            side.top = None
            if all(each.top is None for each in self._sides):
                self._candidate_ns = None
            return
        if not self._phases:
            self._phases.append(("pressurising", tick.time_ns, "pressure rises"))
        climbing = max(1.5 * side.wild.resolution, 1e-3 * tick.pressure)
        if side.top is None or self._candidate_ns is None or tick.pressure > side.top + climbing:
            side.top = tick.pressure
            self._candidate(tick.time_ns, marked=False)
        elif tick.time_ns - self._candidate_ns >= _SETTLED_NS:
            self._begin("pressure stands")

    def _hold_tick(self, side: Side, tick: Tick) -> None:
        last, test = side.last_tick, side.test
        if last is None or test is None:
            return
        step, high = tick.pressure - last.pressure, test.hold.highest or 0.0
        if tick.pressure < self.lowest and high < self.lowest:
            if all((each.last_pressure or 0.0) < self.lowest for each in self._sides):
                self._dropped("waiting", tick.time_ns, "no pressure in the loop")
        elif tick.pressure < self.lowest or -step > 0.1 * last.pressure:
            self._end("pressure released", last.time_ns)
        elif step > max(0.02 * last.pressure, 5.0 * side.wild.resolution):
            self._end("pressure added", last.time_ns)
            if self.seconds < self.settings.hold_s:
                self._dropped("pressurising", tick.time_ns, "pressure added")

    def _dropped(self, phase: str, time_ns: int, how: str) -> None:
        """What was taken for the test is none; the next begins where the pressure stands."""
        self._began_ns, self._candidate_ns, self._ended, self.warm_still = None, None, "", None
        for side in self._sides:
            side.test = side.top = None
        self._phases.append((phase, time_ns, how))

    def _candidate(self, time_ns: int, *, marked: bool) -> None:
        self._candidate_ns, self._began_ns, self._ended = time_ns, None, ""
        self.warm_still = Stillness()
        for side in self._sides:
            side.begin(Test(time_ns, marked, self.settings.max_gap_s))

    def _begin(self, how: str) -> None:
        assert self._candidate_ns is not None
        self._began_ns = self._candidate_ns
        self._phases.append(("hold", self._began_ns, how))

    def _end(self, why: str, time_ns: int) -> None:
        assert self._began_ns is not None
        time_ns = max(time_ns, self._began_ns)
        for side in self._sides:
            if side.test is not None:
                side.close(time_ns)
        self._ended = why
        self._phases.append(("over", time_ns, why))

    # ---- what goes out

    def _evidence(self, found: Judged | None) -> dict[str, Figure]:
        figures: dict[str, Figure] = {}
        fit = found.worst.fit if found is not None else None
        if found is not None and fit is not None and not found.worst.still:
            rate = _hull(found, fit.rate)
            figures["decay_rate"] = Figure(rate.value, "Pa/s", rate.low, rate.high, 0.95)
            if self.settings.volume_l is not None:
                cubic = self.settings.volume_l * 1e-3
                part = found.worst.bounds.passes / found.worst.bounds.fails
                low, high = rate.low * part * cubic, rate.high * cubic
                figures["leak_rate"] = Figure(rate.value * cubic, "Pa*m3/s", low, high, 0.95)
                scale = 1.0 / leak.PA_M3_S_PER_MBAR_L_S
                figures["leak_rate_mbar_l_s"] = Figure(
                    rate.value * cubic * scale, "mbar*L/s", low * scale, high * scale, 0.95
                )
        if self._began_ns is not None:
            figures["hold_time"] = Figure(self.seconds, "s")
        return figures

    def _judged(self, *, aside: bool = False) -> Judged | None:
        return judged(self, aside=aside) if self._began_ns is not None else None

    def verdict(self) -> Verdict:
        found = self._judged()
        figures = self._evidence(found)
        outcome, finding, reasons = self._decide(found)
        if outcome is Outcome.UNDECIDED and self._began_ns is not None:
            short = finding == "too short" and self._ended
            time = self._needed(found, self.settings.hold_s if short else self._rest_s())
            if time is not None:
                figures["more_time_needed"] = time
        return Verdict(self.name, outcome, finding, tuple(reasons + self._remarks(found)), figures)

    def _needed(self, found: Judged | None, rest_s: float) -> Figure | None:
        """`rest_s` is what is left of the set time."""
        if found is None or found.worst.fit is None or found.worst.stand != "across" or self._vain(found) is not None:
            return Figure(rest_s, "s") if rest_s > 0.0 else None
        more = outlook(found.worst)
        if more is None or rest_s == 0.0:
            return needed(more) if more is not None else None
        return Figure(max(rest_s, more.middle_s), "s")

    @staticmethod
    def _vain(found: Judged) -> str | None:
        """Why this test cannot pass, by whichever gauge."""
        return next((each.vain for each in found.all if each.vain is not None), None)

    def _decide(self, found: Judged | None) -> tuple[Outcome, str, list[str]]:
        if not self._sides:
            return Outcome.UNDECIDED, "undecided", ["No pressure channel is there to read."]
        if self._began_ns is None:
            return (
                Outcome.UNDECIDED,
                "too short",
                ["No standing test was seen yet: no mark 'isolated', no standing pressure."],
            )
        if found is None or found.worst.fit is None:
            return Outcome.UNDECIDED, "too short", ["The gauge has given too few readings since the test began."]
        period = max(side.test.hold.period_s for side in self._sides if side.test is not None)
        if self.seconds < self.settings.hold_s - 2.0 * period:
            said = f"The test lasted {span(self.seconds)}; {span(self.settings.hold_s)} are set."
            seen = ["What was seen of it already says: it leaks."] if found.worst.stand == "above" else []
            return Outcome.UNDECIDED, "too short", [said, *seen]
        vain = self._vain(found)
        match found.worst.stand:
            case "above":
                by = f" ({found.worst.side.name})" if len(found.all) > 1 else ""
                return (
                    Outcome.FAIL,
                    "leak",
                    [f"The pressure falls by more than temperature and settling explain{by}: it leaks."],
                )
            case _ if vain is not None:
                return Outcome.UNDECIDED, "undecided", [vain]
            case "below":
                return Outcome.PASS, "tight", ["The loop holds its pressure: no leak above the limit."]
            case _:
                said = "What was measured does not decide between tight and leaking."
                return Outcome.UNDECIDED, "undecided", [said, *wanting(found, self)]

    def _rest_s(self) -> float:
        return max(self.settings.hold_s - self.seconds, 0.0)

    def _remarks(self, found: Judged | None) -> list[str]:
        said = []
        fit = found.worst.fit if found is not None else None
        if fit is not None and fit.problem.warmth is None and thermometer_stands_still(self) is None:
            said.append(
                f"No system temperature was measured: {limit('pressure_hold.temperature_drift'):.0f} K of unseen drift "
                "is allowed for, which moves the pressure of a standing test by a percent. Clip a thermometer to the loop."
            )
        if self.settings.volume_l is None:
            passes, fails = self.settings.bounds
            said.append(
                f"The loop's volume (volume_l) is not given: a fall below {passes:.3g} Pa/s is tight and one above {fails:.3g} Pa/s a leak "
                f"in every loop of {limit('evacuation.least_volume_l'):g} to {limit('evacuation.most_volume_l'):g} L."
            )
        if found is not None and found.apart:
            said.append(
                "The gauges fall differently: they are shut off from each other, and each has a part of the loop of unknown size."
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
            if all(side.last_ns is None for side in self._sides):
                said = "Waiting for the pressure gauge, which has said nothing yet: see that it is on and connected"
            return Status(phase, said, "decay_rate", "pressure", caution=CAUTION, details=details)
        if phase == "pressurising":
            said = "Pressurising: shut off the nitrogen and mark 'isolated'"
            details["mark"] = "isolated"
            return Status(phase, said, "decay_rate", "isolation", caution=CAUTION, details=details)
        found = self._judged(aside=not self._ended)
        details["sides"] = [
            {"channel": each.side.channel.name, "stand": each.stand, "cannot_pass": each.vain or ""}
            for each in (found.all if found is not None else ())
        ]
        if phase == "over":
            said = over(self.verdict(), "Test", "isolated")
            return Status(phase, said, "decay_rate", progress=1.0, curve=self._curve(found), details=details)
        return self._holding(found, details)

    def _holding(self, found: Judged | None, details: dict[str, Any]) -> Status:
        worst = found.worst if found is not None else None
        fit, stand = (worst.fit, worst.stand) if worst is not None else (None, None)
        curve = self._curve(found)
        vain = self._vain(found) if found is not None and fit is not None and stand != "above" else None
        quiet = [
            (self._silent_s(side), side)
            for side in self.sides
            if side.test is not None and side.test.hold.cells.readings
        ]
        if quiet and (most := max(quiet, key=lambda each: each[0]))[0] > 0.0:
            vain = gap_words(self, most[1], most[0])
        if vain is not None:
            return Status("hold", vain, "decay_rate", "another test", None, None, CAUTION, curve, details)
        said = f"Holding pressure, {span(self.seconds)} of {span(self.settings.hold_s)}"
        rest = self._rest_s()
        left: float | None = rest
        waiting = "time"
        if worst is None or fit is None or stand is None:
            said += ", too early to tell"
        else:
            words = {"above": "it leaks", "below": "no leak above the limit", "across": "leak not yet excluded"}[stand]
            said += f", falling {a_minute(fit.rate)} at one temperature, {words}"
            if stand == "across":
                more = self._since(outlook(worst), fit)
                left = time_left(more, rest)
                said += ": a longer test alone will not decide it" if more is None else f": {further(more, rest)} more"
            elif left == 0.0:
                said += ": long enough, mark 'hold end'"
                waiting, details["mark"] = "the end of the test", "hold end"
        progress = None if left is None else self.seconds / max(self.seconds + left, 1.0)
        return Status("hold", said, "decay_rate", waiting, left, progress, CAUTION, curve, details)

    def _since(self, more: Outlook | None, fit: DecayFit) -> Outlook | None:
        """Told less the time since what was looked at."""
        gone = max(self.seconds - fit.span_s, 0.0)
        if more is None:
            return None
        return Outlook(
            max(more.middle_s - gone, 0.0), max(more.low_s - gone, 0.0), max(more.high_s - gone, 0.0), more.sure
        )

    def _curve(self, found: Judged | None) -> Curve | None:
        """The fitted fall from the pressure of the first cell on, as at one temperature, with the scatter of a cell."""
        worst = found.worst if found is not None else None
        if worst is None or worst.fit is None or self._began_ns is None:
            return None
        fit = worst.fit
        time_s = np.linspace(0.0, fit.span_s, 31)
        first = float(fit.problem.means.pressure[0])
        level = first - (float(fit.level(np.zeros(1))[0]) - fit.level(time_s))
        noise = 1.96 * fit.noise_pa
        times = [self._began_ns + round(second * NS) for second in time_s.tolist()]
        role = str(worst.side.channel.role)
        return Curve(role, times, level.tolist(), (level - noise).tolist(), (level + noise).tolist())


def _hull(found: Judged, rate: Estimate) -> Estimate:
    """Whether gauges that agree read one loop or two parts of it is not known: the figure holds what each of them says."""
    rates = [each.fit.rate for each in found.all if each.fit is not None and not each.still]
    return Estimate(rate.value, min(each.low for each in rates), max(each.high for each in rates))


def _sides(view: View) -> list[Side]:
    """The gauge with the smallest uncertainty at a usual test pressure of 10 bar first."""
    pressures = [channel for channel in view.channels.values() if channel.role in _PRESSURES]
    return [
        Side(channel)
        for channel in sorted(
            pressures, key=lambda c: (c.standard_uncertainty(1.1e6), _PRESSURES.index(c.role), c.name)
        )
    ]
