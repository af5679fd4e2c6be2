"""What a settled loop's pressures come to: outcome, finding and the sentences for it. Pure: everything seen stands in a `Case`.

In this order, and what comes first decides:
1. A law that is broken (`running/laws.py`): an instrument's leaves all undecided, nothing pumping fails.
2. The car's own figures, where there are any that may be used here: they speak of this car.
3. The usual range. A fail needs a side beyond the widest that sound cars show, and signs that agree; a pass needs both sides in the
   usual range for certain, `nothing wrong` likeliest and nothing suspected. It says no more than that.
A pass never stands beside a cause called likely, nor on anything assumed: what is missing is named instead. Where the car's own
figures are kept, cars at large count against it only with a suspicion and a cause called likely: one sound car in twenty is unusual.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from baytrace.measure.verdict import Outcome
from baytrace.physics.fluid_names import Fluid
from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.blind import Blind, blind_spots
from baytrace.watches.pressures.causes import SOUND, Day, fault_of
from baytrace.watches.pressures.expect import Expected, Range, expected
from baytrace.watches.pressures.likelihood import Cause, Ranking, not_judged, not_pumping, ranked
from baytrace.watches.pressures.pattern import NO_PUMPING, NORMAL, UNDECIDED, Side, name_of, side_of
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.pressures.signs import signs_of
from baytrace.watches.pressures.standing import Standing
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value
from baytrace.watches.running.laws import Breach, Kind, withholds
from baytrace.watches.running.own_judgement import OwnJudgement
from baytrace.watches.running.wording import ATMOSPHERE_UNKNOWN, REFRIGERANT_UNKNOWN

USUAL = "Within the usual range for this refrigerant and this day."
_ANY_DAY_C, _ANY_DAY_U = 30.0, 9.0
"""An ambient that nobody knows: the whole usual span as a standard uncertainty."""
_SHOWN_CAUSES, _LEAST_SHOWN = 4, 0.02


@dataclass(frozen=True, slots=True)
class Case:
    """A settled loop. `speed` is idle, fast or "" where nobody said it; `own` what the car's own figures say."""

    loop: Loop
    fluid: Fluid
    settings: PressuresSettings
    standing: Standing | None = None
    laws: Sequence[Breach] = ()
    speed: str = ""
    atmosphere_unknown: bool = False
    own: OwnJudgement | None = None

    @property
    def named(self) -> bool:
        """Whether the refrigerant was named, and not assumed."""
        return "refrigerant" in self.settings.model_fields_set

    @property
    def sides(self) -> tuple[Value, Value]:
        low, high = self.loop.get("low_side"), self.loop.get("high_side")
        assert low is not None
        assert high is not None
        return low, high


@dataclass(frozen=True, slots=True)
class Judged:
    """`reasons` are in the order in which they count."""

    outcome: Outcome
    finding: str
    reasons: tuple[str, ...]
    expected: Expected
    causes: tuple[Cause, ...] = ()
    blind: tuple[Blind, ...] = ()


@dataclass(slots=True)
class _Call:
    """Outcome and finding with the sentences that led there."""

    outcome: Outcome
    finding: str
    why: list[str] = field(default_factory=list)


def judge(case: Case, *, spots: bool = True) -> Judged:
    """The verdict on a case; without `spots` the blind spots are left out (they take longer)."""
    wanted = expected(case.fluid, case.settings, case.loop.get("ambient_air"), _humidity(case.loop))
    broken = [breach.text for breach in case.laws]
    sides = tuple(side_of(*pair) for pair in zip(case.sides, (wanted.low_side, wanted.high_side), strict=True))
    shown = [_side_sentence(*each) for each in _by_side(case, wanted, sides)]
    if any(breach.kind is Kind.PUMPING for breach in case.laws):
        causes = not_pumping().causes
        return Judged(Outcome.FAIL, NO_PUMPING, (*broken, *_told(causes), *shown, *_unknown(case)), wanted, causes)
    if withholds(list(case.laws)):
        return Judged(Outcome.UNDECIDED, UNDECIDED, (*broken, *shown, *_unknown(case)), wanted)
    signs, day = case_signs(case), day_of(case)
    ranking = ranked(signs, day, case.fluid.name)
    call = _call(case, sides[0], sides[1], ranking)
    own = case.own.sentences if case.own is not None else ()
    told = _told(ranking.causes) if call.outcome is not Outcome.PASS else ()
    found = blind_spots(*_rounded(signs, day), case.fluid.name) if spots else ()
    reasons = [*broken, *call.why, *own, *told, *shown, *_unknown(case)]
    reasons += [sentence] if (sentence := not_judged(case.fluid.name)) else []
    reasons += [blind_sentence(found)] if found else []
    return Judged(call.outcome, call.finding, tuple(reasons), wanted, ranking.causes, found)


