"""The watch itself: takes readings and marks, and says where the sweep stands."""

from __future__ import annotations

import itertools
import math
import re
from bisect import bisect_left
from typing import Any, ClassVar

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading, usable
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Status, Verdict
from baytrace.physics.coils import COPPER_VALID_DEGC
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.bank import conclude
from baytrace.watches.sweep.coil import Coil, Leads, Temperature, judge_coil, ohms, spanned
from baytrace.watches.sweep.contacts import Stream, Touch, bridged
from baytrace.watches.sweep.naming import LEADS, Named, Span, by_contact, by_mark, meaning
from baytrace.watches.sweep.settings import SweepSettings
from baytrace.watches.watch import View, WatchSettings

_MOST_TEMPERATURES = 4096
_MANY_ALIKE = 3
_OPEN, _SUSPECT = int(Quality.OPEN_CIRCUIT), int(Quality.SUSPECT)


class Sweep:
    """Coil resistances, one after another."""

    name: ClassVar[str] = "sweep"
    roles: ClassVar[frozenset[str]] = frozenset({str(Role.COIL_RESISTANCE), str(Role.COIL_TEMPERATURE)})
    Settings: ClassVar[type[WatchSettings]] = SweepSettings
    summary: ClassVar[str] = "Coil after coil on one ohmmeter: each resistance at 20 degC, and the odd one out."

    def __init__(self, settings: Any, view: View) -> None:
        self._settings: SweepSettings = settings
        self._channels = dict(view.channels)
        self._streams: dict[str, Stream] = {}
        self._spans: list[Span] = []
        self._leads_said: int | None = None
        self._temperatures: list[tuple[int, float]] = []
        self._thermometer = ""
        self._temperature_step = NS

    def reading(self, reading: Reading) -> None:
        quality = reading.quality
        if reading.role is Role.COIL_TEMPERATURE:
            # a thermometer that shows what no winding bears measures no coil
            if usable(quality) and COPPER_VALID_DEGC[0] <= reading.value - 273.15 <= COPPER_VALID_DEGC[1]:
                self._warm(reading)
            return
        if reading.role is not Role.COIL_RESISTANCE:
            return
        is_open = bool(quality & _OPEN) or math.isinf(reading.value)
        if not is_open and (not usable(quality) or quality & _SUSPECT or math.isnan(reading.value)):
            return
        stream = self._streams.get(reading.channel)
        if stream is None:
            stream = self._streams[reading.channel] = Stream(self._settings.limits[1])
        if stream.last is not None and reading.time_ns < stream.last:
            return
        if stream.take(reading.time_ns, reading.value, open_circuit=is_open) and self._spans:
            span = self._spans[-1]
            if reading.time_ns >= span.start:
                span.opens += 1

    def mark(self, mark: Mark) -> None:
        position = meaning(mark.text)
        if position is None:
            return
        if position == LEADS:
            self._leads_said = mark.time_ns
        start = max([mark.time_ns, *(span.start for span in self._spans[-1:])])
        # a reading of this very instant may have come first
        heard = sum(1 for stream in self._streams.values() if stream.last_open == mark.time_ns)
        self._spans.append(Span(position, start, opens=heard))

    def advance(self, time_ns: int) -> None:
        """Time alone says nothing about coils: every gap is judged between readings."""

    def _warm(self, reading: Reading) -> None:
        self._thermometer = reading.channel
        kept = self._temperatures
        if kept and reading.time_ns - kept[-1][0] < self._temperature_step:
            return
        kept.append((reading.time_ns, reading.value - 273.15))
        if len(kept) > _MOST_TEMPERATURES:
            del kept[1:-1:2]
            self._temperature_step *= 2

    def verdict(self) -> Verdict:
        named, coils = self._coils()
        frozen = self._frozen(named)
        if frozen:
            named.doubts.append(frozen)
        return conclude(coils, named, self._settings, self._leads(named), self._temperature_of(coils, named))

    def status(self) -> Status:
        named, coils = self._coils()
        touching = self._touching()
        done = [coil for coil in coils if coil.finding != "missing"]
        nearest = self._next(named, done)
        last = max(done, key=lambda coil: self._touched_ns(named, coil), default=None)
        details: dict[str, Any] = {
            "coils": [coil.to_json() for coil in coils],
            "done": [coil.position for coil in done],
            "count": self._settings.coils,
            "next": nearest,
            "touching": touching is not None,
            "limits": self._limits(),
        }
        if last is not None:
            details["last"] = last.to_json()
            if last.compared is not None:
                details["shown"] = {"name": f"coil {last.position}", **last.compared.to_json()}
        if touching is not None:
            state = touching.settled()
            details["now"] = _under_probes(named, touching) or nearest
            details["shown"] = {"name": "under the probes now", "value": state.value, "unit": "ohm"}
        count = self._settings.coils
        progress = sum(coil.position <= count for coil in done) / count if count else None
        sentence, phase, waiting = self._sentence(touching, last, nearest, done, counted=named.by_mark)
        return Status(phase, sentence, headline="bank_median", waiting_for=waiting, progress=progress, details=details)

    def _frozen(self, named: Named) -> str:
        """What to do where the readings do not tell a meter that measures from one that stands still; empty where they do."""
        if len(self._streams) != 1:
            return ""
        stream = next(iter(self._streams.values()))
        parts = stream.parts()
        shown = {value for part in parts for value in part.values}
        many = sum(len(part.values) for part in parts) > max(2, 2 * len(named.coils))
        if stream.opens or len(shown) != 1 or not many or 1 < len(parts) < _MANY_ALIKE:
            return ""
        return (
            f"the meter showed {ohms(shown.pop())} and nothing else all the while, which a frozen one does too: lift the tips until it "
            "shows that nothing is connected"
        )

    def _limits(self) -> dict[str, Any]:
        """What a coil is judged by, ohm at the reference temperature; None where there is no limit."""
        low, high = self._settings.limits
        return {"low": low, "high": high, "reference_c": self._settings.reference_c}

    def _sentence(
        self, touching: Touch | None, last: Coil | None, nearest: int | None, done: list[Coil], *, counted: bool
    ) -> tuple[str, str, str]:
        if touching is not None:
            state = touching.settled()
            if state.steady and state.n >= 3:
                return f"Steady at {ohms(state.value)}. Lift off.", "steady", "lifting off"
            return "Hold the contact until it is steady.", "settling", "a steady reading"
        told = "" if last is None else f"Coil {last.position}:{self._value(last)} {last.finding}. "
        if nearest is None:
            open_ends = [str(coil.position) for coil in done if coil.finding in ("unsteady", "undecided")]
            which = f"coil{'' if len(open_ends) == 1 else 's'} {', '.join(open_ends)}"
            rest = f" Not decided: {which}; the verdict says why." if open_ends else ""
            return f"{told}All coils are done.{rest}", "done", ""
        return (
            f"{told}Touch coil {nearest}{self._of(nearest, counted=counted)}.",
            "waiting",
            f"contact with coil {nearest}",
        )

    def _of(self, position: int, *, counted: bool) -> str:
        count = self._settings.coils
        if count is None:
            return "" if counted else "; how many there are is not set"
        return f" of {count}" if position <= count else f", though the bank has {count}"

    def _value(self, coil: Coil) -> str:
        """What was read, with a comma; between which values, where it was unsteady."""
        figure = coil.compared
        if figure is None:
            return ""
        if coil.finding == "unsteady" and figure.low is not None and figure.high is not None:
            return f" {spanned(figure.low, figure.high)},"
        at = f" at {self._settings.reference_c:g} degC" if coil.at_reference is not None else ""
        return f" {ohms(figure.value)}{at},"

    def _touched_ns(self, named: Named, coil: Coil) -> int:
        """When it was touched last, or said to be touched, if it is open."""
        touches = named.coils.get(coil.position)
        if touches:
            return max(touch.end for touch in touches)
        return max((span.start for span in self._spans if span.position == coil.position), default=0)

    def _touching(self) -> Touch | None:
        """The contact being made right now."""
        newest = max(self._streams.values(), key=lambda stream: stream.last or 0, default=None)
        return newest.touches[-1] if newest is not None and newest.touching else None

    def _next(self, named: Named, done: list[Coil]) -> int | None:
        if named.by_mark and self._spans and self._spans[-1].position > 0:
            said = self._spans[-1].position
            if said not in {coil.position for coil in done}:
                return said
        have = {coil.position for coil in done}
        count = self._settings.coils
        wanted = self._settings.sequence or range(1, (count or len(have) + 1) + 1)
        return next((position for position in wanted if position not in have), None)

    def _coils(self) -> tuple[Named, list[Coil]]:
        named = self._named()
        leads = self._leads(named)
        count = self._settings.coils or max(named.coils, default=0)
        coils = []
        for position in sorted(set(named.coils) | set(range(1, count + 1))):
            touches = named.coils.get(position, [])
            if touches:
                channel = self._channel(named, position)
                coils.append(
                    judge_coil(
                        position, touches, channel, self._settings, leads=leads, temperature=self._temperature(touches)
                    )
                )
            elif named.opens.get(position, 0):
                coils.append(Coil(position, "open", note="open while it was touched"))
            else:
                coils.append(Coil(position, "missing", note="no contact seen"))
        _unsure(coils, named)
        return named, coils

    def _named(self) -> Named:
        order = self._settings.order
        names = sorted(self._streams, key=_natural)
        if order == "channel" or (order == "auto" and len(self._heard_of()) > 1):
            return self._by_channel()
        if not names:
            return Named(by_mark=any(span.position > 0 for span in self._spans))
        stream = self._streams[names[0]]
        contacts, scraps = bridged(stream.parts(), stream.hand_ohm, stream.period_ns, limit("sweep.bounce_s"))
        marked = any(span.position > 0 for span in self._spans)
        if order == "mark" or (order == "auto" and marked):
            # marks cut what ran on, so bouncing contacts of one coil are put together here, by name
            return by_mark(
                [*contacts, *self._single(stream, contacts)], self._spans, stream.period_ns, stream.last or 0
            )
        contacts = self._quick(stream, contacts)
        named = by_contact(
            contacts, self._settings.coils, self._settings.sequence, self._leads_said, period_ns=stream.period_ns
        )
        self._doubt_holes(named, stream, contacts)
        if scraps and self._settings.coils and named.found < self._settings.coils:
            named.doubts.append(f"{scraps} contact{'s' if scraps > 1 else ''} too short or too wild to read")
        return named

    def _quick(self, stream: Stream, contacts: list[Touch]) -> list[Touch]:
        """A quick hand lifts for less than a bounce; believed when that gives the right count and every lift is much the same."""
        count = self._settings.coils
        if count is None or len(contacts) >= count:
            return contacts
        finer, _ = bridged(stream.parts(), stream.hand_ohm, stream.period_ns, 0.0)
        lifts = [after.start - before.end for before, after in itertools.pairwise(finer)]
        even = bool(lifts) and min(lifts) >= limit("sweep.repeat_ratio") * max(lifts)
        return finer if len(finer) == count and even else contacts

    def _single(self, stream: Stream, contacts: list[Touch]) -> list[Touch]:
        """Under a coil's mark even a single reading counts, where nothing better was touched."""
        spans = [span for span in self._spans if span.position > 0]
        edges = [*(span.start for span in spans[1:]), None]
        extra = []
        for span, end in zip(spans, edges, strict=True):
            taken = any(touch.end >= span.start and (end is None or touch.start < end) for touch in contacts)
            if not taken:
                extra += [
                    part
                    for part in stream.parts()
                    if part.start >= span.start
                    and (end is None or part.start < end)
                    and part.values[0] <= stream.hand_ohm
                ]
        return extra

    def _doubt_holes(self, named: Named, stream: Stream, contacts: list[Touch]) -> None:
        if len(contacts) < 1:
            return
        reach = max((after.end - before.end for before, after in itertools.pairwise(contacts)), default=30 * NS)
        hole = stream.hole(contacts[0].start - reach, contacts[-1].end + reach)
        if hole is not None:
            named.doubts.append(
                f"the meter was silent for {(hole[1] - hole[0]) / NS:.1f} s during the sweep: a contact may have gone unseen"
            )

    def _heard_of(self) -> list[str]:
        declared = {name for name, channel in self._channels.items() if channel.role is Role.COIL_RESISTANCE}
        return sorted(declared | set(self._streams), key=_natural)

    def _by_channel(self) -> Named:
        """Each channel is one coil, in the natural order of names."""
        named = Named()
        for position, name in enumerate(self._heard_of(), 1):
            stream = self._streams.get(name)
            contacts = (
                bridged(stream.parts(), stream.hand_ohm, stream.period_ns, limit("sweep.bounce_s"))[0]
                if stream is not None
                else []
            )
            if contacts:
                named.coils[position] = contacts
                named.found += 1
            elif stream is not None:
                named.opens[position] = stream.opens
        named.by_mark = True
        return named

    def _channel(self, named: Named, position: int) -> Channel:
        names = self._heard_of()
        by_channel = self._settings.order == "channel" or (self._settings.order == "auto" and len(names) > 1)
        name = (
            names[position - 1] if by_channel and named.coils else next(iter(sorted(self._streams, key=_natural)), "")
        )
        return self._channels.get(name) or _assumed(name or "coil_resistance", Role.COIL_RESISTANCE, "ohm")

    def _leads(self, named: Named) -> Leads:
        if self._settings.lead_ohm is not None:
            return Leads(self._settings.lead_ohm, 0.0, known=True)
        if named.leads is None:
            return Leads()
        state = named.leads.settled()
        channel = self._channel(named, 1)
        # what the meter is off by at zero it is off by at the coil too; only the part at the leads themselves counts anew
        u = math.hypot(state.u, channel.standard_uncertainty(state.value))
        return Leads(state.value, u, known=True)

    def _temperature(self, touches: list[Touch]) -> Temperature | None:
        """Around the contact, else the nearest that is not too old."""
        if self._settings.temperature_c is not None:
            return Temperature(self._settings.temperature_c, self._settings.said_u_k, "the temperature set")
        if not self._temperatures:
            return None
        start, end = touches[0].start, touches[-1].end
        near = 30 * NS
        begin = bisect_left(self._temperatures, (start - near, -math.inf))
        stop = bisect_left(self._temperatures, (end + near, math.inf))
        around = [celsius for _, celsius in self._temperatures[begin:stop]]
        if not around:
            time_ns, celsius = min(self._temperatures, key=lambda pair: abs(pair[0] - start))
            if abs(time_ns - start) > limit("sweep.temperature_age_s") * NS:
                return None
            around = [celsius]
        channel = self._channels.get(self._thermometer) or _assumed(self._thermometer, Role.COIL_TEMPERATURE, "degC")
        celsius = math.fsum(around) / len(around)
        return Temperature(celsius, channel.standard_uncertainty(celsius + 273.15), channel.instrument or channel.name)

    def _temperature_of(self, coils: list[Coil], named: Named) -> Temperature | None:
        touched = [named.coils[coil.position] for coil in coils if named.coils.get(coil.position)]
        return self._temperature(touched[0]) if touched else None


def _under_probes(named: Named, touching: Touch) -> int | None:
    """Which coil the contact being made right now counts for; None while it counts for none yet."""
    return next((place for place, touches in named.coils.items() if touches and touches[-1].end == touching.end), None)


def _unsure(coils: list[Coil], named: Named) -> None:
    """Where the naming may be off, a finding stands only when every contact that may be that coil has the same."""
    if not named.back and not named.ahead:
        return
    by_position = {coil.position: coil for coil in coils}
    inline = [by_position[position] for position in named.order]
    findings = [coil.finding for coil in inline]
    for index, coil in enumerate(inline):
        possible = findings[max(0, index - named.back) : index + named.ahead + 1]
        if len(set(possible)) > 1 and coil.finding != "undecided":
            coil.as_touched, coil.finding = coil.finding, "undecided"
            coil.note = f"touched as {coil.as_touched}, but which coil that was is not sure"


def _assumed(name: str, role: Role, unit: str) -> Channel:
    """A channel nobody declared, with the accuracy assumed for its role."""
    settled = unit_for(role, unit)
    return Channel(name, role, settled, Accuracy.parse(limit(f"instruments.{role}"), unit=settled))


def _natural(name: str) -> list[tuple[int, int, str]]:
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", name) if part]
