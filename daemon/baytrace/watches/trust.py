"""The one gate every verdict passes before it is shown, kept or exported.

Rules of this file:
- An instrument whose calibration had run out on the day cannot give a `pass`: the verdict becomes `undecided`, the finding
  too, and the first reason names the instrument, the day it ran out and what would have been said.
- Neither can an instrument that its newest field check found off, until a later check agrees or it was calibrated since. The
  field check itself is not held back by what an earlier one said of the instrument it checks.
- A `fail` stays a `fail`; an `undecided` stays what it is. Both say which instrument was overdue or off.
- Neither can one whose accuracy nobody stated on its bench: that of a usual instrument stands in for it, and the reason names the key
  to write. A trace that somebody judges by itself has no bench: there the usual accuracies hold and `judge` says so.
- A calibration that was never recorded is not overdue; it is `UNKNOWN`, and shown as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from baytrace.measure.channel import Channel, found_off, overdue
from baytrace.measure.roles import called
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.watches.limits_table import limit


class Standing(StrEnum):
    """How a channel's calibration stands on a day."""

    CURRENT = "current"
    DUE_SOON = "due soon"
    OVERDUE = "overdue"
    UNKNOWN = "unknown"


def standing(channel: Channel, day: date) -> Standing:
    due = channel.calibration.due
    if due is None:
        return Standing.UNKNOWN
    if overdue(channel, day):
        return Standing.OVERDUE
    soon = timedelta(days=limit("decision.due_soon_days"))
    return Standing.DUE_SOON if due - day <= soon else Standing.CURRENT


def gate(verdict: Verdict, channels_used: Iterable[Channel], day: date) -> Verdict:
    """The verdict as it may be shown. `day` is the UTC day of the last reading the verdict rests on. Gating twice adds nothing."""
    if {"overdue", "found_off", "accuracy_assumed"} & set(verdict.more):
        return verdict
    used = sorted(
        {channel.name: channel for channel in channels_used}.values(),
        key=lambda channel: (channel.instrument, channel.name),
    )
    late = [channel for channel in used if overdue(channel, day)]
    off = [channel for channel in used if channel.name not in verdict.more.get("checked", ()) and found_off(channel)]
    needless = verdict.more.get("checked", ()) if verdict.more.get("allowed_by") == "settings" else ()
    assumed = [channel for channel in used if channel.assumed and channel.name not in needless]
    if not late and not off and not assumed:
        return verdict
    reasons = [*map(_reason, late), *map(_off_reason, off), *([_assumed_reason(assumed)] if assumed else [])]
    more = dict(verdict.more)
    if late:
        more["overdue"] = [_entry(channel) for channel in late]
    if off:
        more["found_off"] = [_off_entry(channel) for channel in off]
    if assumed:
        more["accuracy_assumed"] = [{"instrument": each.instrument, "channel": each.name} for each in assumed]
    if verdict.outcome is not Outcome.PASS:
        return replace(verdict, reasons=(*verdict.reasons, *reasons), more=more)
    reasons[0] += f"; without that this would be a pass ({verdict.finding})"
    return replace(
        verdict,
        outcome=Outcome.UNDECIDED,
        finding="undecided",
        reasons=(*reasons, *verdict.reasons),
        more=more | {"finding_before_gate": verdict.finding},
    )


def _off_reason(channel: Channel) -> str:
    check = found_off(channel)
    said = check.words() if check is not None else ""
    return f"{channel.instrument or channel.name} was found {said}: mend it and check it again, or have it calibrated"


def _off_entry(channel: Channel) -> dict[str, Any]:
    check = found_off(channel)
    return {"instrument": channel.instrument, "channel": channel.name} | (check.to_json() if check is not None else {})


def _reason(channel: Channel) -> str:
    due = channel.calibration.due
    certificate = f" (certificate {channel.calibration.certificate})" if channel.calibration.certificate else ""
    return f"calibration of {channel.instrument or channel.name} ran out on {due}{certificate}: have it calibrated"


def _assumed_reason(channels: Sequence[Channel]) -> str:
    taken = ", ".join(f"{called(each.role, each.name)} ({each.accuracy.text or 'none'})" for each in channels)
    return f"nobody stated the accuracy of {taken}: write `accuracy` in bench.toml as the maker prints it"


def _entry(channel: Channel) -> dict[str, str]:
    return {
        "instrument": channel.instrument,
        "channel": channel.name,
        "due": str(channel.calibration.due),
        "certificate": channel.calibration.certificate,
    }