def _call(case: Case, low: Side, high: Side, ranking: Ranking) -> _Call:
    """The outcome before anything is said of it: own figures, then the usual range."""
    own = case.own
    named = name_of(low, high, _customary(ranking))
    if own is not None and own.spoke and own.outcome is Outcome.FAIL:
        return _Call(Outcome.FAIL, named, [f"The car's own figures are not kept ({own.kind})."])
    spoke = own is not None and own.spoke
    if not spoke and _fault_certain(low, high, ranking):
        return _Call(Outcome.FAIL, named, _named_after(low, high))
    if (low.out or high.out) and not spoke:
        why = "A side lies beyond what sound cars show, but the other signs do not agree with it."
        return _Call(Outcome.UNDECIDED, UNDECIDED, [why])
    against = _against_a_pass(case, ranking)
    if own is not None and spoke:
        if own.outcome is Outcome.UNDECIDED:
            against.insert(0, f"The car's own figures do not decide ({own.kind}).")
        headline = f"Within the car's own figures ({own.kind})."
    else:
        against += [] if low.word == high.word == "normal" else [_not_for_certain(low, high)]
        headline = USUAL
    return _Call(Outcome.UNDECIDED, UNDECIDED, against) if against else _Call(Outcome.PASS, NORMAL, [headline])


def _fault_certain(low: Side, high: Side, ranking: Ranking) -> bool:
    """Whether a side is out with signs that agree: both beyond the widest range, one of them and suspected, or beyond the usual one
    with signs that leave next to nothing for a sound loop.
    """
    if low.out and high.out:
        return True
    if low.out or high.out:
        return ranking.suspected or not ranking.causes
    sound = sum(cause.likelihood for cause in ranking.causes if cause.cause == SOUND)
    plain = bool(ranking.causes) and ranking.suspected and sound < limit("pressures.sound_beside_fail")
    return plain and (low.beyond or high.beyond)


def _against_a_pass(case: Case, ranking: Ranking) -> list[str]:
    """Everything that keeps a pass away, as sentences."""
    said = []
    if case.settings.reference == "required" and (case.own is None or not case.own.spoke):
        said.append("This bench asks for the car's own figures, and there are none that can be used here.")
    if case.laws:
        said.append("Nothing passes beside a law that is broken.")
    if not case.named:
        said.append(REFRIGERANT_UNKNOWN)
    if case.loop.get("ambient_air") is None:
        said.append("The ambient air is not known, and every range depends on it: measure it or enter it (ambient_c).")
    first = ranking.causes[0].cause if ranking.causes else ""
    faults = [cause for cause in ranking.causes if cause.cause != SOUND]
    if _kept(case.own) and not (
        ranking.suspected and faults and faults[0].likelihood >= limit("pressures.called_likely")
    ):
        return said
    if ranking.suspected and faults:
        said.append(
            f"The signs together are not those of a sound loop: most likely {faults[0].names}. Nothing passes beside that."
        )
    elif ranking.suspected:
        said.append("The signs together are not those of a sound loop.")
    elif first and first != SOUND:
        said.append(f"A sound loop is not what the signs speak for first, but {ranking.causes[0].names}.")
    elif not ranking.causes and (case.own is None or not case.own.spoke):
        said.append("No cause could be weighed against another here, so nothing but the car's own figures can pass it.")
    return said


def _kept(own: OwnJudgement | None) -> bool:
    return own is not None and own.spoke and own.outcome is Outcome.PASS


