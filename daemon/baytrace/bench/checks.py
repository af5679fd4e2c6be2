"""What field checks have said of the bench's channels: kept from the journal's final verdicts, given to each new session.

A session carries the checks that stood when it began, so that a replay of it comes to the same verdict.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from baytrace.journal.store import Journal
from baytrace.measure.channel import Channel
from baytrace.measure.checked import AGREES, OFF, Checked
from baytrace.measure.instant import utc_day
from baytrace.measure.reading import Event
from baytrace.records.vocabulary import Kind


class FieldChecks:
    """The newest deciding check of each kind, by channel."""

    def __init__(self) -> None:
        self._newest: dict[str, dict[str, Checked]] = {}

    def restore(self, journal: Journal) -> None:
        """Fold what earlier sessions found."""
        for event in journal.events(kinds=(Kind.VERDICT,)):
            self.hear(event)

    def hear(self, event: Event) -> bool:
        """Take a verdict event; whether it changed what is known. Only the final verdict of a field check that decided counts."""
        verdict: Mapping[str, Any] = event.data.get("verdict") or {}
        if event.kind != Kind.VERDICT or not event.data.get("final") or verdict.get("finding") not in (AGREES, OFF):
            return False
        names = verdict.get("checked", ())
        if not names:
            return False
        difference = verdict["evidence"]["difference"]
        checked = Checked(
            verdict["check"],
            verdict["finding"],
            utc_day(event.time_ns),
            difference["value"],
            verdict["evidence"]["allowed_difference"]["value"],
            difference["unit"],
            event.session,
            verdict["evidence"].get("known", {}).get("value"),
        )
        for name in names:
            self._newest.setdefault(name, {})[checked.check] = checked
        return True

    def on(self, channel: Channel) -> Channel:
        """The channel with what is known of it."""
        known = self._newest.get(channel.name, {})
        return replace(channel, checks=tuple(known[check] for check in sorted(known))) if known else channel
