"""The low and high side of a running loop: laws first, then the car's own figures, then the usual range (see `judge.py`)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Figure, Outcome, Status, Verdict
from baytrace.physics.fluid_names import resolve
from baytrace.watches.bands import Band, band
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.causes import SOUND
from baytrace.watches.pressures.expect import Expected, expected
from baytrace.watches.pressures.judge import Case, Judged, judge
from baytrace.watches.pressures.pattern import UNDECIDED
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.pressures.standing import Standing, standing_before
from baytrace.watches.running.cycle_points import cycle_points
from baytrace.watches.running.figures import Loop, atmosphere_unknown, evidence_of, loop_of
from baytrace.watches.running.follow import ROLES, Running, RunningFollower
from baytrace.watches.running.laws import Breach, breaches
from baytrace.watches.running.own import own_judgement
from baytrace.watches.running.own_runs import reference_of, runs_json
from baytrace.watches.running.scene import scene_of
from baytrace.watches.running.wording import channel_details, not_settled
from baytrace.watches.watch import View

_CAUTION = "Engine running: keep hands, hair, hoses and leads away from belts and fans."
_HIGH_PRESSURE = "Above 100 bar on the high side: only gauges, hoses and couplings made for it."
_STOPPED_S = 15.0


class PressuresWatch:
    """The pattern of the two pressures, with likely causes ranked."""

    name: ClassVar[str] = "pressures"
    roles: ClassVar[frozenset[str]] = frozenset(ROLES)
    Settings: ClassVar[type[PressuresSettings]] = PressuresSettings
    summary: ClassVar[str] = "the low and high side's pattern, and what it points at"
    marks: ClassVar[tuple[str, ...]] = ("engine on", "engine idle", "engine fast", "table conditions", "engine off")

    def __init__(self, settings: PressuresSettings, view: View) -> None:
        """Raises BadInput for an unknown refrigerant."""
        self._settings = settings
        self._fluid = resolve(settings.refrigerant)
        self._follower = RunningFollower(settings.bands(), view)
        self._caution = f"{_CAUTION} {_HIGH_PRESSURE}" if self._fluid.transcritical else _CAUTION

    def reading(self, reading: Reading) -> None:
        self._follower.reading(reading)

    def readings(self, readings: Sequence[Reading]) -> None:
        self._follower.readings(readings)

    def mark(self, mark: Mark) -> None:
        self._follower.mark(mark)

    def advance(self, time_ns: int) -> None:
        self._follower.advance(time_ns)

    def _loop(self, running: Running) -> Loop:
        return loop_of(self._follower, running, self._fluid, self._settings)

    def verdict(self) -> Verdict:
        running = self._follower.judged()
        if running is None:
            return self._nothing("The loop has not been seen running.")
        if not running.complete:
            return self._nothing("Both the low and the high side must be read.")
        loop = self._loop(running)
        laws = breaches(scene_of(self._follower, running, loop, self._fluid, self._settings))
        if not running.settled:
            return self._nothing(*[not_settled(channel) for channel in running.unsettled], laws=laws)
        return self._said(running, self._case(running, loop, laws))

    def _case(self, running: Running, loop: Loop, laws: list[Breach]) -> Case:
        return Case(
            loop,
            self._fluid,
            self._settings,
            standing_before(self._follower, running, self._fluid, self._settings),
            laws,
            _speed(running.stretch.conditions.speed),
            atmosphere_unknown(self._follower, self._settings),
            own_judgement(self._follower, running, self._fluid, self._settings),
        )

    def _said(self, running: Running, case: Case) -> Verdict:
        judged = judge(case)
        evidence = (
            evidence_of(case.loop, running) | _expected_figures(judged.expected) | _standing_figures(case.standing)
        )
        if case.own is not None:
            evidence |= dict(case.own.figures)
        more = _more(judged, case.laws)
        more["own_run"] = reference_of(self._follower, running, self._fluid, self._settings)
        if len(self._follower.every()) > 1:
            more["running"] = runs_json(self._follower, self._fluid, self._settings)
        return Verdict(self.name, judged.outcome, judged.finding, judged.reasons, evidence, more)

    def _nothing(self, *why: str, laws: Sequence[Breach] = ()) -> Verdict:
        said = (*(breach.text for breach in laws), *why)
        more = {"causes": [], "blind": [], "laws": [breach.to_json() for breach in laws]}
        return Verdict(self.name, Outcome.UNDECIDED, UNDECIDED, said, {}, more)

    def _bands(self, running: Running) -> list[Band]:
        """What both sides usually show in this air while the loop runs."""
        if self._follower.now_s - running.stretch.end_s > _STOPPED_S:
            return []
        loop = self._loop(running)
        humidity = loop.get("ambient_humidity")
        share = humidity.value if humidity is not None else None
        wanted = expected(self._fluid, self._settings, loop.get("ambient_air"), share)
        sides = (Role.LOW_SIDE, wanted.low_side), (Role.HIGH_SIDE, wanted.high_side)
        return [band(role, "usual today", side.low, side.high, "expected") for role, side in sides]

    def status(self) -> Status:
        parts = self._follower.all()
        details: dict[str, Any]
        if not parts:
            details = {"mark": "engine on"}
            return Status("waiting", "Waiting for the engine to run.", waiting_for="engine on", details=details)
        running = parts[-1]
        details = {"channels": channel_details(running), "bands": self._bands(running), "fluid": self._fluid.name}
        points = cycle_points(self._fluid.name, self._loop(running))
        if points:
            details["cycle_points"] = points
        if not running.settled:
            waits = [not_settled(channel) for channel in running.unsettled]
            text = f"Not settled: {waits[0]}." if waits else "Waiting for both pressures."
            return Status("settling", text, "", "settled", running.expected_s, None, self._caution, None, details)
        verdict = self.verdict()
        details |= {**verdict.more, "mark": "engine off"}
        text = f"Pattern: {verdict.finding}. {_most_likely(verdict)}"
        return Status("judged", text.strip(), "high_side_pressure", "", 0.0, 1.0, self._caution, None, details)


def _speed(said: str) -> str:
    """A marked engine speed as the loop models know it: idle, fast, or "" where nobody marked it."""
    if said.endswith(" rpm"):
        return "idle" if float(said.removesuffix(" rpm")) <= limit("pressures.fastest_idle") else "fast"
    return said


def _more(judged: Judged, laws: Sequence[Breach]) -> dict[str, Any]:
    return {
        "causes": [cause.to_json() for cause in judged.causes],
        "blind": [spot.to_json() for spot in judged.blind],
        "laws": [breach.to_json() for breach in laws],
    }


def _most_likely(verdict: Verdict) -> str:
    """The first cause in a few words where a fault is found; else the first reason."""
    causes = [cause for cause in verdict.more.get("causes", ()) if cause["cause"] != SOUND]
    if verdict.outcome is Outcome.FAIL and causes and not verdict.more.get("laws"):
        first = max(causes, key=lambda cause: float(cause["likelihood"]))
        return f"Most likely {' or '.join([first['cause'], *first.get('or', ())])}, {first['share']}."
    return verdict.reasons[0] if verdict.reasons else ""


def _expected_figures(wanted: Expected) -> dict[str, Figure]:
    return {
        f"expected_{name}": Figure(
            0.5 * (side.low + side.high), "Pa", min(side.low, side.high), max(side.low, side.high)
        )
        for name, side in (("low_side_pressure", wanted.low_side), ("high_side_pressure", wanted.high_side))
    }


def _standing_figures(standing: Standing | None) -> dict[str, Figure]:
    if standing is None:
        return {}
    return {
        "static_pressure": standing.pressure.figure("Pa"),
        "static_saturation_pressure": Figure(standing.saturation_pa, "Pa"),
        "static_excess": standing.excess.figure("K"),
    }
