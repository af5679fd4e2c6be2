"""The field check: is an instrument still what its maker says, held against something known at the bench?

Four checks, each a session of its own:
- `saturation`: a pressure sensor on a cylinder or a loop that holds liquid and has stood at room temperature, against the
  saturation pressure of its refrigerant at the temperature measured beside it.
- `scale`: the step a known mass makes. Mark `mass on` when it is set down.
- `meter`: the ohmmeter on a known resistor, leads taken off.
- `manifold`: low and high side joined and at rest read the same.

What is judged is the difference from what is known. The instrument under check may be off by its maker's limit of error
(`allowed` overrides it), so its own accuracy is the limit and not an uncertainty; uncertain are what it is held against and the
scatter of the readings. Findings: `agrees`, `off`, `undecided`. A check never mends a calibration: an overdue instrument stays
overdue. One found off is held back from every pass after it (`watches.trust`) until a later check agrees. For a blend the saturation pressure lies between dew and bubble; half that width counts as uncertainty (rectangular).
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from pydantic import Field, model_validator

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.decision import assess
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import FACTS, SI_UNIT, Role
from baytrace.measure.uncertainty import K95, Budget, Contribution, mean, rectangular
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, unit_for
from baytrace.measure.verdict import Figure, Outcome, Status, Verdict
from baytrace.physics.fluids import saturation
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.contacts import Stream, bridged
from baytrace.watches.watch import View, WatchSettings

_MOST = 2048
_NO_ATMOSPHERE = int(Quality.NO_ATMOSPHERE)
_NO_STEP = 0.1  # of the known mass: less than this is no mass set down
_PEOPLE = {"Pa": (1e-3, "kPa"), "kg": (1e3, "g")}
_FIRST = {
    "saturation": "Join the sensor to a cylinder that holds liquid and has stood here, with the thermometer against its wall.",
    "scale": "Leave the scale empty and at rest, then set the known mass down and mark 'mass on'.",
    "meter": "Touch the known resistor with both tips and hold on.",
    "manifold": "Join low and high side and let them rest.",
}
_CAUTION = {
    "saturation": "A cylinder is under pressure: wear goggles and gloves, open its valve slowly, never heat it.",
    "manifold": "The loop may be under pressure: wear goggles and gloves, and do not vent refrigerant.",
}


class FieldCheckSettings(WatchSettings):
    """What is checked, and against what."""

    check: Literal["saturation", "scale", "meter", "manifold"]
    """Which check: saturation, scale, meter or manifold."""
    role: Role = Role.HIGH_SIDE
    """Which pressure is held against saturation."""
    refrigerant: str = ""
    """What the cylinder holds, for the saturation check."""
    known_mass_g: float | None = Field(default=None, gt=0.0)
    """The known mass, g."""
    known_ohm: float | None = Field(default=None, gt=0.0)
    """The known resistor, ohm."""
    known_percent: float = Field(default_factory=lambda: float(limit("field_check.known_percent")), ge=0.0)
    """Tolerance of the known mass or resistor, half-width in percent; that of an ordinary one when nobody gives it."""
    lead_ohm: float | None = Field(default=None, ge=0.0)
    """Resistance of the leads on the known resistor, ohm; 0 when nulled. Not known, it may be anything leads usually have."""
    allowed: float | None = Field(default=None, gt=0.0)
    """Largest difference that still agrees, in Pa, kg or ohm; the maker's limit of error when empty."""
    rest_s: float = Field(default_factory=lambda: float(limit("field_check.rest_s")), gt=0.0)
    """How long readings must have stood, s."""

    @model_validator(mode="after")
    def _complete(self) -> FieldCheckSettings:
        needs = {"saturation": "refrigerant", "scale": "known_mass_g", "meter": "known_ohm"}.get(self.check)
        if needs and not getattr(self, needs):
            raise ValueError(f"the {self.check} check needs {needs}")
        if FACTS[self.role].quantity.value != "pressure":
            raise ValueError(f"{self.role} is no pressure")
        return self


