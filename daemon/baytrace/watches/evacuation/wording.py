"""Plain sentences of the evacuation watch."""

from __future__ import annotations

import math

from baytrace.measure.verdict import Outcome, Verdict
from baytrace.physics.pressure_rise import Estimate
from baytrace.watches.evacuation.assess import Assessment
from baytrace.watches.evacuation.decision import Against, Cause
from baytrace.watches.evacuation.waiting import further


def span(seconds: float) -> str:
    """`45 s`, `9 min 20 s`, `1 h 5 min`."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, rest = divmod(round(whole / 60), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def plain(value: float) -> str:
    """Two digits and no power of ten: `0.012`, `3.4`, `180`."""
    rounded = float(f"{value:.1e}")
    digits = max(1 - math.floor(math.log10(abs(rounded))), 0) if rounded else 0
    return f"{rounded:.{digits}f}"


def a_minute(rate: Estimate) -> str:
    """Of a rate in Pa/s, `18 Pa/min`; where none is certain, `at most 0.5 Pa/min`."""
    return f"{plain(rate.value * 60.0)} Pa/min" if rate.low > 0.0 else f"at most {plain(rate.high * 60.0)} Pa/min"


def water_words(stand: Against | None) -> str:
    return {None: "water not known", "below": "no water above the limit", "above": "water evaporates"}.get(
        stand and stand.vapour, "water not yet excluded"
    )


def leak_words(stand: Against | None) -> str:
    return {None: "leak not known", "below": "no leak above the limit", "above": "it leaks"}.get(
        stand and stand.rate, "leak not yet excluded"
    )


def holding(assessment: Assessment, hold_s: float) -> str:
    """The live sentence of a hold."""
    text = f"Holding vacuum, {span(assessment.seconds)} of {span(hold_s)}"
    fit = assessment.fit
    if fit is None:
        return f"{text}, too early to tell"
    text += f", steady rise {a_minute(fit.rate)}, {water_words(assessment.stand)}, {leak_words(assessment.stand)}"
    if assessment.cause is not Cause.UNDECIDED:
        if assessment.seconds < hold_s:
            text += f": the evidence says {assessment.cause}, the set time runs on"
        return text
    if assessment.more is None:
        return f"{text}: a longer hold alone will not decide it"
    return f"{text}: {further(assessment.more, max(hold_s - assessment.seconds, 0.0))} more"


def found(cause: Cause) -> str:
    """One sentence for a decided hold."""
    return {
        Cause.TIGHT: "the loop holds: no leak and no water above the limits",
        Cause.LEAK: "the pressure keeps rising without levelling off: air is coming in",
        Cause.MOISTURE: "the pressure rises and levels off: water, or refrigerant out of the oil, is evaporating",
        Cause.LEAK_AND_MOISTURE: "part of the rise levels off (water or refrigerant out of the oil) and part does not (a leak)",
        Cause.UNDECIDED: "what was measured does not decide between tight, leak and water",
    }[cause]


def ended(what: str, why: str) -> str:
    """Why a hold or a test ended; `why` may be `mark 'charge start'`."""
    return f"The {what} ended by the {why}." if why.startswith("mark ") else f"The {what} ended: {why}."


def over(given: Verdict, what: str, again: str) -> str:
    """The live sentence of what is over; `again` is the mark that begins another try of what stays undecided."""
    if given.outcome is not Outcome.UNDECIDED:
        return f"{what} over: {given.finding} ({given.outcome})"
    why = given.reasons[0].rstrip(".")
    retry = "" if "mark '" in why else f"; to try again, mark '{again}'"
    return f"{what} over, undecided: {why[:1].lower()}{why[1:]}{retry}"
