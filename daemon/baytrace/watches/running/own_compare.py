"""Two settled runs of one car, compared.

- Conditions first: refrigerant, engine speed, doors, air and blower as marked, and a day that is nearly the same. What differs,
  or was not marked, refuses the comparison and is said.
- What the day itself moves is taken off: `own.per_ambient` and `own.per_enthalpy`, whose spread from car to car widens the
  interval by as much as the days differ.
- Where the same instruments read both runs, what they are off by falls out of the difference and their repeatability is left;
  else both uncertainties count in full (JCGM 100:2008, 5.2: correlated inputs).
- A state has changed when the whole 95 % interval of its difference lies beyond its limit, it has not when the whole
  interval lies within (JCGM 106:2012, 8.3). A state that was not read in both runs leaves the whole undecided.

The vent's limit is a share of the cooling capacity: at the same air flow the air is cooled in proportion to it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from baytrace.measure.decision import decide, worst
from baytrace.measure.faults import BadInput
from baytrace.measure.uncertainty import K95
from baytrace.measure.verdict import Figure, Outcome
from baytrace.physics.air import humid_air
from baytrace.physics.fluid_names import resolve
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import ZERO_C_K, Value
from baytrace.watches.running.own_conditions import MARK_FOR, NAMES, Conditions, same

JUDGED = ("evaporating", "condensing", "subcooling", "superheat", "vent")
SHOWN = (*JUDGED, "approach", "pressure_ratio")
WORDS: Mapping[str, str] = {
    "evaporating": "evaporating temperature",
    "condensing": "condensing above ambient",
    "subcooling": "subcooling",
    "superheat": "superheat",
    "vent": "vent below ambient",
    "approach": "liquid line above ambient",
    "pressure_ratio": "pressure ratio",
}
ROLES: Mapping[str, tuple[str, ...]] = {
    "evaporating": ("low_side",),
    "condensing": ("high_side", "ambient_air"),
    "subcooling": ("high_side", "liquid_line"),
    "superheat": ("low_side", "suction_line"),
    "vent": ("vent_air", "ambient_air"),
    "approach": ("liquid_line", "ambient_air"),
    "pressure_ratio": ("low_side", "high_side"),
}
AIR = ("ambient", "humidity")


@dataclass(frozen=True, slots=True)
class RunFigures:
    """One settled run. `values` by the names in `SHOWN` and `AIR`: evaporating in degC, the ratio and the humidity bare, the rest in K, ambient in degC."""

    refrigerant: str
    conditions: Conditions
    values: Mapping[str, Value]
    repeats: Mapping[str, float] = field(default_factory=dict)
    """Standard uncertainty of each in a comparison by the same instruments."""
    instruments: Mapping[str, str] = field(default_factory=dict)
    """Instrument and calibration by role."""

    def get(self, name: str) -> Value | None:
        return self.values.get(name)


@dataclass(frozen=True, slots=True)
class Change:
    """One state's difference, the later less the earlier run, what the day moves taken off. `outcome` None: shown, not judged."""

    name: str
    difference: Value
    most: float | None
    outcome: Outcome | None

    @property
    def figure(self) -> Figure:
        return self.difference.figure("1" if self.name == "pressure_ratio" else "K")


@dataclass(frozen=True, slots=True)
class Compared:
    """`refused` says why nothing was compared; `missing` are judged states that were not read in both runs."""

    changes: tuple[Change, ...] = ()
    refused: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    new_instruments: tuple[str, ...] = ()

    @property
    def outcome(self) -> Outcome:
        outcomes = [change.outcome for change in self.changes if change.outcome is not None]
        return worst([*outcomes, *([Outcome.UNDECIDED] if self.missing or self.refused else [])])


def compare(before: RunFigures, after: RunFigures) -> Compared:
    """What moved from one run to the other."""
    refused = _apart(before, after)
    if refused:
        return Compared(refused=tuple(refused))
    try:
        days = _days(before, after)
    except BadInput as error:
        return Compared(refused=(f"the day's air cannot be: {error.what}",))
    changes = [change for name in SHOWN if (change := _change(name, before, after, days)) is not None]
    seen = {change.name for change in changes}
    changed = [
        role for role in sorted({role for name in seen for role in ROLES[name]}) if not _same(role, before, after)
    ]
    return Compared(tuple(changes), (), tuple(name for name in JUDGED if name not in seen), tuple(changed))


