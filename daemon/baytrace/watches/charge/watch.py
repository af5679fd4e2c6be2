"""Following a charge from the first gram to the settled loop.

Phases: waiting, charging, charged (engine not yet running), settling, settled.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from baytrace.measure.reading import Mark, Reading, usable
from baytrace.measure.roles import FACTS, Role
from baytrace.measure.verdict import Figure, Outcome, Status, Verdict
from baytrace.physics.air import table_value
from baytrace.physics.fluid_names import resolve
from baytrace.watches.bands import band
from baytrace.watches.charge.judge import (
    UNDER,
    UNWEIGHED,
    Judgement,
    judge_limits,
    judge_mass,
    judge_signs,
    mass_figures,
    overall,
    record_sentences,
    unweighed,
)
from baytrace.watches.charge.mass import Charged, usual_scale
from baytrace.watches.charge.outlook import prospects
from baytrace.watches.charge.settings import ChargeSettings
from baytrace.watches.charge.tank import Tank
from baytrace.watches.limits_table import limit
from baytrace.watches.running.cycle_points import cycle_points
from baytrace.watches.running.figures import ZERO_C_K, Loop, atmosphere_unknown, evidence_of, loop_of
from baytrace.watches.running.follow import ROLES, Running, RunningFollower
from baytrace.watches.running.laws import Breach, Kind, breaches, withholds
from baytrace.watches.running.own_runs import runs_json
from baytrace.watches.running.scene import scene_of
from baytrace.watches.running.stretches import ends_running
from baytrace.watches.running.wording import (
    ATMOSPHERE_UNKNOWN,
    REFRIGERANT_UNKNOWN,
    channel_details,
    not_settled,
    settled_sentence,
    span,
)
from baytrace.watches.watch import View

_CAUTION_CHARGING = "Liquid refrigerant freezes skin and eyes: goggles and gloves on; never open a can to the high side of a running loop."
_CAUTION_RUNNING = "Engine running: keep hands, hair, hoses and leads away from belts and fans."


_BEHIND_S = 20.0  # readings of several instruments, and heartbeats, arrive one after the other
_STOPPED_EARLY = "the engine was stopped before the loop had settled"


class ChargeWatch:
    """Charge by weight, then settled or not, and what the settled loop says."""

    name: ClassVar[str] = "charge"
    roles: ClassVar[frozenset[str]] = frozenset({*ROLES, Role.TANK_MASS})
    Settings: ClassVar[type[ChargeSettings]] = ChargeSettings
    summary: ClassVar[str] = "charge by weight, and whether the running loop has settled"
    marks: ClassVar[tuple[str, ...]] = ("charge start", "charge end", "engine on", "engine fast", "engine off")

    def __init__(self, settings: ChargeSettings, view: View) -> None:
        """Raises BadInput for an unknown refrigerant or a broken vent table."""
        self._settings, self._view = settings, view
        self._fluid = resolve(settings.refrigerant)
        table_value(settings.vent_table, 25.0, 0.5)
        self._follower = RunningFollower(settings.bands(), view)
        scales = (channel for channel in view.channels.values() if channel.role is Role.TANK_MASS)
        self._scale = next(scales, None)
        self._tank = Tank(view, settings.mass_rules())

    def reading(self, reading: Reading) -> None:
        self._follower.reading(reading)
        self._weigh(reading)

    def readings(self, readings: Sequence[Reading]) -> None:
        self._follower.readings(readings)
        for reading in readings:
            self._weigh(reading)

    def _weigh(self, reading: Reading) -> None:
        if reading.role == Role.TANK_MASS and usable(reading.quality):
            self._tank.reading(reading.channel, self._follower.seconds(reading.time_ns), reading.value)

    def mark(self, mark: Mark) -> None:
        self._follower.mark(mark)
        text = " ".join(mark.text.casefold().split())
        if text.startswith(("charge start", "charging start")):
            self._tank.started(self._follower.seconds(mark.time_ns))
        elif text.startswith(("charge end", "charging end", "charge stop", "charging stop")):
            self._tank.stopped(self._follower.seconds(mark.time_ns))

    def advance(self, time_ns: int) -> None:
        self._follower.advance(time_ns)

    # -- what follows from it

    def mass(self) -> Charged | None:
        """What went in so far by the scale; None where no charge was seen."""
        return self._tank.mass(self._follower.now_s)

    def _prospects(self) -> list[str]:
        """What keeps any charge on this bench from passing."""
        heard = self._scale or (usual_scale() if self._tank.heard else None)
        return prospects(self._settings, heard, self._tank.resolution_kg)

    def _loop(self, running: Running) -> Loop:
        return loop_of(self._follower, running, self._fluid, self._settings)

    def _expected_vent(self, loop: Loop) -> Figure | None:
        ambient, humidity = loop.get("ambient_air"), loop.get("ambient_humidity")
        if ambient is None:
            return None
        table = self._settings.vent_table
        shares = [line[0] for line in table[1:]] if humidity is None else [humidity.low, humidity.high]
        found = [
            table_value(table, celsius - ZERO_C_K, share) for celsius in (ambient.low, ambient.high) for share in shares
        ]
        own = "vent_table" in self._settings.model_fields_set
        spread = 0.0 if own else limit("charge.vent_spread")
        low, high = min(found) - spread, max(found) + spread
        return Figure(0.5 * (low + high), "degC", low, high)

    def verdict(self) -> Verdict:
        mass, running = self.mass(), self._follower.judged()
        loop = self._loop(running) if running is not None else Loop({})
        evidence = mass_figures(mass)
        if running is not None:
            evidence |= evidence_of(loop, running)
            expected = self._expected_vent(loop)
            if expected is not None:
                evidence["expected_vent_temperature"] = expected
        laws = self._against_laws(running, loop)
        outcome, finding, reasons = self._decide(mass, running, loop, laws)
        more = {**self._more(), "laws": [breach.to_json() for breach in laws]}
        return Verdict(self.name, outcome, finding, (*reasons, *self._remarks(mass)), evidence, more)

    def _against_laws(self, running: Running | None, loop: Loop) -> list[Breach]:
        """Laws of every running loop that this one breaks."""
        if running is None:
            return []
        return breaches(scene_of(self._follower, running, loop, self._fluid, self._settings))

    def _decide(
        self, mass: Charged | None, running: Running | None, loop: Loop, laws: list[Breach]
    ) -> tuple[Outcome, str, list[str]]:
        weighed = judge_mass(mass, self._settings)
        said = [weighed.text] if weighed is not None else []
        if mass is not None and mass.flowing:
            return Outcome.UNDECIDED, "undecided", [*said, "refrigerant is still going in"]
        if weighed is not None and weighed.outcome is Outcome.FAIL:
            return Outcome.FAIL, weighed.finding, said
        if running is None:
            return Outcome.UNDECIDED, "not settled", [*said, "the loop has not been seen running"]
        broken = [breach.text for breach in laws]
        if not running.settled:
            stopped = [f"{_STOPPED_EARLY}: run it again"] if self._stopped(running) else []
            return Outcome.UNDECIDED, "not settled", [*broken, *said, *stopped, *self._unsettled(running)]
        if any(breach.kind is Kind.PUMPING for breach in laws):
            return Outcome.UNDECIDED, "not settled", [*broken, *said]
        if withholds(laws):
            return Outcome.UNDECIDED, "undecided", [*broken, *said, settled_sentence(running)]
        asked = [weighed] if weighed is not None else []
        signs = judge_signs(loop) if weighed is None else None
        asked += [signs] if signs is not None else []
        if weighed is None:
            asked.append(unweighed(self._settings, mass, has_scale=self._scale is not None or self._tank.heard))
        limits = judge_limits(loop, self._settings)
        outcome, finding, reasons = _concluded([*asked, *limits], settled_sentence(running))
        if outcome is Outcome.PASS and broken:
            return Outcome.UNDECIDED, "undecided", [*broken, *reasons]
        if outcome is Outcome.PASS and "refrigerant" not in self._settings.model_fields_set:
            return Outcome.UNDECIDED, "settled", [REFRIGERANT_UNKNOWN, *reasons]
        return outcome, finding, [*broken, *reasons]

    def _remarks(self, mass: Charged | None) -> list[str]:
        said = [] if mass is not None else self._prospects()
        if mass is not None and mass.touches:
            moved = sum(touch.reseated for touch in mass.touches)
            told = f", and set down differently {_times(moved)}" if moved else ""
            said.append(f"the tank was touched {_times(len(mass.touches))}{told}; none of it counts as charge")
        if mass is not None:
            said += record_sentences(mass)
        if atmosphere_unknown(self._follower, self._settings):
            said.append(ATMOSPHERE_UNKNOWN)
        return said

    def _more(self) -> Mapping[str, Any]:
        if len(self._follower.every()) < 2:
            return {}
        return {"running": runs_json(self._follower, self._fluid, self._settings)}

    # -- live

    def status(self) -> Status:
        mass, parts = self.mass(), self._follower.all()
        running = parts[-1] if parts else None
        if mass is not None and (mass.flowing or (self._tank.charging and running is None)):
            return self._charging(mass)
        if running is not None:
            return self._running(running, mass)
        if mass is not None:
            return self._charged(mass)
        if self._tank.charging:
            return self._unweighed()
        if self._tank.start is not None and self._tank.end is not None:
            said, details = "Charge over, but not weighed. Start the engine and mark it.", self._details(None)
            return Status("charged", said, "", "engine on", details=details | {"mark": "engine on"})
        details = self._details(None) | {"mark": "charge start"}
        said = "".join(f" {told[:1].upper()}{told[1:]}." for told in self._prospects())
        return Status("waiting", f"Waiting for charging to start.{said}", waiting_for="charge start", details=details)

    def _charged(self, mass: Charged) -> Status:
        off, details = judge_mass(mass, self._settings), self._details(mass)
        said = f"{off.text if off is not None else f'{round(mass.mass_kg * 1e3)} g charged'}."
        waiting, mark, caution = "engine on", "engine on", ""
        if off is None or off.outcome is not Outcome.FAIL:
            said += " Start the engine and mark it."
        elif off.finding == UNDER:
            said += " Let in what is missing and mark 'charge end' again."
            waiting, mark, caution = "label charge", "charge end", _CAUTION_CHARGING
        else:
            said += " Recover the excess before the engine runs."
            waiting, mark = "", ""
        details |= {"mark": mark} if mark else {}
        return Status("charged", said, "charged_mass", waiting, caution=caution, details=details)

    def _unweighed(self) -> Status:
        """Charging was marked, and no scale shows it."""
        if self._scale is None and not self._tank.heard:
            text = "Charging without a scale, so it is not weighed: mark 'charge end' when it is in."
        elif self._tank.heard:
            text = "Charging."
        else:
            text = "Charging, but the tank scale has said nothing yet: shut the valve until it is read."
        details = self._details(None) | {"mark": "charge end"}
        return Status("charging", text, "", "label charge", caution=_CAUTION_CHARGING, details=details)

    def _details(self, mass: Charged | None) -> dict[str, Any]:
        """What every phase shows: the mass against its label, the bands the settled loop is judged by, the fluid."""
        details: dict[str, Any] = {"fluid": self._fluid.name}
        if mass is not None:
            label = {"label_g": self._settings.label_g, "tolerance_g": self._settings.tolerance_g}
            details["mass"] = _mass_details(mass) | label
        if self._settings.vent_max_c is not None:
            warmest = self._settings.vent_max_c + ZERO_C_K
            details["bands"] = [band(Role.VENT_AIR, "warmest that passes", None, warmest)]
        return details

    def _charging(self, mass: Charged) -> Status:
        grams, label, rate = mass.mass_kg * 1e3, self._settings.label_g, mass.rate_kg_s * 1e3
        if mass.rose_kg:
            details = self._details(mass) | {"mark": "charge end"}
            text = "The scale rises while charging: it counts the other way round, or the tank is being filled. Shut the valve."
            return Status("charging", text, "charged_mass", "label charge", caution=_CAUTION_CHARGING, details=details)
        text = f"{round(grams)} g in"
        left = progress = None
        if label is not None:
            togo = label - grams
            text += f", {round(togo)} g to go" if togo >= 0.5 else f", {_beyond(round(-togo), mass)}"
            left = togo / rate if rate > 0.1 and togo >= 0.5 else None
            progress = min(max(grams / label, 0.0), 1.0)
        if rate > 0.1 and (left is not None or label is None):
            text += f", at {rate:.1f} g/s"
        if left is not None:
            text += f", {span(left)} left"
        if mass.silent:
            text += ", when the scale fell silent: shut the valve until it is read again"
        details = self._details(mass) | {"mark": "charge end"}
        return Status(
            "charging", f"{text}.", "charged_mass", "label charge", left, progress, _CAUTION_CHARGING, None, details
        )

    def _unsettled(self, running: Running) -> list[str]:
        missing = [role for role in (Role.LOW_SIDE, Role.HIGH_SIDE) if role not in running.channels]
        said = [_not_there(FACTS[role].label.lower(), heard=role in self._follower.series) for role in missing]
        silent_first = sorted(running.unsettled, key=lambda channel: not channel.stale)
        return said + [not_settled(channel) for channel in silent_first]

    def _running(self, running: Running, mass: Charged | None) -> Status:
        loop = self._loop(running)
        details = self._details(mass) | {"channels": channel_details(running)}
        points = cycle_points(self._fluid.name, loop)
        if points:
            details["cycle_points"] = points
        if running.cycles is not None:
            details["cycle"] = {"period_s": running.cycles.period_s, "duty": running.cycles.duty}
        if running.settled:
            text = f"The loop has {settled_sentence(running)}."
            if not self._stopped(running):
                details["mark"] = "engine off"
            return Status("settled", text, "superheat", "", 0.0, 1.0, _CAUTION_RUNNING, None, details)
        waits = self._unsettled(running)
        gone = self._gone(running)
        if gone:
            text = f"Not settled: {gone[0]}; see that it is on and connected."
            return Status("settling", text, "", "settled", None, None, _CAUTION_RUNNING, None, details)
        if self._stopped(running) or self._behind_s(running) > _BEHIND_S:
            text = f"{_STOPPED_EARLY[:1].upper()}{_STOPPED_EARLY[1:]}: start it again and mark 'engine on'."
            return Status("settling", text, "", "engine on", details=details | {"mark": "engine on"})
        others = len(waits) - 1
        more = f", and {others} other channel{'' if others == 1 else 's'}" if others else ""
        text = f"Not settled: {waits[0]}{more}."
        silent = not running.complete or any(channel.stale for channel in running.unsettled)
        left = None if silent else running.expected_s  # nothing settles that is not read
        done = running.stretch.length_s
        progress = done / (done + left) if left is not None and done > 0.0 else None
        return Status("settling", text, "", "settled", left, progress, _CAUTION_RUNNING, None, details)

    def _stopped(self, running: Running) -> bool:
        """Whether a mark said that what ran has been stopped since."""
        after = running.stretch.start_s
        return any(time_s > after and ends_running(text) for time_s, text in self._follower.marks)

    def _behind_s(self, running: Running) -> float:
        """How long ago the stretch ended that is told of as the present one."""
        return self._follower.now_s - running.stretch.end_s

    def _gone(self, running: Running) -> list[str]:
        """Pressures that fell silent: without them nobody can say that the loop still runs, and the stretch ended with them."""
        if self._stopped(running) or self._behind_s(running) <= _BEHIND_S:
            return []
        sides = {role: self._follower.series.get(role) for role in (Role.LOW_SIDE, Role.HIGH_SIDE)}
        silent_s = {role: self._follower.now_s - side.newest_s for role, side in sides.items() if side}
        return [
            f"{FACTS[role].label.lower()}: no reading for {span(seconds)}"
            for role, seconds in silent_s.items()
            if seconds > _BEHIND_S
        ]


def _beyond(over: int, mass: Charged) -> str:
    """At the label or beyond it: what is due now."""
    said = f"{over} g over the label" if over > 0 else "right on the label"
    return f"{said}: shut the valve and mark 'charge end'" if mass.flowing else f"{said}: mark 'charge end'"


def _not_there(side: str, *, heard: bool) -> str:
    return f"{side}: not watched for long enough" if heard else f"no {side} pressure was read"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _concluded(judgements: list[Judgement], settled: str) -> tuple[Outcome, str, list[str]]:
    outcome = overall(judgements)
    finding = {Outcome.PASS: "settled", Outcome.UNDECIDED: "undecided"}.get(outcome, "")
    if all(one.finding == UNWEIGHED for one in judgements if one.outcome is not Outcome.PASS):
        finding = "settled"  # the loop has come to rest, and only the mass is not known
    if not finding:
        finding = next(judgement.finding for judgement in judgements if judgement.outcome is Outcome.FAIL)
    order = {Outcome.FAIL: 0, Outcome.UNDECIDED: 1, Outcome.PASS: 2}
    told = [judgement.text for judgement in sorted(judgements, key=lambda judgement: order[judgement.outcome])]
    return outcome, finding, [*told, settled]


def _mass_details(mass: Charged) -> dict[str, Any]:
    return {
        "charged_g": mass.mass_kg * 1e3,
        "uncertainty_g": 1.96 * mass.uncertainty_kg * 1e3,
        "low_g": mass.low_kg * 1e3 if math.isfinite(mass.low_kg) else None,
        "high_g": mass.high_kg * 1e3 if math.isfinite(mass.high_kg) else None,
        "rate_g_s": mass.rate_kg_s * 1e3,
        "flowing": mass.flowing,
        "touched": [{"from_s": t.start_s, "to_s": t.end_s, "moved_g": t.moved_kg * 1e3} for t in mass.touches],
        "drift_g_s": mass.drift_kg_s * 1e3,
    }
