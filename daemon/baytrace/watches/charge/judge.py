"""What the mass and the settled loop say of the charge. JCGM 106: decided only when the whole 95 % interval is on one side."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from baytrace.measure.decision import decide, worst
from baytrace.measure.verdict import Figure, Outcome
from baytrace.watches.charge.mass import Charged
from baytrace.watches.charge.outlook import hose_unknown
from baytrace.watches.charge.scale_record import Doubt
from baytrace.watches.charge.settings import ChargeSettings
from baytrace.watches.charge.silence import Silence
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value
from baytrace.watches.running.wording import span

UNDER, OVER = "undercharged", "overcharged"
UNWEIGHED = "unweighed"
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
    grams = mass.mass_kg * 1e3
    lower, upper = settings.label_g - settings.tolerance_g, settings.label_g + settings.tolerance_g
    outcome = decide(_interval(mass), lower=lower, upper=upper)
    off = grams - settings.label_g
    finding = UNDER if off < 0.0 else OVER
    if mass.rose_kg:
        return Judgement(Outcome.UNDECIDED, _rose(mass), finding)
    stands = f"{abs(off):.0f} g {'under' if off < 0 else 'over'}" if round(off) else "right on"
    text = (
        f"{round(grams)} g charged ({_width(mass)}), {stands} the label's "
        f"{settings.label_g:.0f} g; {settings.tolerance_g:.0f} g either way is allowed"
    )
    if mass.later_kg > 0.0 and mass.high_kg * 1e3 < upper:
        outcome = Outcome.UNDECIDED
        text += f": but {mass.later_kg * 1e3:.0f} g more left the tank after 'charge end' was marked; mark it again if they went in"
    elif outcome is Outcome.UNDECIDED:
        text += f": {_open(mass, lower, upper)}"
    return Judgement(outcome, text, finding)


def _interval(mass: Charged) -> Figure:
    return Figure(mass.mass_kg * 1e3, "g", mass.low_kg * 1e3, mass.high_kg * 1e3, 0.95)


def _width(mass: Charged) -> str:
    """`± 5 g`, or from where to where it may lie."""
    if math.isinf(mass.high_kg):
        return f"at least {max(mass.low_kg, 0.0) * 1e3:.0f} g"
    if mass.below_kg + mass.above_kg > _TOLD_KG * 0.25:
        return f"from {mass.low_kg * 1e3:.0f} to {mass.high_kg * 1e3:.0f} g"
    return f"± {1.96 * mass.uncertainty_kg * 1e3:.0f} g"


def _open(mass: Charged, lower: float, upper: float) -> str:
    """What keeps a mass from being decided."""
    if decide(mass.mass_kg * 1e3, mass.uncertainty_kg * 1e3, lower=lower, upper=upper) is Outcome.UNDECIDED:
        return "too close to the limit for this scale to tell"
    hosed = replace(mass, below_kg=max(mass.below_kg - mass.hose_kg, 0.0))
    if mass.hose_kg and decide(_interval(hosed), lower=lower, upper=upper) is not Outcome.UNDECIDED:
        return "what stayed in the hose would decide"
    return "with what the scale does not tell it cannot be decided"


def _rose(mass: Charged) -> str:
    return (
        f"the scale rose by {mass.rose_kg * 1e3:.0f} g while charging: it counts the other way round, or the tank was filled, so "
        "nothing was weighed; let it show the tank's own weight and charge by that"
    )


def record_sentences(mass: Charged) -> list[str]:
    """All that keeps the scale's record from telling the mass more closely."""
    said = silence_sentences(mass)
    counted = [one for one in mass.touches if mass.start_s < one.end_s and one.start_s < mass.end_s]
    less, more = sum(one.below_kg for one in counted) * 1e3, sum(one.above_kg for one in counted) * 1e3
    if less + more > _TOLD_KG * 1e3:
        said.append(
            f"what a touched tank may have been moved by is left open by the flow: up to {less:.0f} g less or {more:.0f} g more went in"
        )
    said += [_doubt_sentence(doubt) for doubt in mass.doubts[:_TOLD_ONE_BY_ONE]]
    if mass.passes_kg_s:
        said.append(_moving_sentence(mass.passes_kg_s))
    elif abs(mass.drift_kg_s) * (mass.end_s - mass.start_s) > 0.25 * _TOLD_KG:
        said.append(f"the scale drifts by {mass.drift_kg_s * 1e3:+.3f} g/s with the valve shut; that was taken off")
    if mass.swallowed_kg > 0.25 * _TOLD_KG:
        said.append(
            f"the scale stood nearly still for a while between the marks: if it zeroes itself, up to {mass.swallowed_kg * 1e3:.0f} g more "
            "went in unseen; set 'scale_zeroing' to off if it does not"
        )
    if mass.hose_kg:
        said.append(hose_unknown(mass.hose_kg))
    return said


def _moving_sentence(rate: float) -> str:
    if rate < 0.0:
        return (
            f"with the valve shut the scale falls by {-rate * 1e3:.3f} g/s, which no scale at rest does: a valve or a coupling passes; "
            "what that may come to was not taken off, and is in the interval"
        )
    return (
        f"with the valve shut the scale rises by {rate * 1e3:.3f} g/s, which no scale at rest does: it warms, or a hose moves; what that "
        "may come to was not taken off, and is in the interval"
    )


def _doubt_sentence(doubt: Doubt) -> str:
    grams = max(doubt.below_kg, doubt.above_kg) * 1e3
    way = "quicker" if doubt.below_kg > doubt.above_kg else "slower"
    return (
        f"{doubt.start_s:.0f} s into the trace the scale fell {way} for a moment than before and after: if that was the hose and not the "
        f"valve, up to {grams:.0f} g {'less' if way == 'quicker' else 'more'} went in"
    )


def silence_sentences(mass: Charged) -> list[str]:
    """The gaps of the scale that matter to the charge; many that were bridged share a sentence."""
    told = [gap for gap in mass.silences if gap.unseen or not gap.confirmed or gap.fall_kg >= _TOLD_KG]
    bridged = [gap for gap in told if gap.sound and not gap.unseen]
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


def unweighed(settings: ChargeSettings, mass: Charged | None, *, has_scale: bool) -> Judgement:
    """Nothing was held against a label, so what is in the loop stays unknown: it may settle, but not pass."""
    if mass is not None:
        text = (
            f"{round(mass.mass_kg * 1e3)} g charged ({_width(mass)}), and no label charge is set to hold them against"
        )
    elif settings.label_g is None:
        text = "nothing was weighed and no label charge is set, so nothing shows that the right charge is in the loop"
    else:
        saw = "the scale saw no charge go in" if has_scale else "there is no scale"
        text = f"{saw}, so nothing shows that the label's {settings.label_g:.0f} g are in the loop"
    return Judgement(Outcome.UNDECIDED, text, UNWEIGHED)


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
    if full and superheat.high < limit("charge.overcharge_superheat"):
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
    """All requirements together; nothing asked is nothing passed."""
    return worst([judgement.outcome for judgement in judgements])


def mass_figures(mass: Charged | None) -> dict[str, Figure]:
    """The mass under its name in a verdict; left out when part of it was never shown by the scale."""
    if mass is None:
        return {}
    figures = {}
    if math.isfinite(mass.high_kg) and math.isfinite(mass.low_kg):
        figures["charged_mass"] = _interval(mass)
    if mass.drift_kg_s or mass.passes_kg_s:
        figures["scale_drift"] = Figure((mass.passes_kg_s or mass.drift_kg_s) * 1e3, "g/s")
    return figures
