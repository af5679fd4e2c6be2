"""A settled loop against its maker's table.

- The table's conditions come first: one that differs, or that nobody marked, refuses the comparison and says which.
- Between rows the ends of a range run straight with the air; within one air they run straight from one band of humidity to the
  next. Beyond its air the table is carried on for `own.table_beyond_air` K and beyond its humidity for
  `own.table_beyond_humidity`; further out it does not speak.
- The day's air is uncertain, and so are the ends of a range: a pass must hold in all the air there may have been, a fail as
  well (JCGM 106:2012, 8.3; the ends are taken at the corners of the 95 % box of air and humidity).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from baytrace.measure.decision import decide, worst
from baytrace.measure.uncertainty import K95
from baytrace.measure.verdict import Figure, Outcome
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value
from baytrace.watches.running.own_conditions import MARK_FOR, NAMES, Conditions, same
from baytrace.watches.running.own_judgement import TABLE, OwnJudgement
from baytrace.watches.running.own_settings import KINDS, Kind, MakersTable

_SHOWN: Mapping[Kind, tuple[str, str]] = {
    "low_side": ("low side", "own_low_side_pressure"),
    "high_side": ("high side", "own_high_side_pressure"),
    "vent_air": ("vent air", "own_vent_temperature"),
}
_WORDS = {Outcome.PASS: "within", Outcome.FAIL: "outside", Outcome.UNDECIDED: "too close to its end to tell"}


class Span(NamedTuple):
    """SI; the ends of a range."""

    low: float
    high: float


class _Band(NamedTuple):
    """A range and the humidity it holds for."""

    dry: float
    wet: float
    span: Span


def _between(share: float, one: Span, other: Span) -> Span:
    return Span(one.low + share * (other.low - one.low), one.high + share * (other.high - one.high))


def _at_humidity(bands: list[_Band], humidity: float) -> Span | None:
    """The range of one air; None where its bands are too far from this humidity."""
    for band in bands:
        if band.dry <= humidity <= band.wet:
            return band.span
    drier = max((band for band in bands if band.wet < humidity), key=lambda band: band.wet, default=None)
    wetter = min((band for band in bands if band.dry > humidity), key=lambda band: band.dry, default=None)
    if drier is not None and wetter is not None:
        return _between((humidity - drier.wet) / (wetter.dry - drier.wet), drier.span, wetter.span)
    beyond = limit("own.table_beyond_humidity")
    if drier is not None and humidity - drier.wet <= beyond:
        return drier.span
    return wetter.span if wetter is not None and wetter.dry - humidity <= beyond else None


def _by_air(table: MakersTable, kind: Kind) -> dict[float, list[_Band]]:
    found: dict[float, list[_Band]] = {}
    for row in table.rows:
        if (span := table.range_si(kind, row)) is not None:
            found.setdefault(row.air_c, []).append(_Band(*row.humidity, Span(*span)))
    return dict(sorted(found.items()))


def range_at(table: MakersTable, kind: Kind, air_c: float, humidity: float | None) -> Span | None:
    """The maker's range in SI (Pa absolute, K) in this air; None where the table does not reach it.

    Without a humidity only rows that hold for every humidity count.
    """
    known: dict[float, Span] = {}
    for air, bands in _by_air(table, kind).items():
        if humidity is None:
            bands = [band for band in bands if band.dry <= 0.0 and band.wet >= 1.0]  # noqa: PLW2901 - the rest says nothing
        span = _at_humidity(bands, humidity if humidity is not None else 0.5)
        if span is not None:
            known[air] = span
    airs = list(known)
    if not airs or not airs[0] - _beyond() <= air_c <= airs[-1] + _beyond():
        return None
    if len(airs) == 1:
        return known[airs[0]]
    upper = next((index for index, air in enumerate(airs) if air >= air_c), len(airs) - 1)
    one, other = airs[max(upper, 1) - 1], airs[max(upper, 1)]
    return _between((air_c - one) / (other - one), known[one], known[other])


def _beyond() -> float:
    beyond: float = limit("own.table_beyond_air")
    return beyond


def unmet(conditions: Conditions, wanted: Mapping[str, str], whose: str) -> list[str]:
    """Sentences on every condition that differs from what is `wanted`, or that nobody marked."""
    said = []
    for name, value in wanted.items():
        mine = getattr(conditions, name)
        if not mine and not conditions.as_table:
            said.append(f"{NAMES[name]}: not marked, and {whose} is for {value}; mark {MARK_FOR[name]}")
        elif mine and not same(name, mine, value):
            said.append(f"{NAMES[name]}: {mine}, and {whose} is for {value}")
    return said


def judge_table(table: MakersTable, conditions: Conditions, loop: Loop) -> OwnJudgement:
    """Each quantity that the table gives for this air: within, outside, or too close to tell."""
    differing = unmet(conditions, table.conditions, "the maker's table")
    if differing:
        return OwnJudgement.refused(TABLE, differing)
    air, humidity = loop.get("ambient_air"), loop.get("ambient_humidity")
    if air is None:
        return OwnJudgement.refused(TABLE, ["the maker's table goes by the ambient air, which is not known: enter it"])
    outcomes: list[Outcome] = []
    sentences: list[str] = []
    figures: dict[str, Figure] = {}
    silent: list[str] = []
    for kind in _kinds(table):
        words, name = _SHOWN[kind]
        corners = list(_corners(table, kind, air, humidity))
        value = loop.get(kind)
        if not corners:
            silent.append(_silence(table, kind, air, humidity))
        elif value is None:
            outcomes.append(Outcome.UNDECIDED)
            sentences.append(f"{words}: the maker's table gives it, and it was not read")
        else:
            outcome = _outcome(value, corners)
            outcomes.append(outcome)
            middle = range_at(table, kind, air.value - ZERO_C_K, humidity.value if humidity is not None else None)
            figures[name] = _figure(kind, middle or corners[0])
            sentences.append(_sentence(kind, value, figures[name], outcome))
    if not any(name in figures for name in ("own_low_side_pressure", "own_high_side_pressure")):
        return OwnJudgement.refused(TABLE, [*silent, *sentences])
    also = [f"the maker's table also asks for: {table.also}"] if table.also else []
    return OwnJudgement.said(worst(outcomes), TABLE, (*sentences, *silent, *also), figures)


def _kinds(table: MakersTable) -> Iterator[Kind]:
    return (kind for kind in KINDS if _by_air(table, kind))


def _corners(table: MakersTable, kind: Kind, air: Value, humidity: Value | None) -> Iterator[Span]:
    """The ranges at the corners of the air there may have been; empty where the table does not reach the middle of it."""
    middle = air.value - ZERO_C_K
    if range_at(table, kind, middle, humidity.value if humidity is not None else None) is None:
        return
    shares: Iterable[float | None] = [None]
    if humidity is not None:
        wide = K95 * humidity.u
        ends = [edge for row in table.rows for edge in row.humidity if abs(edge - humidity.value) < wide]
        shares = [min(max(each, 0.0), 1.0) for each in (humidity.value - wide, humidity.value, humidity.value + wide)]
        shares = [*shares, *ends]
    for celsius in (middle - K95 * air.u, middle, middle + K95 * air.u):
        for share in shares:
            if (span := range_at(table, kind, celsius, share)) is not None:
                yield span


def _outcome(value: Value, corners: list[Span]) -> Outcome:
    """Pass within all of them, fail outside of all of them."""
    inner = max(span.low for span in corners), min(span.high for span in corners)
    outer = min(span.low for span in corners), max(span.high for span in corners)
    shown = value.figure("1")
    if decide(shown, lower=outer[0], upper=outer[1]) is Outcome.FAIL:
        return Outcome.FAIL
    if inner[0] <= inner[1] and decide(shown, lower=inner[0], upper=inner[1]) is Outcome.PASS:
        return Outcome.PASS
    return Outcome.UNDECIDED


def _silence(table: MakersTable, kind: Kind, air: Value, humidity: Value | None) -> str:
    """Why the table says nothing of a quantity in this air."""
    words, airs = _SHOWN[kind][0], list(_by_air(table, kind))
    celsius = air.value - ZERO_C_K
    if humidity is None:
        return f"{words}: the maker's table goes by the humidity, which is not known: enter it"
    if airs[0] - _beyond() <= celsius <= airs[-1] + _beyond():
        return f"{words}: the maker's table has no line for {100.0 * humidity.value:.0f} % humidity at {celsius:.1f} °C"
    return f"{words}: the maker's table goes from {airs[0]:g} to {airs[-1]:g} °C, and the air had {celsius:.1f} °C"


def _figure(kind: Kind, span: Span) -> Figure:
    offset, unit = (ZERO_C_K, "degC") if kind == "vent_air" else (0.0, "Pa")
    low, high = span.low - offset, span.high - offset
    return Figure(0.5 * (low + high), unit, low, high)


def _sentence(kind: Kind, value: Value, wanted: Figure, outcome: Outcome) -> str:
    words, half = _SHOWN[kind][0], 0.5 * (value.high - value.low)
    assert wanted.low is not None
    assert wanted.high is not None
    said = _WORDS[outcome]
    if outcome is Outcome.UNDECIDED and 2.0 * half >= wanted.high - wanted.low:
        said = "this instrument is too coarse for so narrow a range"
    if kind == "vent_air":
        shown = f"{value.value - ZERO_C_K:.1f} °C (± {half:.1f})"
        return f"{words} {shown}, the maker's table has {wanted.low:.1f} to {wanted.high:.1f} °C: {said}"
    shown = f"{value.value / 1e5:.2f} bar absolute (± {half / 1e5:.2f})"
    return f"{words} {shown}, the maker's table has {wanted.low / 1e5:.2f} to {wanted.high / 1e5:.2f}: {said}"
