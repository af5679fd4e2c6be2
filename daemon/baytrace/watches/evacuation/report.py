"""What the evacuation watch says: its verdict with evidence and reasons, and its live status."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from baytrace.measure.instant import NS, format_instant
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Curve, Figure, Outcome, Status, Verdict
from baytrace.physics import leak
from baytrace.physics.pressure_rise import Estimate, RiseFit
from baytrace.watches.bands import band
from baytrace.watches.evacuation import owed, waiting, wording
from baytrace.watches.evacuation.assess import Assessment
from baytrace.watches.evacuation.decision import Cause
from baytrace.watches.evacuation.early import certain_early
from baytrace.watches.evacuation.mute import no_pass
from baytrace.watches.evacuation.phases import Phase
from baytrace.watches.limits_table import limit

if TYPE_CHECKING:
    from baytrace.watches.evacuation.watch import Evacuation

_K95 = 1.959_964
_HOLD_ONLY = "If the readings begin with the hold, set phase=hold."
CAUTION_HOLD = "Leave the valves closed: an opened valve ends the hold."


def figure(estimate: Estimate, unit: str, scale: float = 1.0) -> Figure:
    return Figure(estimate.value * scale, unit, estimate.low * scale, estimate.high * scale, 0.95)


# ---- evidence


def evidence(watch: Evacuation, weighed: Assessment | None) -> dict[str, Figure]:
    found: dict[str, Figure] = {}
    if weighed is not None and weighed.fit is not None:
        found |= fitted(watch, weighed.fit)
    if watch.hold is not None:
        found["hold_time"] = Figure(watch.hold.seconds, "s")
    if watch.settings.phase == "all":
        found["deep_vacuum_time"] = Figure(watch.deep_s, "s")
    if watch.deepest is not None:
        channel = watch.pressure_channel
        spread = channel.standard_uncertainty(watch.deepest) if channel is not None else None
        found["deepest_pressure"] = (
            Figure(watch.deepest, "Pa") if spread is None else Figure.between(watch.deepest, spread, "Pa")
        )
    return found


def fitted(watch: Evacuation, fit: RiseFit) -> dict[str, Figure]:
    found = {"rise_rate": figure(fit.rate, "Pa/s"), "vapour_rise": figure(fit.vapour, "Pa")}
    if fit.vapour.low > 0.0 and fit.vapour_time.low <= fit.vapour_time.high:
        found["vapour_time"] = figure(fit.vapour_time, "s")
    if watch.settings.volume_l is None:
        return found
    cubic = watch.settings.volume_l * 1e-3
    found["leak_rate"] = figure(fit.rate, "Pa*m3/s", cubic)
    found["leak_rate_mbar_l_s"] = figure(fit.rate, "mbar*L/s", cubic / leak.PA_M3_S_PER_MBAR_L_S)
    if watch.gas is not None:
        yearly = leak.yearly_loss(1.0, watch.gas, watch.settings.ambient_pa)
        found["yearly_loss_equal_throughput"] = figure(fit.rate, "g/a", cubic * yearly.equal_throughput)
        found["yearly_loss_laminar"] = figure(fit.rate, "g/a", cubic * yearly.laminar)
    return found


# ---- verdict


def verdict(watch: Evacuation, weighed: Assessment | None) -> Verdict:
    figures = evidence(watch, weighed)
    outcome, finding, reasons = _decide(watch, weighed)
    if finding == "too short":
        missing = _missing(watch, weighed)
        if missing > 0.0:
            figures["more_time_needed"] = Figure(missing, "s")
    elif outcome is Outcome.UNDECIDED and weighed is not None and weighed.more is not None:
        needed = waiting.needed(weighed.more)
        if needed is not None:
            figures["more_time_needed"] = needed
    return Verdict(watch.name, outcome, finding, tuple(reasons + _remarks(watch, weighed)), figures)


def _missing(watch: Evacuation, weighed: Assessment | None) -> float:
    deep = max(watch.settings.deep_vacuum_s - watch.deep_s, 0.0) if watch.settings.phase == "all" else 0.0
    if watch.hold is None:
        return deep + watch.settings.hold_s
    if deep > _slack(watch):
        return deep + watch.settings.hold_s
    if watch.hold_end is not None:
        return watch.settings.hold_s  # another hold starts from nothing
    more = weighed.more.middle_s if weighed is not None and weighed.more is not None else 0.0
    return max(watch.settings.hold_s - watch.hold.seconds, more)


def _slack(watch: Evacuation) -> float:
    """A trace of N readings spans N - 1 periods: two periods are no shortfall."""
    return 2.0 * watch.hold.period_s if watch.hold is not None else 0.0


def _decide(watch: Evacuation, weighed: Assessment | None) -> tuple[Outcome, str, list[str]]:
    hold, settings = watch.hold, watch.settings
    if hold is None or weighed is None:
        return _before_hold(watch)
    complete = hold.seconds >= settings.hold_s - _slack(watch)
    # a turn is seen late by its own scatter: enough for a fail, never for a pass
    nearly = not hold.marked and hold.seconds >= 0.9 * settings.hold_s
    proven = complete or nearly or settings.stop_early or weighed.beyond_saturation
    if weighed.cause.bad and proven:
        return Outcome.FAIL, str(weighed.cause), [_sentence(wording.found(weighed.cause)), *_leak_words(watch, weighed)]
    if certain_early(hold, weighed):
        said = [_cut_short(watch), _sentence(wording.found(weighed.cause)), *_leak_words(watch, weighed)]
        return Outcome.FAIL, str(weighed.cause), said
    shallow = _not_deep_enough(watch)
    if shallow is not None:
        return shallow
    short = _too_short(watch, weighed, complete)
    if short:
        return Outcome.UNDECIDED, "too short", short
    if hold.gaps or (hold.silent(watch.now_ns) and watch.hold_end is None):
        return Outcome.UNDECIDED, "undecided", [_gap_words(watch)]
    groundless = _groundless(watch, weighed)
    if groundless is not None:
        return Outcome.UNDECIDED, "undecided", [groundless]
    if weighed.cause is Cause.TIGHT:
        return Outcome.PASS, "tight", [_sentence(wording.found(Cause.TIGHT)), *owed.gross_alone(watch, weighed)]
    said = [_sentence(wording.found(Cause.UNDECIDED)), *_undecided_words(weighed), *owed.volume_words(watch, weighed)]
    return Outcome.UNDECIDED, "undecided", said


def _groundless(watch: Evacuation, weighed: Assessment) -> str | None:
    """Why a hold that looks tight cannot pass."""
    if watch.hold is None or weighed.fit is None or weighed.cause is not Cause.TIGHT:
        return None
    return no_pass(watch.hold, weighed.fit, watch.pressure_channel)


def _cut_short(watch: Evacuation) -> str:
    assert watch.hold is not None
    spans = f"{wording.span(watch.hold.seconds)} of {wording.span(watch.settings.hold_s)}"
    if watch.hold_end is None:
        return f"The hold has run {spans}; the leak is certain already."
    return f"The hold was cut short after {spans}, but the leak is certain: only a pass needs the set time."


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _before_hold(watch: Evacuation) -> tuple[Outcome, str, list[str]]:
    if watch.last_pressure is None:
        return Outcome.UNDECIDED, "undecided", ["No reading of the system pressure was seen."]
    since = watch.pump_since_ns
    pumped = (watch.now_ns - since) / NS if since is not None else 0.0
    if pumped >= watch.settings.deep_vacuum_s:
        shallow = _not_deep_enough(watch)
        if shallow is not None:
            return shallow
    if watch.outdated is not None:
        said = f"The pump was started again after the last hold ({watch.outdated.finding}), and no hold was seen since."
        return Outcome.UNDECIDED, "too short", [said]
    missed = ["No hold was seen: neither a mark 'isolated' nor a turn of the pressure.", _HOLD_ONLY]
    if watch.no_vacuum_pa is not None:
        missed[1] = f"'isolated' was marked at {watch.no_vacuum_pa:.0f} Pa, which is no vacuum: that began no hold."
    return Outcome.UNDECIDED, "too short", missed


def _not_deep_enough(watch: Evacuation) -> tuple[Outcome, str, list[str]] | None:
    deepest, target = watch.deepest, watch.settings.target_pa
    if watch.settings.phase == "hold" or deepest is None or deepest <= target:
        return None
    channel = watch.pressure_channel
    spread = channel.standard_uncertainty(deepest) if channel is not None else 0.0
    said = f"The deepest pressure was {deepest:.0f} Pa, the target is {target:.0f} Pa"
    if deepest - _K95 * spread > target:
        return Outcome.FAIL, "not deep enough", [said + "."]
    return Outcome.UNDECIDED, "undecided", [f"{said}; the gauge's accuracy leaves open whether it was reached."]


def _too_short(watch: Evacuation, weighed: Assessment, complete: bool) -> list[str]:
    said = []
    settings = watch.settings
    if settings.phase == "all" and watch.deep_s < settings.deep_vacuum_s - _slack(watch):
        said.append(
            f"Deep vacuum lasted {wording.span(watch.deep_s)} below {settings.target_pa:.0f} Pa with the pump on; "
            f"{wording.span(settings.deep_vacuum_s)} are set."
        )
    assert watch.hold is not None
    if not complete and not (settings.stop_early and weighed.cause is Cause.TIGHT):
        said.append(f"The hold lasted {wording.span(watch.hold.seconds)}; {wording.span(settings.hold_s)} are set.")
        if weighed.cause is not Cause.UNDECIDED:
            said.append(f"What was seen of it already says: {weighed.cause}.")
    return said


def _leak_words(watch: Evacuation, weighed: Assessment) -> list[str]:
    fit = weighed.fit
    if fit is None:
        return []
    if weighed.cause is Cause.MOISTURE:
        return _leak_besides(watch, weighed, fit)
    volume = watch.settings.volume_l
    if volume is None:
        return []
    flow = fit.rate.value * volume * 1e-3
    said = f"Air comes in at {flow:.2g} Pa m3/s ({leak.mbar_l_s(flow):.2g} mbar L/s)"
    if watch.gas is None:
        return [said + "."]
    loss = leak.yearly_loss(flow, watch.gas, watch.settings.ambient_pa)
    yearly = (
        f"{wording.plain(loss.equal_throughput)} g a year at equal throughput, "
        f"{wording.plain(loss.laminar)} g a year through a fine channel"
    )
    return [
        f"{said}.",
        f"As {watch.gas.name} standing at 20 degC that is {yearly} (laminar flow).",
    ]


def _leak_besides(watch: Evacuation, weighed: Assessment, fit: RiseFit) -> list[str]:
    """Water found says nothing about a leak beside it unless the rest of the rise is surely small."""
    if weighed.stand is None or weighed.stand.rate == "below":
        return []
    likely = "is likely" if fit.rate.low > watch.limits.leak else "is not excluded"
    most = f"{fit.rate.high:.2g} Pa/s of the rise may be air"
    if watch.settings.volume_l is not None:
        most += f", {fit.rate.high * watch.settings.volume_l * 1e-3:.2g} Pa m3/s"
    return [f"A leak besides {likely}: up to {most}. Dry the loop and hold again."]


def _undecided_words(weighed: Assessment) -> list[str]:
    if weighed.fit is None:
        return ["Too few readings."]
    said = [f"The rise: {wording.leak_words(weighed.stand)}, {wording.water_words(weighed.stand)}."]
    if weighed.more is not None:
        further = _sentence(f"{waiting.further(weighed.more)} more of hold should decide it")
        never = math.isinf(weighed.more.high_s) and not waiting.known_well(weighed.more)
        said.append(further if not never else f"{further[:-1]}, if waiting alone ever does.")
    else:
        said.append("A longer hold alone would not decide it; a steadier temperature or a finer gauge might.")
    return said


def _gap_words(watch: Evacuation) -> str:
    hold = watch.hold
    assert hold is not None
    longest = max((gap.seconds for gap in hold.gaps), default=(watch.now_ns - hold.last_ns) / NS)
    return (
        f"Nothing was read from the gauge for {wording.span(longest)} during the hold (no more than "
        f"{wording.span(watch.settings.max_gap_s)} is allowed), so this hold cannot pass; mark 'isolated' to begin another."
    )


def _remarks(watch: Evacuation, weighed: Assessment | None) -> list[str]:
    """What a reader of the verdict should know besides."""
    said = []
    plateau = watch.water.plateau
    if plateau is not None:
        kind = "ice or cold water may have been" if plateau.ice else "water was"
        said.append(
            f"During the pull-down {kind} boiling off: {wording.span(plateau.seconds)} near {plateau.pressure:.0f} Pa."
        )
    if watch.hold is not None and not watch.hold.marked:
        said.append("The isolation was not marked; it was seen as the turn of the curve.")
    if watch.hold is not None and watch.hold.never_moved and watch.hold.cells.readings > 1:
        said.append("The gauge's display never moved during the hold; see that it is not at the end of its range.")
    if watch.hold_end is not None and watch.hold_end.why != "hold complete":
        said.append(wording.ended("hold", watch.hold_end.why))
    if weighed is not None and weighed.fit is not None:
        if weighed.fit.thermal.drift_k > 0.0:
            said.append(
                f"No system temperature was measured: {weighed.fit.thermal.drift_k:.0f} K of unseen drift is allowed for."
            )
        if watch.settings.volume_l is None:
            said.append(
                f"The loop's volume (volume_l) is not given: a rise below {watch.limits.rate:.3g} Pa/s is no leak and one above "
                f"{watch.limits.leak:.3g} Pa/s is one in every loop of {limit('evacuation.least_volume_l'):g} to "
                f"{limit('evacuation.most_volume_l'):g} L; in between it is needed."
            )
    if watch.wild:
        said.append(f"{_counted(watch.wild, 'wild')} left out.")
    if watch.bad_readings:
        said.append(f"{_counted(watch.bad_readings, 'unusable')} left out.")
    return said


def _counted(number: int, kind: str) -> str:
    return f"{number} {kind} reading{' was' if number == 1 else 's were'}"


# ---- status


def status(watch: Evacuation) -> Status:
    match watch.phase:
        case Phase.HOLD:
            return _holding(watch)
        case Phase.WAITING:
            said, waiting = _unheard(watch) or "Waiting for the pump", "the pump"
            details = _details(watch, None) | {"mark": "pump on"}
            return Status(str(watch.phase), said, "deepest_pressure", waiting, details=details)
        case Phase.PULL_DOWN | Phase.DEEP_VACUUM:
            return _pumping(watch)
        case _:
            return Status(
                str(watch.phase),
                wording.over(watch.verdict(), "Hold" if watch.hold is not None else "Evacuation", "pump on"),
                _headline(watch),
                progress=1.0,
                details=_details(watch, None),
                curve=_curve(watch),
            )


def _unheard(watch: Evacuation) -> str | None:
    """Said of a gauge that says nothing, before the hold."""
    if watch.last_pressure is None:
        return "Waiting for the vacuum gauge, which has said nothing yet: see that it is on and connected"
    if watch.silent_s > 0.0:
        silent = wording.span(watch.silent_s)
        return f"The vacuum gauge has been silent for {silent}: no time counts until it is read again, see that it is on and connected"
    return None


def _headline(watch: Evacuation) -> str:
    return "leak_rate" if watch.settings.volume_l is not None else "rise_rate"


def _pumping(watch: Evacuation) -> Status:
    settings = watch.settings
    left = max(settings.deep_vacuum_s - watch.deep_s, 0.0)
    progress = min(watch.deep_s / settings.deep_vacuum_s, 1.0) if settings.deep_vacuum_s else 1.0
    pressure, unheard = watch.last_pressure, _unheard(watch)
    if pressure is None or unheard is not None:
        return Status(
            str(watch.phase),
            unheard or "",
            "deepest_pressure",
            "the gauge",
            None,
            progress,
            details=_details(watch, None),
        )
    if watch.phase is Phase.PULL_DOWN:
        said = f"Pulling down, {pressure:.0f} Pa, target {settings.target_pa:.0f} Pa"
        if watch.water.plateau is not None:
            said += "; water is boiling off" if not watch.water.plateau.ice else "; water may be freezing in the loop"
        details = _details(watch, None) | {"shown": {"name": "pressure now", "value": pressure, "unit": "Pa"}}
        return Status("pull-down", said, "deepest_pressure", "deep vacuum", None, progress, details=details)
    said = f"Deep vacuum, {wording.span(watch.deep_s)} of {wording.span(settings.deep_vacuum_s)} below {settings.target_pa:.0f} Pa"
    if left == 0.0:
        said += ": long enough, close the valves and mark 'isolated'"
        details = _details(watch, None) | {"mark": "isolated"}
        return Status("deep vacuum", said, "deep_vacuum_time", "isolation", None, 1.0, details=details)
    return Status("deep vacuum", said, "deep_vacuum_time", "time", left, progress, details=_details(watch, None))


def _holding(watch: Evacuation) -> Status:
    weighed = watch.weighed(ahead=True)
    settings = watch.settings
    left: float | None = weighed.time_left(settings.hold_s)
    assert watch.hold is not None
    said = vain = _in_vain(watch, weighed)
    waiting, details = "evidence" if weighed.seconds >= settings.hold_s else "time", _details(watch, weighed)
    if vain is not None:
        left, waiting = None, "another hold"
    elif watch.hold.marked or weighed.cause is Cause.UNDECIDED or left != 0.0:
        said = wording.holding(weighed, settings.hold_s)
    else:
        said = f"{wording.holding(weighed, settings.hold_s)}: long enough, mark 'hold end'"
        waiting, details["mark"] = "the end of the hold", "hold end"
    return Status(
        "hold",
        said or "",
        _headline(watch),
        waiting,
        left,
        None if left is None else min(weighed.seconds / max(weighed.seconds + left, 1.0), 1.0),
        CAUTION_HOLD,
        _curve(watch),
        details,
    )


def _in_vain(watch: Evacuation, weighed: Assessment) -> str | None:
    """Why this hold cannot pass any more, however long it goes on; None while it can, or where it will fail anyway."""
    hold, settings = watch.hold, watch.settings
    assert hold is not None
    if hold.silent(watch.now_ns):
        return _gap_words(watch)
    if weighed.cause.bad:
        return None
    if hold.gaps:
        return _gap_words(watch)
    if settings.phase == "all" and hold.cells.readings > 2:
        short = None
        if watch.deepest is not None and watch.deepest > settings.target_pa:
            short = f"The deepest pressure was {watch.deepest:.0f} Pa, the target is {settings.target_pa:.0f} Pa"
        elif watch.deep_s < settings.deep_vacuum_s - _slack(watch):
            short = f"Deep vacuum lasted {wording.span(watch.deep_s)} of the {wording.span(settings.deep_vacuum_s)} set"
        if short is not None:
            return f"{short}, so this hold cannot pass; start the pump again and mark 'pump on'."
    return _groundless(watch, weighed)


def _curve(watch: Evacuation) -> Curve | None:
    """The fit over the hold, with the scatter of a cell; ahead of now, fanned out by the interval of the rate."""
    if watch.hold is None:
        return None
    fit = watch.weighed(ahead=watch.hold_end is None).fit
    if fit is None:
        return None
    end = fit.span_s if watch.hold_end is not None else max(watch.settings.hold_s, fit.span_s)
    time_s = np.linspace(0.0, end, 61)
    level = fit.level(time_s)
    beyond = np.maximum(time_s - fit.span_s, 0.0)
    noise = _K95 * fit.noise_pa
    low = level - noise - (fit.rate.value - fit.rate.low) * beyond
    high = level + noise + (fit.rate.high - fit.rate.value) * beyond
    times = [watch.hold.start_ns + round(second * NS) for second in time_s.tolist()]
    return Curve("system_pressure", times, level.tolist(), np.maximum(low, 0.0).tolist(), high.tolist())


def _details(watch: Evacuation, weighed: Assessment | None) -> dict[str, Any]:
    details: dict[str, Any] = {
        "phases": [
            {"phase": str(seen.phase), "since": format_instant(seen.start_ns, 3), "seen_by": seen.how}
            for seen in watch.seen
        ],
        "deep_vacuum_s": watch.deep_s,
        "wild_readings": watch.wild,
        "unusable_readings": watch.bad_readings,
    }
    if watch.hold is not None:
        details["against"] = _against(watch)
    else:
        details["bands"] = [band(Role.SYSTEM_PRESSURE, "deep vacuum", None, watch.settings.target_pa, "target")]
    plateau = watch.water.plateau
    if plateau is not None:
        details["water_plateau"] = {"seconds": plateau.seconds, "pressure_pa": plateau.pressure, "ice": plateau.ice}
    if watch.early is not None:
        details["early"] = {"finding": str(watch.early.cause), "after_s": watch.early.seconds}
    if weighed is not None and weighed.fit is not None:
        fit = weighed.fit
        details["limit_line"] = _limit_line(watch, fit)
        details["fit"] = {
            "evidence": {name: one.to_json() for name, one in fitted(watch, fit).items()},
            "noise_pa": fit.noise_pa,
            "memory": fit.scatter.memory,
            "shape": fit.kind.name.lower(),
            "finding_so_far": str(weighed.cause),
            "more": None if weighed.more is None else _finite(weighed.more._asdict()),
        }
    return details


def _finite(told: dict[str, float]) -> dict[str, float]:
    return {name: value for name, value in told.items() if math.isfinite(value)}


def _against(watch: Evacuation) -> dict[str, Any]:
    """What the headline of a hold is held against."""
    if watch.settings.volume_l is not None:
        return {"value": watch.settings.leak_limit, "unit": "Pa*m3/s"}
    return {"value": watch.limits.rate, "unit": "Pa/s"}


def _limit_line(watch: Evacuation, fit: RiseFit) -> dict[str, Any]:
    """What a leak of just the limit would make of the pressure at the start of the hold; Pa."""
    assert watch.hold is not None
    seconds = max(watch.settings.hold_s, fit.span_s)
    first = float(fit.level(np.zeros(1))[0])
    start_ms = watch.hold.start_ns // 1_000_000
    times = [start_ms, start_ms + round(seconds * 1e3)]
    return {"time_ms": times, "value": [first, first + watch.limits.rate * seconds]}
