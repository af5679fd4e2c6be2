"""One coil: its resistance with what it is uncertain by, and what that says against the limits.

The resistance is the steady value less the leads. Leads that were neither nulled nor measured can only have added, so they
widen the interval downwards and nothing else. The limits hold at the reference temperature. Without a coil temperature the
resistance is judged for every temperature that coils usually have (`usual_celsius`), and what does not hold for all is undecided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from baytrace.measure.channel import Channel
from baytrace.measure.decision import Decision, assess
from baytrace.measure.uncertainty import K95, Budget, rectangular
from baytrace.measure.verdict import Figure, Outcome
from baytrace.physics.coils import COPPER_ALPHA_20, COPPER_ALPHA_U, refer
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.contacts import Touch, joined
from baytrace.watches.sweep.settings import SweepSettings
from baytrace.watches.sweep.steady import Steady, agree

BAD = ("low", "high", "open", "short")


def ohms(value: float, digits: int = 4) -> str:
    """`12.05 ohm`, `200 kohm`."""
    return f"{value:.{digits}g} ohm" if abs(value) < 9999.5 else f"{value / 1e3:.{digits}g} kohm"


def spanned(low: float, high: float) -> str:
    return f"{ohms(low)} to {ohms(high)}"


@dataclass(frozen=True, slots=True)
class Temperature:
    """Of the coil while it was touched, degC and standard uncertainty in K."""

    celsius: float
    u: float
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Leads:
    """`known` is false when nobody nulled or measured them."""

    ohm: float = 0.0
    u: float = 0.0
    known: bool = False


@dataclass(slots=True)
class Coil:
    position: int
    finding: str
    resistance: Figure | None = None
    at_reference: Figure | None = None
    budget: Budget = field(default_factory=Budget)
    decision: Decision | None = None
    note: str = ""
    scatter: float = 0.0
    judged: Figure | None = None
    """Over every usual coil temperature, where none is known; else what is compared."""
    as_touched: str = ""
    """What was found, where it cannot be told which coil that was."""

    @property
    def bad(self) -> bool:
        return (self.as_touched or self.finding) in BAD

    @property
    def compared(self) -> Figure | None:
        """What the limits and the bank look at."""
        return self.at_reference or self.resistance

    def to_json(self) -> dict[str, Any]:
        data: dict[str, Any] = {"position": self.position, "finding": self.finding}
        if self.resistance is not None:
            data["resistance"] = self.resistance.to_json()
        if self.at_reference is not None:
            data["at_reference"] = self.at_reference.to_json()
        if self.note:
            data["note"] = self.note
        return data


def judge_coil(
    position: int,
    touches: Sequence[Touch],
    channel: Channel,
    settings: SweepSettings,
    *,
    leads: Leads,
    temperature: Temperature | None,
) -> Coil:
    """Of a coil that was touched at least once."""
    state, note = _together(touches)
    ohm = state.value - leads.ohm
    if not state.steady:
        figure = Figure(ohm, "ohm", state.low - leads.ohm, state.high - leads.ohm)
        said = note or f"reads {spanned(state.low, state.high)} while touched: hold the tips still and touch it again"
        return Coil(position, "unsteady", figure, note=said)
    meter = channel.instrument or channel.name
    budget = (
        Budget()
        .with_part("meter", channel.standard_uncertainty(state.value), meter)
        .with_part("contact", rectangular(limit("sweep.contact_ohm")), "the contact")
        .with_part("scatter", state.u, "the contact")
        .with_part("leads", leads.u, "the leads")
    )
    below = 0.0 if leads.known else float(limit("sweep.lead_unknown_ohm"))
    coil = Coil(position, "undecided", _figure(ohm, budget.u, below), budget=budget, scatter=state.u)
    alpha = COPPER_ALPHA_20 if settings.alpha is None else settings.alpha
    if temperature is not None and alpha > 0.0:
        u_alpha = COPPER_ALPHA_U if settings.alpha is None else 0.0
        at = refer(
            ohm, temperature.celsius, settings.reference_c, u_celsius=temperature.u, alpha_20=alpha, u_alpha=u_alpha
        )
        budget = (
            budget.scaled(at.factor)
            .with_part("coil temperature", at.from_temperature, temperature.instrument)
            .with_part("temperature coefficient", at.from_coefficient, "the copper")
        )
        coil.budget, coil.at_reference = budget, _figure(at.ohm, budget.u, below * at.factor)
    elif alpha > 0.0:
        coil.judged = _over_usual(coil.resistance, settings, alpha)
    _decide(coil, settings)
    return coil


def _figure(ohm: float, u: float, below: float) -> Figure:
    return Figure(ohm, "ohm", ohm - K95 * u - below, ohm + K95 * u, 0.95)


def _over_usual(figure: Figure | None, settings: SweepSettings, alpha: float) -> Figure:
    """At the reference temperature, whichever of the usual temperatures the coil has."""
    assert figure is not None
    assert figure.low is not None
    assert figure.high is not None
    cold, warm = settings.usual_celsius
    low = min(refer(figure.low, celsius, settings.reference_c, alpha_20=alpha).ohm for celsius in (cold, warm))
    high = max(refer(figure.high, celsius, settings.reference_c, alpha_20=alpha).ohm for celsius in (cold, warm))
    return Figure(min(max(figure.value, low), high), "ohm", low, high, 0.95)


def _together(touches: Sequence[Touch]) -> tuple[Steady, str]:
    """All contacts of one coil as one; steady ones that disagree make it unsteady."""
    states = [touch.settled() for touch in touches]
    solid = [state for state in states if state.steady and state.n >= 2] or [state for state in states if state.steady]
    if not solid:
        return joined(touches).settled() if len(touches) > 1 else states[0], ""
    if any(not agree(solid[0], state) for state in solid):
        values = [state.value for state in solid]
        listed = ", ".join(ohms(value) for value in values)
        said = f"contacts disagree: {listed}; if one of them was another coil, sweep the bank again in a new session"
        return Steady(
            sorted(values)[len(values) // 2], 0.0, len(values), steady=False, low=min(values), high=max(values)
        ), said
    n = sum(state.n for state in solid)
    value = sum(state.value * state.n for state in solid) / n
    spread = max(state.value for state in solid) - min(state.value for state in solid)
    u = max(*(state.u for state in solid), rectangular(spread / 2.0))
    return Steady(value, u, n, steady=True, low=min(s.low for s in solid), high=max(s.high for s in solid)), ""


def _decide(coil: Coil, settings: SweepSettings) -> None:
    low, high = settings.limits
    figure = coil.judged or coil.compared
    assert figure is not None
    if low is None and high is None:
        coil.note = "no limits: set low_ohm and high_ohm, or a family"
        return
    if low and assess(figure, upper=limit("sweep.short_fraction") * low, guard=settings.guard).outcome is Outcome.PASS:
        coil.finding = "short"
        return
    decision = coil.decision = assess(figure, upper=high, lower=low, guard=settings.guard)
    if decision.outcome is Outcome.PASS and (low is None or high is None):
        lacking = "lowest good resistance: set low_ohm" if low is None else "highest good resistance: set high_ohm"
        coil.note = f"nobody said the {lacking}, or a family"
    elif decision.outcome is Outcome.PASS:
        coil.finding = "within"
    elif decision.outcome is Outcome.FAIL:
        coil.finding = "high" if high is not None and figure.value > high else "low"
    else:
        coil.note = _missing(coil, decision) if coil.judged is None else _unknown_warmth(coil, settings)


def _unknown_warmth(coil: Coil, settings: SweepSettings) -> str:
    """What the coil would be at the reference temperature, cold and warm, and what to enter."""
    figure, judged = coil.resistance, coil.judged
    assert figure is not None
    assert judged is not None
    assert judged.low is not None
    assert judged.high is not None
    cold, warm = settings.usual_celsius
    leads = (
        "" if figure.low is None or figure.value - figure.low <= 2.0 * K95 * coil.budget.u else "; null the leads too"
    )
    return (
        f"{ohms(figure.value)} as read is {spanned(judged.low, judged.high)} at {settings.reference_c:g} degC for a coil of "
        f"{cold:g} to {warm:g} degC: measure the coil temperature or set temperature_c{leads}"
    )


def _missing(coil: Coil, decision: Decision) -> str:
    """Which instrument is too coarse for this coil, and how good it would have to be."""
    figure, largest = coil.compared, coil.budget.largest()
    assert figure is not None
    assert figure.low is not None
    near = f"{ohms(figure.value)} is too near the limit of {ohms(decision.limit)}"
    if figure.value - figure.low > 2.0 * K95 * coil.budget.u:
        return f"{near} while the leads are unknown: null them or touch the tips together and mark 'leads shorted'"
    if largest is None:
        return near
    allowed = coil.budget.allowed(largest, decision.needed_u)
    if allowed <= 0.0:
        return f"{near} for any meter here"
    gives, needed = (ohms(K95 * u, 2) for u in (largest.u, allowed))
    return f"{near}: {largest.instrument or largest.name} gives ± {gives}, ± {needed} would decide"