def _apart(before: RunFigures, after: RunFigures) -> list[str]:
    """What keeps two runs from being compared, one sentence each."""
    said = []
    if resolve(before.refrigerant).name != resolve(after.refrigerant).name:
        said.append(f"the refrigerant was {before.refrigerant} and is {after.refrigerant}")
    for name, words in NAMES.items():
        one, other = getattr(before.conditions, name), getattr(after.conditions, name)
        if not one and not other and before.conditions.as_table and after.conditions.as_table:
            continue
        if not one or not other:
            which = "in neither run" if not one and not other else "in one run alone"
            said.append(f"{words}: marked {which}; mark {MARK_FOR[name]}")
        elif not same(name, one, other):
            said.append(f"{words}: {one} before, {other} now")
    for name, words, unit, most in (
        ("ambient", "ambient air", "K", limit("own.ambient_apart")),
        ("humidity", "humidity", "", limit("own.humidity_apart")),
    ):
        here, there = before.get(name), after.get(name)
        if here is None or there is None:
            said.append(f"the {words} is not known in both runs: enter it")
        elif abs(there.value - here.value) > most:
            said.append(
                f"the {words} differs by {_plain(name, abs(there.value - here.value), unit)}, more than {_plain(name, most, unit)}"
            )
    return said


def _plain(name: str, value: float, unit: str) -> str:
    return f"{100.0 * value:.0f} % relative humidity" if name == "humidity" else f"{value:.1f} {unit}"


def _same(role: str, before: RunFigures, after: RunFigures) -> bool:
    mine = before.instruments.get(role)
    return mine is not None and mine == after.instruments.get(role)


def _u(name: str, roles: tuple[str, ...], before: RunFigures, after: RunFigures) -> float:
    """Standard uncertainty of a difference of what `roles` read."""
    repeated = all(_same(role, before, after) for role in roles)
    parts = [run.repeats.get(name, run.values[name].u) if repeated else run.values[name].u for run in (before, after)]
    return math.hypot(*parts)


@dataclass(frozen=True, slots=True)
class _Days:
    """How the later day differs: K warmer, kJ/kg richer, and the standard uncertainties of both."""

    warmer: float
    richer: float
    warmer_u: float
    richer_u: float

    def shift(self, name: str) -> tuple[float, float]:
        """What the day alone moves a state by, and its standard uncertainty; nothing is known of the states that are only shown."""
        per_ambient, per_enthalpy = (limit(f"own.{slope}").get(name) for slope in ("per_ambient", "per_enthalpy"))
        if per_ambient is None or per_enthalpy is None:
            return 0.0, 0.0
        u = math.hypot(
            self.warmer * limit("own.per_ambient_uncertainty")[name],
            self.richer * limit("own.per_enthalpy_uncertainty")[name],
            per_ambient * self.warmer_u,
            per_enthalpy * self.richer_u,
        )
        return per_ambient * self.warmer + per_enthalpy * self.richer, u


def _days(before: RunFigures, after: RunFigures) -> _Days:
    celsius, there = after.values["ambient"].value, before.values["ambient"].value
    share = after.values["humidity"].value
    richer = _enthalpy(celsius, share) - _enthalpy(there, before.values["humidity"].value)
    per_share = (_enthalpy(celsius, 0.6) - _enthalpy(celsius, 0.4)) / 0.2
    air_u = _u("ambient", ("ambient_air",), before, after)
    return _Days(celsius - there, richer, air_u, per_share * _u("humidity", ("ambient_humidity",), before, after))


def _enthalpy(celsius: float, humidity: float) -> float:
    """kJ/kg of air."""
    return humid_air(celsius + ZERO_C_K, min(max(humidity, 0.0), 1.0)).enthalpy / 1e3


def _change(name: str, before: RunFigures, after: RunFigures, days: _Days) -> Change | None:
    one, other = before.get(name), after.get(name)
    if one is None or other is None:
        return None
    shift, shift_u = days.shift(name)
    u = math.hypot(_u(name, ROLES[name], before, after), shift_u)
    moved = Value(other.value - one.value - shift, u)
    most = limit("own.change_capacity") * abs(one.value) if name == "vent" else limit("own.change").get(name)
    outcome = decide(moved.value, moved.u, lower=-most, upper=most) if most is not None else None
    return Change(name, moved, most, outcome)


def sentence(change: Change) -> str:
    """One state, for people."""
    half, unit = K95 * change.difference.u, "" if change.name == "pressure_ratio" else " K"
    words, moved = WORDS[change.name], change.difference.value
    said = f"{words} {'up' if moved > 0.0 else 'down'} by {abs(moved):.1f}{unit} (± {half:.1f})"
    if change.most is None:
        return said
    ends = {
        Outcome.PASS: "no change that matters",
        Outcome.FAIL: "changed",
        Outcome.UNDECIDED: "too close to tell" if half < change.most else "these instruments are too coarse to tell",
    }
    assert change.outcome is not None
    return f"{said}, {change.most:.1f}{unit} would matter: {ends[change.outcome]}"
