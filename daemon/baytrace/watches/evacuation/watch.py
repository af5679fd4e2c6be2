"""The evacuation as a state machine over readings and marks."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Outcome, Status, Verdict
from baytrace.physics import leak
from baytrace.physics.outlook import Outlook
from baytrace.physics.wild_readings import WildReadings
from baytrace.watches.evacuation import report
from baytrace.watches.evacuation.assess import Assessment, look_ahead, weigh
from baytrace.watches.evacuation.decision import Cause, Limits
from baytrace.watches.evacuation.foresight import Foresight
from baytrace.watches.evacuation.hold import Hold, Thermometer, gauge_of
from baytrace.watches.evacuation.phases import HoldEnd, HoldGuard, Phase, Said, Seen, Tick, Ticker, meaning
from baytrace.watches.evacuation.settings import EvacuationSettings
from baytrace.watches.evacuation.turn import SecondTurn, TurnFinder
from baytrace.watches.evacuation.water import PlateauFinder
from baytrace.watches.limits_table import limit
from baytrace.watches.watch import View

_FIRST_LOOK_S, _NEXT_LOOK, _LATER_LOOK = 120.0, 1.4, 1.05
_AIR_PA = 50_000.0
_AGAIN_PA = 2_000.0
_KELVIN = 273.15
_UNUSABLE = int(Quality.NOT_A_NUMBER | Quality.UNDER_RANGE | Quality.OVER_RANGE)


class Evacuation:
    name: ClassVar[str] = "evacuation"
    roles: ClassVar[frozenset[str]] = frozenset({Role.SYSTEM_PRESSURE, Role.SYSTEM_TEMPERATURE})
    Settings: ClassVar[type[EvacuationSettings]] = EvacuationSettings
    marks: ClassVar[tuple[str, ...]] = ("pump on", "isolated", "hold end")
    summary: ClassVar[str] = "pull-down, deep vacuum and the hold: tight, leak or water"

    def __init__(self, settings: EvacuationSettings, view: View) -> None:
        self.settings = settings
        self.gas = leak.refrigerant(settings.refrigerant) if settings.refrigerant else None
        self._channels = view.channels
        self.pressure_channel = _of_role(view, Role.SYSTEM_PRESSURE)
        self.temperature_channel = _of_role(view, Role.SYSTEM_TEMPERATURE)
        gauge = gauge_of(self.pressure_channel, 0.0)
        self._wild = WildReadings(3.0 * gauge.fixed)
        spread = limit("evacuation.assumed_temperature_spread")
        middle = limit("evacuation.assumed_temperature") + _KELVIN
        self.water = PlateauFinder(middle - spread, middle + spread)
        passes, fails = settings.rate_limits
        self.limits = Limits(passes, settings.vapour_limit_pa, limit("evacuation.leak_guard"), fails)
        self._max_gap_ns = int(settings.max_gap_s * NS)
        self.now_ns = 0
        self.phase = Phase.WAITING
        self.seen: list[Seen] = []
        self.last_pressure: float | None = None
        self._last_ns: int | None = None
        self._sample_ns = 0
        self.temperature = Thermometer()
        self._ticker = Ticker()
        self.bad_readings = 0
        self.pump_since_ns: int | None = None
        self.deepest: float | None = None
        self.deep_s = 0.0
        self._deep_maybe = 0.0
        self._turn = TurnFinder(limit("evacuation.bounce"), settings.max_gap_s)
        self._again = SecondTurn()
        self.hold: Hold | None = None
        self.hold_end: HoldEnd | None = None
        self._vacuum_range = limit("evacuation.vacuum_range_pa")
        self._guard = HoldGuard(self._vacuum_range)
        self._next_look_s = _FIRST_LOOK_S
        self.early: Assessment | None = None
        self._fixed: Verdict | None = None
        self.outdated: Verdict | None = None
        self.no_vacuum_pa: float | None = None
        self._cache: tuple[int, Assessment, bool] | None = None
        self._foresight = Foresight(self._look_ahead, self._weigh)
        self._aired = False

    # ---- what comes in

    def reading(self, reading: Reading) -> None:
        self.now_ns = max(self.now_ns, reading.time_ns)
        if reading.quality & _UNUSABLE:
            self.bad_readings += reading.role == Role.SYSTEM_PRESSURE
            return
        if reading.role == Role.SYSTEM_TEMPERATURE:
            self.temperature.take(reading.time_ns, reading.value)
            self._gauge_gone(reading.time_ns)
            return
        if reading.role != Role.SYSTEM_PRESSURE:
            return
        if self._last_ns is not None and reading.time_ns <= self._last_ns:
            return
        if reading.channel != (self.pressure_channel.name if self.pressure_channel else reading.channel):
            return
        self._last_ns = reading.time_ns
        good = self._wild.take(reading.time_ns, reading.value)
        if good is None:
            self._sample(reading.time_ns, reading.value)
        else:
            for time_ns, value in good:
                self._sample(time_ns, value)

    def mark(self, mark: Mark) -> None:
        self.now_ns = max(self.now_ns, mark.time_ns)
        said = meaning(mark.text)
        if said is None:
            return
        for time_ns, value in self._wild.settle():
            self._sample(time_ns, value)
        match said:
            case Said.PUMP_ON:
                self._end_hold(HoldEnd("pump restarted", mark.time_ns))
                self._pump(mark.time_ns, "mark", said=True)
            case Said.ISOLATED if self._out_of_vacuum():
                self.no_vacuum_pa = self.last_pressure
            case Said.ISOLATED:
                if self.hold is not None and self.hold_end is None and self.hold.marked:
                    self._end_hold(HoldEnd("isolated again", mark.time_ns))
                self._isolate(Hold(mark.time_ns, marked=True, max_gap_s=self.settings.max_gap_s), "mark")
            case Said.ENDED:
                if self.hold is not None and self.hold_end is None:
                    self._end_hold(HoldEnd(f"mark '{mark.text}'", mark.time_ns))
                elif self.phase is not Phase.WAITING and "hold" not in mark.text.lower():
                    self._enter(Phase.OVER, mark.time_ns, f"mark '{mark.text}'")

    def advance(self, time_ns: int) -> None:
        self.now_ns = max(self.now_ns, time_ns)
        self._gauge_gone(time_ns)

    def _out_of_vacuum(self) -> bool:
        """Whether no hold could begin now: the gauge shows far more than a vacuum."""
        live = self.hold is not None and self.hold_end is None
        known = self.last_pressure is not None and self.last_pressure > self._vacuum_range
        return known and not live and self.now_ns - self._sample_ns <= self._max_gap_ns

    # ---- readings

    def _sample(self, time_ns: int, pressure: float) -> None:
        if self.settings.phase == "hold" and not self.seen:
            self._isolate(Hold(time_ns, marked=True, max_gap_s=self.settings.max_gap_s), "first reading")
        self._gauge_gone(time_ns)
        hold = self.hold
        if hold is not None and self.hold_end is None:
            if time_ns >= hold.start_ns:
                hold.add(time_ns, pressure, self.temperature.at(time_ns))
            if not hold.marked:
                self._again.add(time_ns, pressure, self.temperature.at(time_ns))
                self._count_deep(time_ns, pressure, provisional=True)
        elif self.phase is not Phase.OVER:
            self._count_deep(time_ns, pressure, provisional=False)
            self._turn.add(time_ns, pressure, self.temperature.at(time_ns))
        self.last_pressure = pressure
        self._sample_ns = time_ns
        tick = self._ticker.take(time_ns, pressure)
        if tick is not None:
            self._tick(tick)

    def _gauge_gone(self, now_ns: int) -> None:
        """Silence after a full hold is the gauge being taken off, and takes nothing from the hold."""
        hold = self.hold
        if hold is None or self.hold_end is not None or now_ns - hold.last_ns <= self._max_gap_ns:
            return
        if hold.seconds >= self.settings.hold_s - 2.0 * hold.period_s:
            self._end_hold(HoldEnd("gauge disconnected", hold.last_ns))

    def _count_deep(self, time_ns: int, pressure: float, *, provisional: bool) -> None:
        target = self.settings.target_pa
        if self.deepest is None or pressure < self.deepest:
            self.deepest = pressure
        if pressure > target or self.last_pressure is None or self.last_pressure > target:
            return
        step = time_ns - self._sample_ns
        if step <= self._max_gap_ns:
            if provisional:
                self._deep_maybe += step / NS
            else:
                self.deep_s += step / NS

    def _tick(self, tick: Tick) -> None:
        if self.hold is not None and self.hold_end is None:
            self._hold_tick(self.hold, tick)
        elif self.phase is Phase.OVER:
            self._over_tick(tick)
        else:
            self._pump_tick(tick)

    # ---- phases

    def _enter(self, phase: Phase, time_ns: int, how: str) -> None:
        if phase is not self.phase or not self.seen:
            self.phase = phase
            self.seen = [*self.seen[-49:], Seen(phase, time_ns, how)]

    def _let_in(self, time_ns: int) -> None:
        """Air or nitrogen came in: what was pumped before no longer counts."""
        self.deep_s, self.deepest, self.pump_since_ns, self._aired = 0.0, None, time_ns, False

    def _pump(self, time_ns: int, how: str, *, said: bool = False) -> None:
        fixed = self._fixed
        if fixed is not None and (
            fixed.outcome is Outcome.UNDECIDED or (said and self._aired and fixed.outcome is Outcome.PASS)
        ):
            self.outdated, self._fixed, self.hold, self.hold_end = fixed, None, None, None
        if self._aired:
            self._let_in(time_ns)
        if self.pump_since_ns is None:
            self.pump_since_ns = time_ns
        self._turn.restart()
        self._enter(Phase.PULL_DOWN, time_ns, how)

    def _pump_tick(self, tick: Tick) -> None:
        """Waiting, pull-down and deep vacuum: follow the lowest pressure, and see the turn away from it."""
        if tick.pressure > _AIR_PA:
            self._aired = self._aired or self.deep_s > 0.0
        elif self._aired:
            self._let_in(tick.time_ns)
        before = self._turn.low
        turned = self._turn.take(tick, self._wild.resolution)
        target = self.settings.target_pa
        if self.phase is Phase.WAITING:
            if tick.pressure <= target:
                self._pump(tick.time_ns, "already evacuated")
            elif before is not None and tick.pressure < 0.97 * before:
                self._pump(tick.time_ns, "pressure falls")
            return
        if tick.pressure <= target:
            self._enter(Phase.DEEP_VACUUM, tick.time_ns, "target reached")
        elif tick.pressure > 1.2 * target:
            self._enter(Phase.PULL_DOWN, tick.time_ns, "above the target")
            self.water.take(tick, self.temperature.at(tick.time_ns))
        if turned is not None:
            self._isolate(turned, "turn of the curve")

    def _isolate(self, hold: Hold, how: str) -> None:
        self.hold, self.hold_end = hold, None
        self._turn.restart(self._turn.low)
        self._guard = HoldGuard(self._vacuum_range)
        self.outdated, self.no_vacuum_pa = None, None
        self._again = SecondTurn()
        self._next_look_s, self.early, self._cache = _FIRST_LOOK_S, None, None
        self._foresight = Foresight(self._look_ahead, self._weigh)
        self._deep_maybe = 0.0
        self._aired = False
        self.phase = Phase.WAITING if self.phase is Phase.HOLD else self.phase
        self._enter(Phase.HOLD, hold.start_ns, how)

    def _hold_tick(self, hold: Hold, tick: Tick) -> None:
        ended = self._guard.take(tick, self._wild.resolution)
        if ended is not None and not hold.marked and ended.why == "pump restarted":
            self._bounced(tick)
            return
        if ended is None and not hold.marked and not self._guard.jumping:
            low = self._turn.low
            if low is not None and tick.pressure < low:
                self._bounced(tick)
                return
            later = self._again.take(
                hold, tick, self._turn.clear(hold.first_pressure or tick.pressure, self._wild.resolution)
            )
            if later is not None:
                self.deep_s += self._deep_maybe
                self._isolate(later, "second turn of the curve")
                return
        if ended is not None:
            self._end_hold(ended)
            if ended.why == "pump restarted":
                self._pump(tick.time_ns, "pressure falls")
            return
        self._look(hold)

    def _bounced(self, tick: Tick) -> None:
        """The turn was none: the pump has been running all the while, unless a full hold stood before it drew down."""
        if self.hold is not None and self.hold.seconds >= self.settings.hold_s:
            self._end_hold(HoldEnd("pump restarted", tick.time_ns))
        else:
            self.deep_s += self._deep_maybe
        self.hold, self.hold_end = None, None
        self._pump(tick.time_ns, "fell back below the turn")
        self._turn.restart(tick.pressure)

    def _over_tick(self, tick: Tick) -> None:
        """A second evacuation needs no mark when air was let in between."""
        if tick.pressure > _AIR_PA:
            self._aired = True
        elif self._aired and tick.pressure < _AGAIN_PA:
            self._pump(tick.time_ns, "pressure falls again")
            self.hold = None

    def _look(self, hold: Hold) -> None:
        """Weigh the hold at set lengths only, whoever asks in between: a replay looks at the same instants."""
        seconds = hold.seconds
        self._foresight.look(hold, self._wild.resolution)
        full = self.settings.hold_s
        if seconds < self._next_look_s:
            return
        if seconds < full and self.early is not None and not self.settings.stop_early:
            self._next_look_s = full
            return
        self._next_look_s = seconds * (_NEXT_LOOK if seconds < full else _LATER_LOOK)
        if seconds < full < self._next_look_s:
            self._next_look_s = full
        weighed = self.weighed(ahead=False)
        if weighed.cause is Cause.UNDECIDED:
            return
        if self.early is None and seconds < full:
            self.early = weighed
        if not hold.marked:
            # a bounce with the pump on can look like a turn: only the end of the hold settles it
            return
        if seconds >= full or self.settings.stop_early or (weighed.cause is Cause.LEAK and weighed.beyond_saturation):
            self._end_hold(HoldEnd("hold complete", self.now_ns))

    def _end_hold(self, ended: HoldEnd) -> None:
        hold = self.hold
        if hold is None or self.hold_end is not None:
            return
        if ended.time_ns < hold.last_ns:
            hold.cut(ended.time_ns)
            self._cache = None
        elif self._cache is not None:
            self._cache = (*self._cache[:2], False)  # the last look ahead is made from the end itself
        self.hold_end = ended
        self._fixed = report.verdict(self, self.weighed(ahead=True))
        self._enter(Phase.OVER, ended.time_ns, ended.why)

    # ---- what goes out

    def weighed(self, *, ahead: bool) -> Assessment:
        """The present hold (there must be one), from cache when no reading came since."""
        hold = self.hold
        assert hold is not None
        readings = hold.cells.readings
        if self._cache is not None and self._cache[0] == readings:
            _, made, looked = self._cache
        else:
            made, looked = self._weigh(hold, self._wild.resolution), False
        if ahead and not looked:
            more = self._foresight.more(made) if self.hold_end is None else self._look_ahead(made)
            made, looked = replace(made, more=more), True
        self._cache = readings, made, looked
        return made

    def _look_ahead(self, now: Assessment) -> Outlook | None:
        return look_ahead(now, self.limits)

    def _weigh(self, hold: Hold, resolution: float) -> Assessment:
        return weigh(hold, self.limits, self.pressure_channel, self.temperature_channel, resolution)

    @property
    def silent_s(self) -> float:
        """How long the gauge has said nothing; 0.0 while that is no longer than allowed, or before it ever spoke."""
        silent = self.now_ns - self._sample_ns
        return silent / NS if self.last_pressure is not None and silent > self._max_gap_ns else 0.0

    @property
    def wild(self) -> int:
        return self._wild.dropped

    def status(self) -> Status:
        return report.status(self)

    def verdict(self) -> Verdict:
        live = self.hold is not None and self.hold_end is None
        if not live and self._fixed is not None:
            return self._fixed
        return report.verdict(self, self.weighed(ahead=True) if live else None)


def _of_role(view: View, role: Role) -> Channel | None:
    return next((channel for channel in view.channels.values() if channel.role is role), None)