@dataclass(frozen=True, slots=True)
class Comparison:
    """`difference` = shown - known, with its budget; all SI. `checked` names the channels that answer for it; `drift` over the rest."""

    shown: float
    known: float
    budget: Budget
    allowed: float
    unit: str
    instrument: str
    checked: tuple[str, ...]
    drift: float = 0.0
    against: str = "what is known"
    below: float = 0.0
    above: float = 0.0
    unknown: str = ""
    """By how much the difference may be smaller or larger for something not known, and what would tell it."""


class _Record:
    """The newest readings of one role, over `span_s`."""

    def __init__(self, span_s: float) -> None:
        self._span_ns = int(span_s * NS)
        self.points: deque[tuple[int, float]] = deque(maxlen=_MOST)
        self.channel = ""
        self.no_atmosphere = False

    def add(self, reading: Reading) -> None:
        self.channel = reading.channel
        self.no_atmosphere = bool(reading.quality & _NO_ATMOSPHERE)
        self.points.append((reading.time_ns, reading.value))
        while self.points[-1][0] - self.points[0][0] > self._span_ns:
            self.points.popleft()

    def span_s(self) -> float:
        return (self.points[-1][0] - self.points[0][0]) / NS if self.points else 0.0

    def values(self) -> list[float]:
        return [value for _, value in self.points]


