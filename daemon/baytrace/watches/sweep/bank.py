"""All coils together: the odd one out, and the verdict."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from typing import Any

from baytrace.measure.uncertainty import rectangular
from baytrace.measure.verdict import Figure, Outcome, Verdict
from baytrace.physics.coils import odd_ones
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.coil import Coil, Leads, Temperature
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
    elif settings.coils is None and not named.by_mark:
        doubts.append("how many coils there are was not said: set coils, or say coil marks")
    if settings.coils is not None and any(coil.position > settings.coils for coil in coils):
        doubts.append(f"more than {settings.coils} coils were touched")
    if bad:
        outcome, finding = Outcome.FAIL, _said(bad)
    elif coils and not doubts and all(coil.finding == "within" for coil in coils):
        outcome, finding = Outcome.PASS, "all within"
    else:
        outcome, finding = Outcome.UNDECIDED, "undecided" if touched else "no coil seen"
    reasons = [_reason(coil, settings) for coil in bad]
    reasons += [
        f"coil {coil.position} {coil.finding}: {coil.note}"
        for coil in coils
        if not coil.bad and coil.finding != "within"
    ]
    reasons += doubts
    reasons += [
        f"coil {place} is the odd one out: {100.0 * (ratio - 1.0):+.1f} % from the others" for place, ratio in bank
    ]
    reasons += _assumptions(touched, settings, leads, temperature)
    if leads.known:
        evidence["lead_resistance"] = Figure.between(leads.ohm, leads.u, "ohm")
    if temperature is not None:
        evidence["coil_temperature"] = Figure.between(temperature.celsius, temperature.u, "degC")
    evidence["contacts"] = Figure(float(named.found), "1")
    more: dict[str, Any] = {"coils": [coil.to_json() for coil in coils], "odd": [place for place, _ in bank]}
    return Verdict("sweep", outcome, finding, tuple(reasons), evidence, more)


def _said(bad: Sequence[Coil]) -> str:
    if any(coil.as_touched for coil in bad):
        kinds = sorted({coil.as_touched or coil.finding for coil in bad})
        return f"a coil {kinds[0]}" if len(bad) == 1 else f"{len(bad)} coils {' or '.join(kinds)}"
    if len(bad) == 1:
        return f"coil {bad[0].position} {bad[0].finding}"
    return "coils " + ", ".join(f"{coil.position} {coil.finding}" for coil in bad)


def _reason(coil: Coil, settings: SweepSettings) -> str:
    if coil.as_touched and coil.compared is not None:
        return (
            f"contact {coil.position} {coil.as_touched}: {coil.compared.value:.4g} ohm; which coil it was is not sure"
        )
    if coil.compared is None:
        return f"coil {coil.position} {coil.finding}: {coil.note}"
    low, high = settings.limits
    edges = " to ".join("any" if edge is None else f"{edge:.4g}" for edge in (low, high))
    at = f" at {settings.reference_c:g} degC" if coil.at_reference is not None else ""
    return f"coil {coil.position} {coil.finding}: {coil.compared.value:.4g} ohm{at}, limits {edges} ohm"


def _assumptions(
    touched: Sequence[Coil], settings: SweepSettings, leads: Leads, temperature: Temperature | None
) -> list[str]:
    said: list[str] = []
    if not touched:
        return said
    if temperature is None and settings.alpha != 0.0:
        said.append(f"coil temperature unknown: judged as read, as if at {settings.reference_c:g} degC")
    if not leads.known:
        said.append(f"leads not nulled: up to {limit('sweep.lead_unknown_ohm'):g} ohm of each reading may be theirs")
    return said


def _bank(coils: Sequence[Coil]) -> tuple[dict[str, Figure], list[tuple[int, float]]]:
    """Evidence of the bank, and the odd coils with their ratio to the others."""
    kept = [coil for coil in coils if coil.compared is not None and coil.finding not in ("short", "unsteady")]
    ohms = [coil.compared.value for coil in kept if coil.compared is not None]
    if not ohms:
        return {}, []
    scatter = statistics.median(coil.scatter for coil in kept)
    u_compare = math.hypot(rectangular(limit("sweep.contact_ohm")), scatter) * math.sqrt(2.0)
    median = statistics.median(ohms)
    middle = min(kept, key=lambda coil: abs((coil.compared or Figure(0.0, "ohm")).value - median))
    evidence = {"bank_median": Figure.between(median, middle.budget.u, "ohm")}
    if len(ohms) > 1:
        evidence["bank_spread"] = Figure.between(max(ohms) - min(ohms), u_compare, "ohm")
    judged = odd_ones(ohms, u_compare, times=limit("sweep.odd_deviations"), least_ratio=limit("sweep.odd_ratio"))
    return evidence, [(coil.position, each.ratio) for coil, each in zip(kept, judged, strict=True) if each.odd]
