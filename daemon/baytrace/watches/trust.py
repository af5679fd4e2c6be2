"""The one gate every verdict passes before it is shown, kept or exported.

Rules of this file:
- An instrument whose calibration had run out on the day cannot give a `pass`: the verdict becomes `undecided`, the finding
  too, and the first reason names the instrument, the day it ran out and what would have been said.
- A `fail` stays a `fail`; an `undecided` stays what it is. Both say which instrument was overdue.
- A calibration that was never recorded is not overdue; it is `UNKNOWN`, and shown as such.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from enum import StrEnum

from baytrace.measure.channel import Channel, overdue
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
    late = sorted(
        {channel.name: channel for channel in channels_used if overdue(channel, day)}.values(),
        key=lambda channel: (channel.instrument, channel.name),
    )
    if not late or "overdue" in verdict.more:
        return verdict
    reasons = [_reason(channel) for channel in late]
    more = dict(verdict.more) | {"overdue": [_entry(channel) for channel in late]}
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


def _reason(channel: Channel) -> str:
    due = channel.calibration.due
    certificate = f" (certificate {channel.calibration.certificate})" if channel.calibration.certificate else ""
    return f"calibration of {channel.instrument or channel.name} ran out on {due}{certificate}: have it calibrated"


def _entry(channel: Channel) -> dict[str, str]:
    return {
        "instrument": channel.instrument,
        "channel": channel.name,
        "due": str(channel.calibration.due),
        "certificate": channel.calibration.certificate,
    }
