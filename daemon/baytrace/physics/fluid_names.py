"""Which fluid a person means: spellings of the trade to CoolProp's, with a suggestion for a typo.

`R-134a`, `r134a`, `134a`, `HFC-134a` are one fluid; `R744` and `CO2` too. A blend is a name CoolProp has a composition for
(`R410A`) or `R32[0.7]&R125[0.3]` with mole fractions that sum to one.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import takewhile

from baytrace.measure.faults import BadInput
from baytrace.measure.later import Later

CoolProp, _library = Later("CoolProp"), Later("CoolProp.CoolProp")
_TRADE = ("R134a", "R1234yf", "R744", "R152a", "R410A", "R407C", "R404A", "R32", "R290", "R22", "R12", "Water")
_WARM_DAY_K = 320.0
_PART = re.compile(r"\s*([^\[\]&]+?)\s*\[\s*([0-9.eE+-]+)\s*\]\s*")


@dataclass(frozen=True, slots=True)
class Fluid:
    """A resolved fluid. `key` names it in caches; `mixture` needs CoolProp's mixture model, `blend` has a glide."""

    key: str
    name: str
    coolprop: str
    fractions: tuple[float, ...]
    blend: bool
    mixture: bool
    critical_temperature_k: float
    critical_pressure_pa: float
    lowest_temperature_k: float
    lowest_pressure_pa: float
    molar_mass: float
    """kg/mol"""

    @property
    def water(self) -> bool:
        return self.coolprop == "Water"

    @property
    def transcritical(self) -> bool:
        """Whether the high side of a car's loop works above its critical point on a warm day (R744)."""
        return self.critical_temperature_k < _WARM_DAY_K


def _plain(text: str) -> str:
    key = re.sub(r"[^a-z0-9]", "", text.casefold())
    key = re.sub(r"^(hfc|hfo|cfc|hcfc|hc)(?=\d)", "r", key)
    return "r" + key if re.match(r"\d{2,4}[a-z]", key) or re.fullmatch(r"\d{2,4}", key) else key


def load() -> None:
    """Have the properties at hand: at a time of the caller's choosing, as everything in the process stands still meanwhile."""
    _spellings()


@cache
def _spellings() -> dict[str, tuple[str, str]]:
    """Plain key -> (shown name, CoolProp's name). Pure fluids win over predefined mixtures of the same name."""
    table: dict[str, tuple[str, str]] = {}
    for name in sorted(_library.get_global_param_string("predefined_mixtures").split(",")):
        if name.endswith(".mix"):
            table[_plain(name.removesuffix(".mix"))] = (name.removesuffix(".mix"), name)
    for name in _library.get_global_param_string("FluidsList").split(","):
        for alias in (*_library.get_fluid_param_string(name, "aliases").split(","), name):
            if alias.strip():
                table[_plain(alias.strip())] = (alias.strip(), name)
    for name in _TRADE:
        shown, coolprop = table[_plain(name)]
        table[_plain(name)] = (name if shown.casefold() == name.casefold() else shown, coolprop)
    table.setdefault("co2", ("CO2", "CarbonDioxide"))
    return table


def _shared_beginning(one: str, other: str) -> int:
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


def _unknown(text: str) -> BadInput:
    table = _spellings()
    key = _plain(text)
    near = difflib.get_close_matches(key, table, n=12, cutoff=0.6)
    # people get the end of a name wrong more often than its beginning, and mostly mean a fluid of the trade
    near.sort(key=lambda other: (-_shared_beginning(key, other), table[other][0] not in _TRADE))
    shown = list(dict.fromkeys(table[other][0] for other in near))[:3]
    if shown:
        hint = "did you mean " + " or ".join(repr(name) for name in shown) + "?"
    else:
        hint = f"for example: {', '.join(_TRADE)}"
    return BadInput(f"unknown fluid {text!r}", right=hint)


@lru_cache(maxsize=256)
def resolve(text: str) -> Fluid:
    """The fluid meant by `text`. Raises BadInput with suggestions."""
    if "&" in text or "[" in text:
        return _custom(text)
    found = _spellings().get(_plain(text))
    if found is None:
        raise _unknown(text)
    shown, coolprop = found
    if coolprop.endswith(".mix"):
        try:
            state = CoolProp.AbstractState("HEOS", coolprop)
        except ValueError as error:  # two of its parts whose mixing nobody has measured
            raise BadInput(f"blend {shown!r} cannot be computed", right=str(error)) from None
        return _mixture(shown, "&".join(state.fluid_names()), tuple(state.get_mole_fractions()))
    return _pure(shown, coolprop)


def _pure(shown: str, coolprop: str) -> Fluid:
    state = CoolProp.AbstractState("HEOS", coolprop)
    blend = _library.get_fluid_param_string(coolprop, "pure") != "true"
    lowest = max(state.Ttriple(), state.Tmin())
    try:
        state.update(CoolProp.QT_INPUTS, 0.0, lowest)
        lowest_pa = state.p()
    except ValueError:
        lowest_pa = state.p_triple()
    return Fluid(
        coolprop, shown, coolprop, (), blend, False, state.T_critical(), state.p_critical(), lowest, lowest_pa,
        state.molar_mass(),
    )  # fmt: skip


def _custom(text: str) -> Fluid:
    names, fractions = [], []
    for part in text.split("&"):
        found = _PART.fullmatch(part)
        if found is None:
            raise BadInput(f"blend {text!r} lacks its composition", right="write mole fractions: R32[0.7]&R125[0.3]")
        entry = _spellings().get(_plain(found[1]))
        if entry is None:
            raise _unknown(found[1])
        names.append(entry[1])
        fractions.append(_fraction(found[2], text))
    if abs(math.fsum(fractions) - 1.0) > 1e-3:
        raise BadInput(f"the mole fractions of {text!r} sum to {math.fsum(fractions):g}", right="they must sum to 1")
    total = math.fsum(fractions)
    if len(names) == 1:
        return _pure(*_spellings()[_plain(names[0])])
    return _mixture(text.replace(" ", ""), "&".join(names), tuple(x / total for x in fractions))


def _fraction(text: str, blend: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise BadInput(f"mole fraction {text!r} in {blend!r}", right="a number from 0 to 1")
    return value


def _mixture(shown: str, coolprop: str, fractions: tuple[float, ...]) -> Fluid:
    """Critical values are mole-weighted (Kay's rule, from memory): they only bound what is tried."""
    try:
        state = CoolProp.AbstractState("HEOS", coolprop)
        state.set_mole_fractions(list(fractions))
    except ValueError as error:
        raise BadInput(f"blend {shown!r} cannot be computed", right=str(error)) from None
    parts = [_pure(name, name) for name in coolprop.split("&")]

    def weighted(values: list[float]) -> float:
        return math.fsum(x * value for x, value in zip(fractions, values, strict=True))

    return Fluid(
        f"{coolprop}:{fractions}", shown, coolprop, fractions, True, True,
        weighted([part.critical_temperature_k for part in parts]) * 1.02,
        weighted([part.critical_pressure_pa for part in parts]) * 1.25,
        max(part.lowest_temperature_k for part in parts), 100.0,
        weighted([part.molar_mass for part in parts]),
    )  # fmt: skip
