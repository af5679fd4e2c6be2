"""What the mass and the settled loop say of the charge. JCGM 106: decided only when the whole 95 % interval is on one side."""

from __future__ import annotations

import math
from dataclasses import dataclass

from baytrace.measure.decision import decide, worst
from baytrace.measure.verdict import Figure, Outcome
from baytrace.watches.charge.mass import Charged
from baytrace.watches.charge.settings import ChargeSettings
from baytrace.watches.charge.silence import Silence
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value
from baytrace.watches.running.wording import span

UNDER, OVER = "undercharged", "overcharged"
_TOLD_KG = 0.004  # a gap in which less than this left the tank is not worth a sentence
_TOLD_ONE_BY_ONE = 3


@dataclass(frozen=True, slots=True)
class Judgement:
    """One requirement: its outcome, a sentence, and the finding it would give when it fails."""

    outcome: Outcome
    text: str
    finding: str = "settled"


def judge_mass(mass: Charged | None, settings: ChargeSettings) -> Judgement | None:
    """Against the label; None when there is nothing to compare."""
    if mass is None or settings.label_g is None:
        return None
    grams, u = mass.mass_kg * 1e3, mass.uncertainty_kg * 1e3
    lower, upper = settings.label_g - settings.tolerance_g, settings.label_g + settings.tolerance_g
    outcome = decide(grams, u, lower=lower, upper=upper)
    off = grams - settings.label_g
    finding = UNDER if off < 0.0 else OVER
    stands = f"{abs(off):.0f} g {'under' if off < 0 else 'over'}" if round(off) else "right on"
    text = (
        f"{round(grams)} g charged (± {1.96 * u:.0f} g), {stands} the label's "
        f"{settings.label_g:.0f} g; {settings.tolerance_g:.0f} g either way is allowed"
    )
    if mass.later_kg > 0.0 and grams + 1.96 * u < upper:
        outcome = Outcome.UNDECIDED
        text += f": but {mass.later_kg * 1e3:.0f} g more left the tank after 'charge end' was marked; mark it again if they went in"
    elif outcome is Outcome.UNDECIDED:
        text += ": too close to the limit for this scale to tell"
    elif not _stands(mass, outcome, lower, upper):
        outcome = Outcome.UNDECIDED
        text += ": with what the scale did not show it cannot be told"
    return Judgement(outcome, text, finding)


def _stands(mass: Charged, outcome: Outcome, lower: float, upper: float) -> bool:
    """Whether the outcome holds whatever happened while the scale was silent; g."""
    if outcome is Outcome.PASS:
        return mass.sound
    u = mass.uncertainty_kg * 1e3
    if mass.mass_kg * 1e3 < lower:
        return decide(mass.highest_kg * 1e3, u, lower=lower) is Outcome.FAIL
    return decide(mass.lowest_kg * 1e3, u, upper=upper) is Outcome.FAIL


def silence_sentences(mass: Charged) -> list[str]:
    """The gaps of the scale that matter to the charge; many that were bridged share a sentence."""
    told = [gap for gap in mass.silences if gap.unseen or not gap.confirmed or gap.fall_kg >= _TOLD_KG]
    bridged = [gap for gap in told if gap.sound and not gap.unseen and not gap.step]
    if len(bridged) <= _TOLD_ONE_BY_ONE:
        return [_silence_sentence(gap) for gap in told]
    return [_bridged_sentence(bridged), *[_silence_sentence(gap) for gap in told if gap not in bridged]]


def _bridged_sentence(gaps: list[Silence]) -> str:
    longest, fall = max(gap.length_s for gap in gaps), sum(gap.fall_kg for gap in gaps)
    said = f"the scale was silent {len(gaps)} times, for up to {span(longest)}, from {gaps[0].start_s:.0f} s into the trace on"
    said += f"; the {fall * 1e3:.0f} g it showed less afterwards count as charge"
    unsure = sum(not gap.confirmed for gap in gaps)
    if unsure:
        said += f", though beside {unsure} of them the flow does not show that the tank was left alone"
    return said


def _silence_sentence(gap: Silence) -> str:
    if gap.step:
        return (
            f"the scale showed {gap.fall_kg * 1e3:.0f} g less from one reading to the next, {gap.start_s:.0f} s into the trace: "
            "it counts as charge, though it may be the tank that was touched"
        )
    said = f"the scale was silent for {span(gap.length_s)}, {gap.start_s:.0f} s into the trace"
    if gap.unseen:
        return f"{said}, while refrigerant may have gone in unseen"
    if not gap.sound:
        return f"{said}, and the tank was touched meanwhile: what went in then is not known"
    fall = round(gap.fall_kg * 1e3)
    said += (
        f"; the {fall} g it showed less afterwards count as charge" if fall > 0 else ", and showed no less afterwards"
    )
    if not gap.confirmed:
        said += ", though the flow before and after does not show that the tank was left alone"
    return said


