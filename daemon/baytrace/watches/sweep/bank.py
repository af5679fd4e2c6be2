"""All coils together: the odd one out, and the verdict."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from baytrace.measure.uncertainty import rectangular
from baytrace.measure.verdict import Figure, Outcome, Verdict
from baytrace.physics.coils import odd_ones
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.coil import Coil, Leads, Temperature, ohms, spanned
from baytrace.watches.sweep.naming import Named
from baytrace.watches.sweep.settings import SweepSettings


def conclude(
    coils: Sequence[Coil], named: Named, settings: SweepSettings, leads: Leads, temperature: Temperature | None
) -> Verdict:
    """The verdict on the bank."""
    evidence, bank = _bank(coils)
    bad = [coil for coil in coils if coil.bad]
    doubts = list(named.doubts)
    touched = [coil for coil in coils if coil.finding != "missing"]
    if not touched:
        doubts.insert(0, "no contact with any coil was seen")
    elif settings.coils is None:
        doubts.append("how many coils there are was not said: set coils")
    beyond = [coil.position for coil in coils if settings.coils is not None and coil.position > settings.coils]
    if beyond and named.by_mark:
        doubts.append(
            f"{_listed(beyond)} named, but the bank has {settings.coils} coil{'' if settings.coils == 1 else 's'}"
        )
    elif beyond:
        doubts.append(f"more than {settings.coils} coils were touched")
    if bad:
        outcome, finding = Outcome.FAIL, _said(bad)
    elif coils and not doubts and all(coil.finding == "within" for coil in coils):
        outcome, finding = Outcome.PASS, "all within"
    else:
        outcome, finding = Outcome.UNDECIDED, "undecided" if touched else "no coil seen"
    reasons = [_reason(coil, settings) for coil in bad]
    reasons += _undecided(coils)
    reasons += doubts
    reasons += [f"coil {place} is the odd one out: {_from_others(ratio)}" for place, ratio in bank]
    reasons += _assumptions(touched, named, settings, leads, temperature)
    if leads.known:
        evidence["lead_resistance"] = Figure.between(leads.ohm, leads.u, "ohm")
    if temperature is not None:
        evidence["coil_temperature"] = Figure.between(temperature.celsius, temperature.u, "degC")
    evidence["contacts"] = Figure(float(named.found), "1")
    more: dict[str, Any] = {"coils": [coil.to_json() for coil in coils], "odd": [place for place, _ in bank]}
    return Verdict("sweep", outcome, finding, tuple(reasons), evidence, more)


def _undecided(coils: Sequence[Coil]) -> list[str]:
    """What is missing for each coil that is neither bad nor within; those of which the same is said share a sentence."""
    said: dict[tuple[str, str], list[int]] = {}
    for coil in coils:
        if not coil.bad and coil.finding != "within":
            said.setdefault((coil.finding, coil.note), []).append(coil.position)
    return [f"{_numbered(places)} {finding}: {note}" for (finding, note), places in said.items()]


def _numbered(places: Sequence[int]) -> str:
    """`coil 3`, `coils 1, 2 and 4`."""
    if len(places) == 1:
        return f"coil {places[0]}"
    return f"coils {', '.join(map(str, places[:-1]))} and {places[-1]}"


def _listed(places: Sequence[int]) -> str:
    return f"{_numbered(places)} {'was' if len(places) == 1 else 'were'}"


def _from_others(ratio: float) -> str:
    return f"{100.0 * (ratio - 1.0):+.1f} % from the others" if ratio < 2.0 else f"{ratio:.2g} times the others"


def _said(bad: Sequence[Coil]) -> str:
    if any(coil.as_touched for coil in bad):
        kinds = sorted({coil.as_touched or coil.finding for coil in bad})
        return f"a coil {kinds[0]}" if len(bad) == 1 else f"{len(bad)} coils {' or '.join(kinds)}"
    if len(bad) == 1:
        return f"coil {bad[0].position} {bad[0].finding}"
    return "coils " + ", ".join(f"{coil.position} {coil.finding}" for coil in bad)


def _reason(coil: Coil, settings: SweepSettings) -> str:
    if coil.as_touched and coil.compared is not None:
        return f"contact {coil.position} {coil.as_touched}: {ohms(coil.compared.value)}; which coil it was is not sure"
    if coil.compared is None:
        return f"coil {coil.position} {coil.finding}: {coil.note}"
    low, high = settings.limits
    if low is not None and high is not None:
        edges = f"limits {spanned(low, high)}"
    else:
        edges = f"limit at least {ohms(low)}" if low is not None else f"limit at most {ohms(high or 0.0)}"
    at = f" at {settings.reference_c:g} degC" if coil.at_reference is not None else ""
    return f"coil {coil.position} {coil.finding}: {ohms(coil.compared.value)}{at}, {edges}"


def _assumptions(
    touched: Sequence[Coil],
    named: Named,
    settings: SweepSettings,
    leads: Leads,
    temperature: Temperature | None,
) -> list[str]:
    said: list[str] = []
    if not touched:
        return said
    if not named.by_mark and len(touched) > 1:
        said.append(
            "coils told apart by the order of touching: one touched twice in place of another would not be seen"
        )
    if temperature is None and settings.alpha != 0.0:
        cold, warm = settings.usual_celsius
        said.append(f"coil temperature unknown: judged for every temperature from {cold:g} to {warm:g} degC")
    if not leads.known:
        said.append(f"leads not nulled: up to {limit('sweep.lead_unknown_ohm'):g} ohm of each reading may be theirs")
    return said


def _bank(coils: Sequence[Coil]) -> tuple[dict[str, Figure], list[tuple[int, float]]]:
    """Evidence of the bank, and the odd coils with their ratio to the others."""
    kept = [coil for coil in coils if coil.compared is not None and coil.finding not in ("short", "unsteady")]
    values = [coil.compared.value for coil in kept if coil.compared is not None]
    if not values:
        return {}, []
    scatter = statistics.median(coil.scatter for coil in kept)
    u_compare = math.hypot(rectangular(limit("sweep.contact_ohm")), scatter) * math.sqrt(2.0)
    median = statistics.median(values)
    middle = min(kept, key=lambda coil: abs((coil.compared or Figure(0.0, "ohm")).value - median))
    evidence = {"bank_median": Figure.between(median, middle.budget.u, "ohm")}
    if len(values) > 1:
        spread = Figure.between(max(values) - min(values), u_compare, "ohm")
        evidence["bank_spread"] = replace(spread, low=max(spread.low or 0.0, 0.0))
    judged = odd_ones(values, u_compare, times=limit("sweep.odd_deviations"), least_ratio=limit("sweep.odd_ratio"))
    return evidence, [(coil.position, each.ratio) for coil, each in zip(kept, judged, strict=True) if each.odd]
