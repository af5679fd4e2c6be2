"""Laws that every running loop obeys, whatever the car: checked before any table of what is usual.

Rules of this file:
- Pure: a `Scene` in, `Breach`es out, the plainest first. No clock, no table of cars.
- A law is broken only when the whole 95 % interval says so (JCGM 106:2012, 8.3); one that cannot be checked is skipped.
- A breach is said in plain words: what contradicts what, by how much, what to look at. It never names a fault of the car,
  except that nothing pumps.

Theory. A compressor takes from one side and presses into the other: from rest, with both sides equal, the low side falls and the high
side rises. Heat flows by itself only downhill: the condenser gives it to the air, so it condenses above the air; the evaporator
takes it from the air, so the vent blows no colder than it boils. Vapour is never colder than the liquid it boils from, and
liquid under its own vapour never warmer than it boils.

Limits. The laws of vent and suction line are not checked in the mean of cycles, where the pressure's mean boils warmer than its
temperatures' mean. A clamp on a warm pipe shows it colder, so a line may lie that much on the wrong side. A liquid line colder than the
air breaks no law (behind a restriction liquid flashes), so it is a sign: no pass beside it, and no verdict taken away.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from baytrace.measure.roles import FACTS, Role
from baytrace.measure.verdict import Figure
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import Loop, Value

_BAR = 1e5
_LOOK_AT_GAUGES = "Look at both hoses, at the gauges' zero and at their units."


class Kind(StrEnum):
    """What a breach does to a verdict: an instrument's leaves it undecided, no pumping is a finding of its own, contents
    (what is in the loop) and a sign keep a pass away.
    """

    INSTRUMENT = "instrument"
    PUMPING = "pumping"
    CONTENTS = "contents"
    SIGN = "sign"


@dataclass(frozen=True, slots=True)
class Breach:
    """A law that is broken for certain. `by` is by how much, at 95 %; `roles` are the channels that contradict each other."""

    law: str
    kind: Kind
    text: str
    roles: tuple[Role, ...] = ()
    by: Figure | None = None

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {
            "law": self.law,
            "kind": str(self.kind),
            "said": self.text,
            "channels": [str(role) for role in self.roles],
        }
        return data if self.by is None else data | {"by": self.by.to_json()}


@dataclass(frozen=True, slots=True)
class Rest:
    """The loop before the start (Pa absolute, K). `still`: neither side moved any more. `excess` is the saturation temperature
    of the standing pressure above the loop's own.
    """

    low: Value
    high: Value
    still: bool
    excess: Value | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """What the laws are held against. `started`: somebody marked that the engine runs. `known_fluid`: the refrigerant was named,
    not assumed. `frozen` are channels that stand still where a living one shows noise or the start.
    """

    loop: Loop
    rest: Rest | None = None
    started: bool = False
    cycling: bool = False
    known_fluid: bool = True
    frozen: tuple[Role, ...] = ()
    negative: tuple[tuple[Role, Value], ...] = ()


def breaches(scene: Scene) -> list[Breach]:
    """Every law that is broken for certain. What explains others stands alone: a swapped hose breaks nearly every law."""
    first = [*_below_zero(scene), *_frozen(scene)]
    if first:
        return first
    for group in (_swapped_hoses, _not_pumping):
        if found := list(group(scene)):
            return found
    return [*_at_rest(scene), *_from_rest(scene), *_saturation(scene), *_lines(scene), *_standing(scene)]


def withholds(found: list[Breach]) -> list[Breach]:
    """Those after which no verdict on the loop stands."""
    return [breach for breach in found if breach.kind is Kind.INSTRUMENT]


def _name(role: Role) -> str:
    return FACTS[role].label.lower()


def _figure(gap: Value, unit: str) -> Figure:
    return gap.figure(unit)


def _kelvin(gap: Value) -> str:
    return f"{gap.value:.1f} K (at least {max(gap.low, 0.0):.1f})"


def _bar(gap: Value) -> str:
    return f"{gap.value / _BAR:.2f} bar (at least {max(gap.low, 0.0) / _BAR:.2f})"


def _alike(value: Value) -> Value:
    """A value to compare with another that the same unknown atmosphere shifts alike."""
    return Value(value.value, value.u)


# -- instruments that cannot be right


def _below_zero(scene: Scene) -> Iterator[Breach]:
    for role, value in scene.negative:
        yield Breach(
            "no absolute pressure below zero",
            Kind.INSTRUMENT,
            f"The {_name(role)} reads {value.value / _BAR:.2f} bar absolute: no pressure lies below zero. "
            "Look at the gauge's unit, its zero, and whether it counts from the air or from nothing.",
            (role,),
            _figure(value, "Pa"),
        )


def _frozen(scene: Scene) -> Iterator[Breach]:
    for role in scene.frozen:
        yield Breach(
            "a living channel moves",
            Kind.INSTRUMENT,
            f"The {_name(role)} shows one and the same number, without noise and without the start: it is frozen. "
            "Look at the instrument, its wire and its cock.",
            (role,),
        )


def _swapped_hoses(scene: Scene) -> Iterator[Breach]:
    low, high = scene.loop.get("low_side"), scene.loop.get("high_side")
    if low is None or high is None or not scene.started:
        return
    gap = _alike(low) - _alike(high)
    if gap.low > limit("laws.hoses_swapped"):
        yield Breach(
            "high side above low side",
            Kind.INSTRUMENT,
            f"The engine runs and the low side stands {_bar(gap)} above the high side. "
            "The hoses, or the two channels, look swapped.",
            (Role.LOW_SIDE, Role.HIGH_SIDE),
            _figure(gap, "Pa"),
        )


def _not_pumping(scene: Scene) -> Iterator[Breach]:
    ratio, most = scene.loop.get("pressure_ratio"), limit("pressures.equalised_ratio")
    if ratio is None or not scene.started or ratio.high >= most:
        return
    yield Breach(
        "a running compressor parts the pressures",
        Kind.PUMPING,
        f"The engine runs and both sides stand nearly equal (ratio {ratio.value:.2f}, at most {ratio.high:.2f}; a running compressor "
        f"makes more than {most:g}): nothing pumps. Look at the clutch, its relay and fuse, the pressure switch, the belt.",
        (Role.LOW_SIDE, Role.HIGH_SIDE),
        _figure(ratio, "1"),
    )


# -- rest and the start


def _at_rest(scene: Scene) -> Iterator[Breach]:
    if scene.rest is None or not scene.rest.still:
        return
    sides = {Role.LOW_SIDE: _alike(scene.rest.low), Role.HIGH_SIDE: _alike(scene.rest.high)}
    upper, lower = sorted(sides, key=lambda role: -sides[role].value)
    gap = sides[upper] - sides[lower]
    if gap.low > limit("laws.rest_difference"):
        yield Breach(
            "both sides equal at rest",
            Kind.INSTRUMENT,
            f"Before the start both sides stood still, the {_name(upper)} {_bar(gap)} above the {_name(lower)}: "
            "at rest they are one. A gauge is off, a hose's cock is shut, or the loop is blocked.",
            (upper, lower),
            _figure(gap, "Pa"),
        )


def _from_rest(scene: Scene) -> Iterator[Breach]:
    if scene.rest is None:
        return
    for role, rest, sign, word in (
        (Role.HIGH_SIDE, scene.rest.high, 1.0, "below"),
        (Role.LOW_SIDE, scene.rest.low, -1.0, "above"),
    ):
        here = scene.loop.get(str(role))
        if here is None:
            continue
        gap = _alike(rest) - _alike(here) if sign > 0.0 else _alike(here) - _alike(rest)
        if gap.low > 0.0:
            yield Breach(
                f"{_name(role)} {'above' if sign > 0.0 else 'below'} its standing pressure",
                Kind.INSTRUMENT,
                f"Running, the {_name(role)} stands {_bar(gap)} {word} what it stood at before the start: "
                f"a compressor {'raises the high side' if sign > 0.0 else 'pulls the low side down'}. {_LOOK_AT_GAUGES}",
                (role,),
                _figure(gap, "Pa"),
            )


# -- saturation


def _saturation(scene: Scene) -> Iterator[Breach]:
    if not scene.known_fluid:
        return
    loop = scene.loop
    ambient, evaporating = loop.get("ambient_air"), loop.get("evaporating_temperature")
    condensing = loop.get("condensing_temperature")
    allowance, none = limit("laws.clamp_allowance"), Value(0.0, 0.0)
    if condensing is not None and ambient is not None and (gap := ambient - condensing).low > 0.0:
        yield Breach(
            "condensing above ambient",
            Kind.INSTRUMENT,
            f"The high side condenses {_kelvin(gap)} below the ambient air: a condenser cannot give heat to warmer air. "
            "Look at the high side's gauge and hose, at where the air is measured, and at which refrigerant is in the loop.",
            (Role.HIGH_SIDE, Role.AMBIENT_AIR),
            _figure(gap, "K"),
        )
    glide = loop.get("evaporating_glide") or none
    if evaporating is not None and not scene.cycling:
        for role, what in ((Role.SUCTION_LINE, "the suction line"), (Role.VENT_AIR, "the vent air")):
            line = loop.get(str(role))
            if line is not None and (gap := evaporating - glide - line).low > 0.0:
                yield Breach(
                    f"{what.removeprefix('the ')} not colder than evaporating",
                    Kind.INSTRUMENT,
                    f"By the low side's pressure it boils at {evaporating.value - 273.15:.1f} °C, and {what} is {_kelvin(gap)} colder: "
                    f"nothing in the loop is. Look at the low side's gauge and unit, at the probe of {what}, and at which refrigerant is in the loop.",
                    (role, Role.LOW_SIDE),
                    _figure(gap, "K"),
                )
    discharge = loop.get("discharge_line")
    if discharge is not None and condensing is not None and (gap := condensing - discharge).low > allowance:
        yield Breach(
            "discharge not colder than condensing",
            Kind.INSTRUMENT,
            f"The discharge line is {_kelvin(gap)} colder than the high side condenses: what leaves the compressor has not condensed yet. "
            "Look at the clamp on the discharge line (it may be on another pipe) and at the high side's gauge.",
            (Role.DISCHARGE_LINE, Role.HIGH_SIDE),
            _figure(gap, "K"),
        )
    liquid, warm_glide = loop.get("liquid_line"), loop.get("condensing_glide") or none
    if liquid is not None and condensing is not None and (gap := liquid - condensing - warm_glide).low > 0.0:
        yield Breach(
            "liquid line not warmer than condensing",
            Kind.INSTRUMENT,
            f"The liquid line is {_kelvin(gap)} warmer than the high side condenses: there is no liquid at that temperature. "
            "Look at the clamp on the liquid line (it may be on the discharge line) and at the high side's gauge.",
            (Role.LIQUID_LINE, Role.HIGH_SIDE),
            _figure(gap, "K"),
        )


# -- lines


def _lines(scene: Scene) -> Iterator[Breach]:
    loop = scene.loop
    allowance = limit("laws.clamp_allowance")
    suction, liquid, discharge = (loop.get(name) for name in ("suction_line", "liquid_line", "discharge_line"))
    ambient = loop.get("ambient_air")
    if discharge is not None:
        for role, line in ((Role.LIQUID_LINE, liquid), (Role.SUCTION_LINE, suction)):
            if line is not None and (gap := line - discharge).low > allowance:
                yield _swapped(role, Role.DISCHARGE_LINE, gap)
    if suction is None or liquid is None or ambient is None:
        return
    cold = ambient - liquid
    if (gap := suction - liquid).low > allowance and cold.low > allowance:
        yield _swapped(Role.SUCTION_LINE, Role.LIQUID_LINE, gap)
    elif cold.low > allowance:
        yield Breach(
            "liquid line not colder than the air",
            Kind.SIGN,
            f"The liquid line is {_kelvin(cold)} colder than the air that cools the condenser: the clamp sits behind a restriction or an inner "
            "heat exchanger, or it is loose or on another pipe.",
            (Role.LIQUID_LINE, Role.AMBIENT_AIR),
            _figure(cold, "K"),
        )


def _swapped(warmer: Role, colder: Role, gap: Value) -> Breach:
    return Breach(
        "discharge line, liquid line, suction line: each colder than the one before",
        Kind.INSTRUMENT,
        f"The {_name(warmer)} is {_kelvin(gap)} warmer than the {_name(colder)}: the clamps on the {_name(warmer)} and the {_name(colder)} look swapped.",
        (warmer, colder),
        _figure(gap, "K"),
    )


# -- what is in the loop


def _standing(scene: Scene) -> Iterator[Breach]:
    rest = scene.rest
    if rest is None or rest.excess is None or not scene.known_fluid:
        return
    most, short = limit("laws.standing_excess"), limit("laws.standing_short")
    excess = rest.excess
    if excess.low > most:
        yield Breach(
            "standing pressure explained by the refrigerant",
            Kind.CONTENTS,
            f"Before the start the loop stood at a pressure that boils {_kelvin(excess)} above its own temperature, more than a little air and a warm "
            "engine bay explain: much air or another gas, or another refrigerant. Identify the refrigerant; look whether the gauge counts "
            "from the air or from nothing.",
            (Role.LOW_SIDE, Role.HIGH_SIDE),
            _figure(excess, "K"),
        )
    elif excess.high < -short:
        lack = Value(-excess.value, excess.u, excess.above, excess.below)
        yield Breach(
            "standing pressure explained by the refrigerant",
            Kind.CONTENTS,
            f"Before the start the loop stood at a pressure that boils {_kelvin(lack)} below its own temperature: there is no liquid in it, it is "
            "colder than the air, another refrigerant is in it, or a pressure counted from the air is taken for an absolute one (1 bar too low).",
            (Role.LOW_SIDE, Role.HIGH_SIDE),
            _figure(lack, "K"),
        )