class FieldCheck:
    """One instrument against something known."""

    name: ClassVar[str] = "field_check"
    roles: ClassVar[frozenset[str]] = frozenset(
        str(role) for role in Role if role not in (Role.BAROMETER, Role.AUXILIARY, Role.AMBIENT_HUMIDITY)
    )
    Settings: ClassVar[type[WatchSettings]] = FieldCheckSettings
    marks: ClassVar[tuple[str, ...]] = ("mass on",)
    summary: ClassVar[str] = "A sensor, scale, meter or manifold against something known."

    def __init__(self, settings: Any, view: View) -> None:
        self._settings: FieldCheckSettings = settings
        self._channels = dict(view.channels)
        self._records: dict[Role, _Record] = {}
        self._before: list[float] = []
        self._mass_on: int | None = None
        self._marked_unread = False
        self._meter = Stream(settings.known_ohm)
        self._meter_channel = ""

    def reading(self, reading: Reading) -> None:
        quality = Quality(reading.quality)
        if reading.role is Role.COIL_RESISTANCE:
            self._resistance(reading, quality)
        elif quality.usable and not quality & Quality.SUSPECT and math.isfinite(reading.value):
            late = self._mass_on is not None and reading.time_ns < self._mass_on + int(
                limit("field_check.settle_s") * NS
            )
            if reading.role is not Role.TANK_MASS or not late:
                record = self._records.setdefault(reading.role, _Record(self._settings.rest_s))
                if not record.points or reading.time_ns >= record.points[-1][0]:
                    record.add(reading)

    def _resistance(self, reading: Reading, quality: Quality) -> None:
        is_open = bool(quality & Quality.OPEN_CIRCUIT) or math.isinf(reading.value)
        late = self._meter.last is not None and reading.time_ns < self._meter.last
        if late or (not is_open and (not quality.usable or math.isnan(reading.value))):
            return
        self._meter_channel = reading.channel
        self._meter.take(reading.time_ns, reading.value, open_circuit=is_open)

    def mark(self, mark: Mark) -> None:
        if mark.text.strip().lower() != "mass on":
            return
        values = self._records[Role.TANK_MASS].values() if Role.TANK_MASS in self._records else []
        self._marked_unread = not values and self._mass_on is None
        if values and not self._still_on(values):
            del self._records[Role.TANK_MASS]
            self._before, self._mass_on = self._empty(values), mark.time_ns

    def _still_on(self, values: Sequence[float]) -> bool:
        """Whether the mass of an earlier mark lies there: a mark said twice changes nothing."""
        return bool(self._before) and abs(mean(values).value - mean(self._before).value) > 0.5 * self._known_kg

    def _empty(self, values: list[float]) -> list[float]:
        """What the scale showed before the mass lay on it, though the mark came some seconds after."""
        base = statistics.median(values[: max(1, len(values) // 3)])
        laid = next((i for i, value in enumerate(values) if abs(value - base) > 0.5 * self._known_kg), None)
        return values if laid is None else values[: max(laid - 1, 1)]

    @property
    def _tolerance_said(self) -> bool:
        return "known_percent" in self._settings.model_fields_set

    @property
    def _known_kg(self) -> float:
        return (self._settings.known_mass_g or 0.0) / 1000.0

    def advance(self, time_ns: int) -> None:
        """Time alone compares nothing."""

    def status(self) -> Status:
        check, verdict = self._settings.check, self.verdict()
        caution = _CAUTION.get(check, "")
        if "difference" not in verdict.evidence:
            missing = verdict.reasons[0] if verdict.reasons else ""
            begun = self._mass_on is not None or self._marked_unread
            said = f"{missing[:1].upper()}{missing[1:]}." if begun else _FIRST[check]
            return Status("comparing", said, "difference", missing, caution=caution)
        told = verdict.reasons if verdict.outcome is Outcome.UNDECIDED else verdict.reasons[:1]
        return Status(verdict.finding, f"{'; '.join(told)}.", "difference", caution=caution)

    def verdict(self) -> Verdict:
        try:
            compared = self._compare()
        except BadInput as error:
            return Verdict(self.name, Outcome.UNDECIDED, "undecided", (str(error),))
        u, difference = compared.budget.u, compared.shown - compared.known
        figure = Figure(
            difference,
            compared.unit,
            difference - K95 * u - compared.below,
            difference + K95 * u + compared.above,
            0.95,
        )
        decision = assess(figure, upper=compared.allowed, lower=-compared.allowed)
        outcome = decision.outcome
        half, unit = K95 * u, compared.unit
        about = half or compared.allowed
        said = f"{compared.instrument} differs by {_shown(difference, unit, about, '+')} from {compared.against}"
        allowed = f"{_shown(compared.allowed, unit, about)} either way is allowed"
        reasons = [f"{said} (± {_shown(half, unit, about)}); {allowed}"]
        largest = compared.budget.largest()
        if compared.unknown:
            span = f"{_shown(compared.below, unit, compared.below)} less"
            span += f" or {_shown(compared.above, unit, compared.above)} more" if compared.above else ""
            reasons.append(f"{compared.unknown}; until then the difference may be up to {span}")
        elif outcome is Outcome.UNDECIDED and largest is not None:
            enough = K95 * compared.budget.allowed(largest, decision.needed_u)
            coarse, needed = (_shown(value, unit, value) for value in (K95 * largest.u, enough))
            own = (
                ""
                if self._tolerance_said or not largest.name.startswith("the known")
                else "; give its own as known_percent"
            )
            reasons.append(
                f"{largest.instrument or largest.name} is too coarse: ± {coarse}, ± {needed} would decide{own}"
            )
        if abs(compared.drift) > limit("field_check.drift_ratio") * compared.allowed:
            outcome = Outcome.UNDECIDED
            moved = _shown(compared.drift, unit, compared.drift)
            reasons.append(f"not at rest: moved by {moved} in {self._settings.rest_s:g} s; let it stand")
        finding = {Outcome.PASS: "agrees", Outcome.FAIL: "off"}.get(outcome, "undecided")
        more: dict[str, Any] = {"check": self._settings.check, "checked": list(compared.checked)}
        if self._settings.allowed is not None:
            more["allowed_by"] = "settings"
        evidence = {
            "difference": figure,
            "allowed_difference": Figure(compared.allowed, compared.unit),
            "shown": Figure(compared.shown, compared.unit),
            "known": Figure(compared.known, compared.unit),
        }
        return Verdict(self.name, outcome, finding, tuple(reasons), evidence, more)

    def _compare(self) -> Comparison:
        """Raises BadInput saying what is still missing."""
        return {
            "saturation": self._saturation,
            "scale": self._scale,
            "meter": self._ohmmeter,
            "manifold": self._manifold,
        }[self._settings.check]()

    def _rested(self, role: Role) -> tuple[Channel, list[float]]:
        record = self._records.get(role)
        if record is None:
            raise BadInput(f"no reading of {FACTS[role].label} yet", right="see that it is on and connected")
        if record.span_s() < 0.9 * self._settings.rest_s:
            raise BadInput(
                f"{FACTS[role].label} has stood for {record.span_s():.0f} s",
                right=f"{self._settings.rest_s:g} s are needed",
            )
        return self._channel(record.channel, role), record.values()

    def _at_one_time(self, *roles: Role) -> None:
        """Raises BadInput where one of two that are compared had fallen silent when the other was read."""
        ends = [self._records[role].points[-1][0] for role in roles]
        late_s = (max(ends) - min(ends)) / NS
        if late_s > 0.5 * self._settings.rest_s:
            silent = FACTS[roles[ends.index(min(ends))]].label
            raise BadInput(f"{silent} has said nothing for {late_s:.0f} s", right="both must be read at the same time")

    def _channel(self, name: str, role: Role) -> Channel:
        known = self._channels.get(name)
        if known is not None:
            return known
        unit = unit_for(role, SI_UNIT[FACTS[role].quantity])
        return Channel(name, role, unit, Accuracy.parse(limit(f"instruments.{role}"), unit=unit))

    def _maker(self, channel: Channel, value: float) -> float:
        """The maker's limit of error in SI at a reading, or what the settings allow."""
        return self._settings.allowed or channel.standard_uncertainty(value) * math.sqrt(3.0)

    def _saturation(self) -> Comparison:
        channel, pressures = self._rested(self._settings.role)
        at = Role.SYSTEM_TEMPERATURE if Role.SYSTEM_TEMPERATURE in self._records else Role.AMBIENT_AIR
        thermometer, temperatures = self._rested(at)
        self._at_one_time(self._settings.role, at)
        celsius, shown = mean(temperatures), mean(pressures)
        u_t = math.hypot(thermometer.standard_uncertainty(celsius.value), celsius.u)
        here = saturation(self._settings.refrigerant, temperature_k=celsius.value)
        above = saturation(self._settings.refrigerant, temperature_k=celsius.value + 0.5)
        slope = 2.0 * (above.pressure_pa - here.pressure_pa)
        budget = (
            Budget()
            .with_part("temperature", slope * u_t, _called(thermometer))
            .with_part("glide", rectangular((here.bubble_pressure_pa - here.dew_pressure_pa) / 2.0), "the blend")
            .with_part("scatter", shown.u, _called(channel))
        )
        drift = _drift(pressures) - slope * _drift(temperatures)
        allowed = self._maker(channel, shown.value)
        low, high = self._weather(self._settings.role)
        return Comparison(
            shown.value,
            here.pressure_pa,
            budget,
            allowed,
            "Pa",
            _called(channel),
            (channel.name,),
            drift,
            below=low,
            above=high,
            unknown="the air pressure is unknown: set elevation_m of the bench, or connect a barometer" if low else "",
        )

    def _weather(self, role: Role) -> tuple[float, float]:
        """By how much an absolute pressure made with the standard atmosphere may be too high or too low, Pa."""
        if not self._records[role].no_atmosphere:
            return 0.0, 0.0
        lowest, highest = limit("decision.atmosphere_pa")
        return STANDARD_ATMOSPHERE_PA - float(lowest), float(highest) - STANDARD_ATMOSPHERE_PA

    def _scale(self) -> Comparison:
        known = self._known_kg
        if self._marked_unread:
            raise BadInput(
                "'mass on' was marked before the scale was ever read",
                right="take the mass off, let the empty scale be read, set it down and mark again",
            )
        if self._mass_on is None or not self._before:
            raise BadInput("the mass is not on yet", right="mark 'mass on' when it is set down")
        record = self._records.get(Role.TANK_MASS)
        if record is None or len(record.points) < 3:
            raise BadInput("the scale has not settled since the mass was set down", right="wait a little")
        channel = self._channel(record.channel, Role.TANK_MASS)
        before, after = mean(self._before), mean(record.values())
        if abs(after.value - before.value) < _NO_STEP * known:
            raise BadInput(
                "the scale shows no step since 'mass on' was marked",
                right="leave it empty and at rest, set the mass down and mark again",
            )
        budget = self._given(known, "the known mass").with_part(
            "scatter", math.hypot(before.u, after.u), _called(channel)
        )
        drift = _drift(record.values())
        allowed = self._maker(channel, known)
        return Comparison(
            after.value - before.value, known, budget, allowed, "kg", _called(channel), (channel.name,), drift
        )

    def _ohmmeter(self) -> Comparison:
        known = self._settings.known_ohm or 0.0
        contacts, _ = bridged(self._meter.parts(), self._meter.hand_ohm, self._meter.period_ns, limit("sweep.bounce_s"))
        if not contacts:
            raise BadInput("no contact with the resistor yet", right="touch it with both tips")
        state = contacts[-1].settled()
        if not state.steady:
            raise BadInput(f"the contact is unsteady: {state.low:.4g} to {state.high:.4g} ohm", right="hold it still")
        channel = self._channel(self._meter_channel, Role.COIL_RESISTANCE)
        budget = (
            self._given(known, "the known resistor")
            .with_part("contact", rectangular(limit("sweep.contact_ohm")), "the contact")
            .with_part("scatter", state.u, _called(channel))
        )
        allowed = self._maker(channel, state.value)
        leads = self._settings.lead_ohm
        shown = state.value - (leads or 0.0)
        below = float(limit("sweep.lead_unknown_ohm")) if leads is None else 0.0
        unknown = "" if leads is not None else "the leads are unknown: null them or set lead_ohm"
        return Comparison(
            shown, known, budget, allowed, "ohm", _called(channel), (channel.name,), below=below, unknown=unknown
        )

    def _manifold(self) -> Comparison:
        low_channel, low = self._rested(Role.LOW_SIDE)
        high_channel, high = self._rested(Role.HIGH_SIDE)
        self._at_one_time(Role.LOW_SIDE, Role.HIGH_SIDE)
        low_mean, high_mean = mean(low), mean(high)
        budget = Budget().with_part("scatter", math.hypot(low_mean.u, high_mean.u), "the pressures themselves")
        allowed = self._settings.allowed or (
            self._maker(low_channel, low_mean.value) + self._maker(high_channel, high_mean.value)
        )
        drift = max(_drift(low), _drift(high), key=abs)
        checked = (low_channel.name, high_channel.name)
        high_called, low_called = _called(high_channel), _called(low_channel)
        return Comparison(
            high_mean.value, low_mean.value, budget, allowed, "Pa", high_called, checked, drift, against=low_called
        )

    def _given(self, known: float, name: str) -> Budget:
        return Budget((Contribution(name, rectangular(self._settings.known_percent / 100.0 * known), name),))


def _shown(value: float, unit: str, about: float, sign: str = "") -> str:
    """In a unit people read, to two digits of `about` (what it is uncertain by); `unit` is SI."""
    scale, name = _PEOPLE.get(unit, (1.0, unit))
    size = abs(about) * scale
    decimals = min(max(1 - math.floor(math.log10(size)), 0), 4) if size > 0.0 else 2
    said = f"{value * scale:{sign}.{decimals}f}"
    return f"{'0' if float(said) == 0.0 else said} {name}"


def _called(channel: Channel) -> str:
    return channel.instrument or channel.name


def _drift(values: Sequence[float]) -> float:
    """From the first third to the last."""
    third = max(1, len(values) // 3)
    return math.fsum(values[-third:]) / third - math.fsum(values[:third]) / third


WATCH = FieldCheck