def unweighed(label_g: float) -> Judgement:
    """A label and a scale, but no charge seen on it: what is in the loop stays unknown."""
    text = f"the scale saw no charge go in, so nothing shows that the label's {label_g:.0f} g are in the loop"
    return Judgement(Outcome.UNDECIDED, text)


def judge_signs(loop: Loop) -> Judgement | None:
    """Without a weighed charge: superheat and subcooling together, where they say too little or too much for certain."""
    superheat, subcooling = loop.get("superheat"), loop.get("subcooling")
    if superheat is None or subcooling is None:
        return None
    said = f"superheat {superheat.value:.1f} K with subcooling {subcooling.value:.1f} K"
    dry = superheat.low > limit("charge.undercharge_superheat")
    empty = subcooling.high < limit("charge.undercharge_subcooling")
    if dry and (empty or _about(subcooling, limit("charge.undercharge_subcooling"))):
        return Judgement(Outcome.FAIL, f"{said}: too little refrigerant", UNDER)
    full = subcooling.low > limit("charge.overcharge_subcooling")
    if full and superheat.value < limit("charge.overcharge_superheat"):
        return Judgement(Outcome.FAIL, f"{said}: too much refrigerant", OVER)
    return None


def _about(value: Value, edge: float) -> bool:
    return value.value < edge and value.low < 0.0


_LIMITS = (
    ("superheat", "superheat", "K", 0.0, "superheat_min_k", "superheat_max_k"),
    ("subcooling", "subcooling", "K", 0.0, "subcooling_min_k", "subcooling_max_k"),
    ("vent_air", "vent temperature", "degC", ZERO_C_K, "", "vent_max_c"),
    ("vent_depression", "vent below ambient", "K", 0.0, "vent_depression_min_k", ""),
    ("pressure_ratio", "pressure ratio", "", 0.0, "pressure_ratio_min", "pressure_ratio_max"),
)


_NEEDS = {
    "superheat": "the low side's pressure and the suction line's temperature",
    "subcooling": "the high side's pressure, below the critical point, and the liquid line's temperature",
    "vent_air": "the vent air's temperature",
    "vent_depression": "the vent air's temperature and the ambient air's",
    "pressure_ratio": "both pressures",
}


def judge_limits(loop: Loop, settings: ChargeSettings) -> list[Judgement]:
    """Every limit that was set. A limit on a figure that could not be had leaves the whole undecided."""
    found = []
    for name, words, unit, offset, low_key, high_key in _LIMITS:
        lower: float | None = getattr(settings, low_key) if low_key else None
        upper: float | None = getattr(settings, high_key) if high_key else None
        if lower is None and upper is None:
            continue
        value = loop.get(name)
        if value is None:
            text = f"{words} has a limit but could not be measured: it needs {_NEEDS[name]}"
            found.append(Judgement(Outcome.UNDECIDED, text))
            continue
        outcome = decide(value.figure(unit, offset), lower=lower, upper=upper)
        shown = f"{value.value - offset:.1f} {unit}".rstrip()
        text = f"{words} {shown} ({_spread(value, offset)}), {_allowed(lower, upper)} {unit}".rstrip()
        if outcome is Outcome.UNDECIDED:
            text += " is set: too close to tell"
        found.append(Judgement(outcome, text))
    return found


def _spread(value: Value, offset: float) -> str:
    if value.below or value.above:
        return f"{value.low - offset:.1f} to {value.high - offset:.1f}"
    return f"± {1.96 * value.u:.1f}"


def _allowed(lower: float | None, upper: float | None) -> str:
    if lower is None:
        return f"at most {upper:g}"
    return f"at least {lower:g}" if upper is None else f"{lower:g} to {upper:g}"


def overall(judgements: list[Judgement]) -> Outcome:
    """All requirements together; a settled loop without any requirement passes."""
    return worst([judgement.outcome for judgement in judgements]) if judgements else Outcome.PASS


def mass_figures(mass: Charged | None) -> dict[str, Figure]:
    """The mass under its name in a verdict; left out when part of it was never shown by the scale."""
    if mass is None:
        return {}
    figures = {}
    if mass.sound:
        figures["charged_mass"] = Figure.between(mass.mass_kg * 1e3, mass.uncertainty_kg * 1e3, "g")
    elif math.isfinite(mass.highest_kg):
        wider = 1.96 * mass.uncertainty_kg
        bounds = (mass.lowest_kg - wider) * 1e3, (mass.highest_kg + wider) * 1e3
        figures["charged_mass"] = Figure(mass.mass_kg * 1e3, "g", *bounds, 0.95)
    if mass.drift_kg_s:
        figures["scale_drift"] = Figure(mass.drift_kg_s * 1e3, "g/s")
    return figures