def _not_for_certain(low: Side, high: Side) -> str:
    if "near" in (low.word, high.word):
        return "A side lies outside the usual range, though sound cars may show it."
    return "Both sides lie in the usual range, but these gauges are too coarse to be sure."


def _named_after(low: Side, high: Side) -> list[str]:
    if low.out and high.out:
        return []
    return ["The pattern is named after the side that is out, the other's lean and the likeliest cause."]


def _customary(ranking: Ranking) -> str:
    faults = [cause.cause for cause in ranking.causes if cause.cause != SOUND]
    return limit("pressures.customary").get(faults[0], "") if faults else ""


# -- signs and the day


def _humidity(loop: Loop) -> float | None:
    humidity = loop.get("ambient_humidity")
    return humidity.value if humidity is not None else None


def _flat(value: Value) -> Value:
    """Spans of what is not known as a rectangular part of the uncertainty, about their middle (JCGM 100:2008, 4.3.7)."""
    if not (value.below or value.above):
        return value
    half = 0.5 * (value.below + value.above)
    return Value(value.value + 0.5 * (value.above - value.below), (value.u**2 + half**2 / 3.0) ** 0.5)


def case_signs(case: Case) -> dict[str, Value]:
    """The signs to be weighed, with everything unknown in their standard uncertainty."""
    return {name: _flat(value) for name, value in signs_of(case.loop, case.standing, case.fluid).items()}


def day_of(case: Case) -> Day:
    """The day the signs are compared at."""
    ambient = case.loop.get("ambient_air")
    air = (_ANY_DAY_C, _ANY_DAY_U) if ambient is None else (ambient.value - ZERO_C_K, ambient.u)
    settings = case.settings
    return Day(air[0], _humidity(case.loop), settings.valve, air[1], case.speed, settings.compressor)


def _rounded(signs: Mapping[str, Value], day: Day) -> tuple[dict[str, Value], Day]:
    """As coarse as blind spots need it, so that they are not worked out anew with every reading."""
    share = None if day.humidity is None else round(day.humidity, 1)
    coarse = {name: Value(0.0, float(f"{value.u:.1g}")) for name, value in signs.items()}
    return coarse, replace(
        day, ambient_c=float(round(day.ambient_c)), humidity=share, ambient_u=float(f"{day.ambient_u:.1g}")
    )


# -- sentences


def _told(causes: Sequence[Cause]) -> tuple[str, ...]:
    faults = [cause for cause in causes if cause.cause != SOUND and cause.likelihood >= _LEAST_SHOWN]
    return tuple(cause.sentence() for cause in faults[:_SHOWN_CAUSES])


def blind_sentence(found: Sequence[Blind]) -> str:
    """One sentence: what this look would have shown, and what not."""
    shown = [fault_of(spot.cause, spot.smallest) for spot in found if spot.smallest is not None]
    hidden = [fault_of(spot.cause, spot.most) for spot in found if spot.smallest is None]
    would = f"it would have shown {_listed(shown, 'and')}" if shown else ""
    would_not = f"it would not have shown {_listed(hidden, 'or')}" if hidden else ""
    return f"Against cars at large {'; '.join(part for part in (would, would_not) if part)}."


def _listed(words: Sequence[str], last: str) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"


def _unknown(case: Case) -> list[str]:
    return [ATMOSPHERE_UNKNOWN] if case.atmosphere_unknown else []


def _by_side(case: Case, wanted: Expected, sides: Sequence[Side]) -> list[tuple[str, Value, Range, Side]]:
    ranges = (wanted.low_side, wanted.high_side)
    return list(zip(("low side", "high side"), case.sides, ranges, sides, strict=True))


_WORDS = {
    "near": "outside, though sound cars may show it",
    "coarse": "inside, but not for certain",
    "normal": "inside",
    "low": "lower than sound cars show",
    "high": "higher than sound cars show",
}


def _side_sentence(name: str, value: Value, wanted: Range, side: Side) -> str:
    return (
        f"{name} {value.value / 1e5:.2f} bar absolute ({value.low / 1e5:.2f} to {value.high / 1e5:.2f}), "
        f"usual {wanted.low / 1e5:.2f} to {wanted.high / 1e5:.2f}: {_WORDS[side.word]}"
    )
