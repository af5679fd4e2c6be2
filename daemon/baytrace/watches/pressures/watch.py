"""The low and high side of a running loop against what refrigerant and air lead to expect."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Figure, Outcome, Status, Verdict
from baytrace.physics.fluid_names import resolve
from baytrace.watches.bands import Band, band
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.blind import Blind, blind_spots
from baytrace.watches.pressures.causes import CLUTCH, SOUND, Day
from baytrace.watches.pressures.expect import Expected, Range, expected
from baytrace.watches.pressures.likelihood import Cause, Ranking, not_judged, not_pumping, ranked
from baytrace.watches.pressures.pattern import LOW_HIGH_HIGH_LOW, UNDECIDED, Side, name_of, pattern_of, side_of
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.pressures.signs import signs_of
from baytrace.watches.pressures.standing import Standing, standing_before
from baytrace.watches.running.cycle_points import cycle_points
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value, evidence_of, loop_of
from baytrace.watches.running.follow import ROLES, Running, RunningFollower
from baytrace.watches.running.stretches import engine_on_at
from baytrace.watches.running.wording import channel_details, not_settled
from baytrace.watches.watch import View

_CAUTION = "Engine running: keep hands, hair, hoses and leads away from belts and fans."
_HIGH_PRESSURE = "Above 100 bar on the high side: only gauges, hoses and couplings made for it."
_SHOWN_CAUSES = 4
_STOPPED_S = 15.0


class PressuresWatch:
    """The pattern of the two pressures, with likely causes ranked."""

    name: ClassVar[str] = "pressures"
    roles: ClassVar[frozenset[str]] = frozenset(ROLES)
    Settings: ClassVar[type[PressuresSettings]] = PressuresSettings
    summary: ClassVar[str] = "the low and high side's pattern, and what it points at"
    marks: ClassVar[tuple[str, ...]] = ("engine on", "engine fast", "engine off")

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
            return self._nothing("the loop has not been seen running")
        if not running.complete:
            return self._nothing("both the low and the high side must be read")
        if not running.settled:
            return self._nothing(*[not_settled(channel) for channel in running.unsettled])
        loop = self._loop(running)
        low, high = loop.get("low_side"), loop.get("high_side")
        assert low is not None
        assert high is not None
        ambient, humidity = (_number(loop.get(name)) for name in ("ambient_air", "ambient_humidity"))
        wanted = expected(self._fluid, self._settings, ambient, humidity)
        standing = standing_before(self._follower, running, self._fluid, self._settings.ambient_c)
        sides = side_of(low, wanted.low_side), side_of(high, wanted.high_side)
        signs, day = self._signs(loop, standing)
        outcome, finding, found = self._named(sides, ranked(signs, day, self._fluid.name))
        if self._pumps_nothing(running, high.value / low.value):
            outcome, finding, found = Outcome.FAIL, LOW_HIGH_HIGH_LOW, not_pumping()
        reasons = self._reasons(wanted, (low, high), sides, outcome, found)
        evidence = evidence_of(loop, running) | _expected_figures(wanted) | _standing_figures(standing)
        spots: tuple[Blind, ...] = blind_spots(signs, day, self._fluid.name)
        more = {"causes": [cause.to_json() for cause in found.causes], "blind": [spot.to_json() for spot in spots]}
        return Verdict(self.name, outcome, finding, tuple(reasons), evidence, more)

    def _named(self, sides: tuple[Side, Side], found: Ranking) -> tuple[Outcome, str, Ranking]:
        """Outcome, pattern and causes. Between the rule of thumb and what sound cars show, the other signs decide: a side
        outside the rule with signs that no sound car shows is a fault.
        """
        faults = [cause.cause for cause in found.causes if cause.cause != SOUND]
        customary = limit("pressures.customary").get(faults[0], "") if faults else ""
        outcome, finding = pattern_of(*sides, customary)
        breaks = sides[0].breaks_rule or sides[1].breaks_rule
        if outcome is not Outcome.FAIL and breaks and found.suspected:
            outcome, finding = Outcome.FAIL, name_of(*sides, customary)
        return outcome, finding, found

    def _nothing(self, *why: str) -> Verdict:
        return Verdict(self.name, Outcome.UNDECIDED, UNDECIDED, why)

    def _pumps_nothing(self, running: Running, ratio: float) -> bool:
        on = engine_on_at(self._follower.marks)
        return on is not None and on <= running.stretch.start_s and ratio < limit("pressures.equalised_ratio")

    def _signs(self, loop: Loop, standing: Standing | None) -> tuple[dict[str, Value], Day]:
        ambient, humidity = loop.get("ambient_air"), loop.get("ambient_humidity")
        celsius = ambient.value - ZERO_C_K if ambient is not None else limit("pressures.reference_ambient")
        share = humidity.value if humidity is not None else None
        return signs_of(loop, standing, self._fluid), Day(celsius, share, self._settings.valve)

    def _reasons(
        self,
        wanted: Expected,
        pressures: tuple[Value, Value],
        sides: tuple[Side, Side],
        outcome: Outcome,
        found: Ranking,
    ) -> list[str]:
        pairs = zip(("low side", "high side"), pressures, (wanted.low_side, wanted.high_side), sides, strict=True)
        said = [_side_sentence(*pair) for pair in pairs]
        if not wanted.ambient_known:
            said.append("the ambient is not known: the ranges are those of a mild day")
        if self._follower.atmosphere_assumed and self._settings.elevation_m is None:
            said.append("neither barometer nor elevation is known: gauge pressures were taken at sea level")
        if "refrigerant" not in self._settings.model_fields_set:
            said.append(f"no refrigerant is set: {self._fluid.name} is assumed")
        if unknown := not_judged(self._fluid.name):
            said.append(unknown)
        faults: list[Cause] = [cause for cause in found.causes if cause.cause != SOUND]
        if outcome is Outcome.PASS:
            if faults and found.suspected:
                said.append(f"the pressures are in range, but the other signs look like {faults[0].sentence()}")
            return said
        ranked = [cause.sentence() for cause in faults if cause.likelihood >= 0.02]
        if (
            outcome is Outcome.FAIL
            and not all(side.out for side in sides)
            and [cause.cause for cause in faults[:1]] != [CLUTCH]
        ):
            said.append("the pattern is named after the side that is out, the other's lean and the likeliest cause")
        return [*ranked[:_SHOWN_CAUSES], *said]

    def _bands(self, running: Running) -> list[Band]:
        """What both sides are expected to show in this air while the loop runs."""
        if self._follower.now_s - running.stretch.end_s > _STOPPED_S:
            return []
        loop = self._loop(running)
        ambient, humidity = (_number(loop.get(name)) for name in ("ambient_air", "ambient_humidity"))
        wanted = expected(self._fluid, self._settings, ambient, humidity)
        sides = (Role.LOW_SIDE, wanted.low_side), (Role.HIGH_SIDE, wanted.high_side)
        return [band(role, "expected today", side.low, side.high, "expected") for role, side in sides]

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


def _most_likely(verdict: Verdict) -> str:
    """The first cause in a few words; what speaks for it stands in the details."""
    causes = [cause for cause in verdict.more.get("causes", ()) if cause["cause"] != SOUND]
    if verdict.outcome is not Outcome.PASS and causes:
        first = max(causes, key=lambda cause: cause["likelihood"])
        return f"Most likely {first['cause']}, {first['share']}."
    return verdict.reasons[0] if verdict.reasons else ""


def _number(value: Value | None) -> float | None:
    return value.value if value is not None else None


def _side_sentence(name: str, value: Value, wanted: Range, side: Side) -> str:
    word = {"near": "outside, but not for certain", "coarse": "inside, but this gauge is too coarse to be sure"}
    return (
        f"{name} {value.value / 1e5:.2f} bar absolute (± {1.96 * value.u / 1e5:.2f}), "
        f"expected {wanted.low / 1e5:.2f} to {wanted.high / 1e5:.2f}: {word.get(side.word, side.word)}"
    )


def _expected_figures(wanted: Expected) -> dict[str, Figure]:
    return {
        f"expected_{name}": Figure(0.5 * (side.low + side.high), "Pa", side.low, side.high)
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
