"""The bench's standing alarms: the limits of bench.toml, silent channels, and the bench's own troubles, in one book.

Every transition is journalled as an `alarm` event before anyone is told; the book is folded back from them at a restart.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from baytrace.bench.config import BenchConfig
from baytrace.journal.store import Journal
from baytrace.measure.channel import Channel
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Reading
from baytrace.measure.roles import Role, called
from baytrace.records.vocabulary import Kind
from baytrace.watches.alarms import ACTIVE, AlarmSpec, Condition
from baytrace.watches.limits import LimitEngine, parse_rules

if TYPE_CHECKING:
    from collections.abc import Callable

BY_DESIGN = "by design, quiet in "
STORING, DAMAGED, LONG_LOG = "bench-storing", "bench-journal-damaged", "bench-journal-log"
UNDELIVERED = "bench-delivery"


class Recorder(Protocol):
    def record(self, kind: str, data: Mapping[str, Any], committed: Callable[[], None] | None = None) -> None: ...
    def now_ns(self) -> int: ...


def silence_id(channel: str) -> str:
    return "silent-" + (re.sub(r"[^A-Za-z0-9_.-]+", "-", channel) or "channel")


class BenchAlarms:
    """Raises BadInput at construction for limits that do not fit their channels."""

    def __init__(self, config: BenchConfig, recorder: Recorder) -> None:
        self._recorder = recorder
        self.engine = LimitEngine(parse_rules(config.limits), config.channels)
        self._followed = {follower.channel.name for follower in self.engine.followers}
        book = self.engine.book
        book.define(
            AlarmSpec(
                STORING,
                "The journal cannot store",
                priority="critical",
                text="Readings are held back, not lost; look at the disk.",
            )
        )
        book.define(
            AlarmSpec(
                DAMAGED,
                "The journal is damaged",
                priority="critical",
                text="The bench goes on with what could be read; the record says what is missing. Look at the disk and the last backup.",
            )
        )
        book.define(
            AlarmSpec(
                LONG_LOG,
                "The journal's log grows",
                priority="low",
                text="Another program keeps the journal open; close it.",
            )
        )
        book.define(
            AlarmSpec(
                UNDELIVERED,
                "Alarms do not get out",
                text="Look at the network, the receiver and what `baytrace doctor` says; letters wait, or are dead until sent again.",
            )
        )
        for channel in config.channels:
            words = called(channel.role, channel.name)
            text = f"No data from {words}: look at the wire, the plug and the instrument."
            book.define(AlarmSpec(silence_id(channel.name), f"{words} is silent", channel.name, "medium", text=text))

    def restore(self, journal: Journal) -> None:
        """Fold what earlier runs recorded."""
        self.engine.restore(journal.events(kinds=(Kind.ALARM,)))

    def reading(self, reading: Reading, atmosphere_pa: float) -> None:
        """Gauge limits count from the atmosphere as the bench knows it."""
        self.engine.atmosphere_pa = atmosphere_pa
        self.engine.reading(reading)
        self._tell()

    def hears(self, channel: Channel) -> bool:
        """Whether a limit follows the channel, or needs it."""
        return channel.role is Role.BAROMETER or channel.name in self._followed

    def readings(self, readings: Sequence[Reading], times_ns: Sequence[int], atmosphere_pa: float) -> None:
        """As `reading` for what `hears` says yes to; barometers among them move the atmosphere on.

        `times_ns` tells to when readings of any channel had come at each of them, and at last when all had.
        """
        self.engine.atmosphere_pa = atmosphere_pa
        for reading, time_ns in zip(readings, times_ns, strict=False):
            self.engine.pass_time(time_ns)
            self.engine.reading(reading)
        self.engine.pass_time(times_ns[-1])
        self._tell()

    def advance(self, time_ns: int) -> None:
        self.engine.advance(time_ns)
        self._tell()

    def silent(self, channel: str, *, silent: bool) -> None:
        self._set(silence_id(channel), active=silent)

    def storing_fails(self, why: str) -> None:
        """`why` the journal cannot store; '' when it can."""
        self._set(STORING, active=bool(why))

    def journal(self, health: Mapping[str, Any]) -> None:
        """What the journal says of itself."""
        for alarm, key in ((DAMAGED, "damaged"), (LONG_LOG, "wal_large")):
            self._keep(alarm, active=bool(health.get(key)))

    def delivery(self, *, troubled: bool) -> None:
        """Whether letters to the outside wait too long or were given up."""
        self._keep(UNDELIVERED, active=troubled)

    def _keep(self, alarm: str, *, active: bool) -> None:
        if active != (self.engine.book.beneath(alarm) in ACTIVE):
            self._set(alarm, active=active)

    def phases(self, now_in: Collection[str]) -> None:
        """Suppress what its rule wants quiet in one of the phases the bench is in, and bring back what it no longer does."""
        book, now = self.engine.book, self._recorder.now_ns()
        for follower in self.engine.followers:
            quiet = next((phase for phase in follower.rule.quiet_in if phase in now_in), "")
            for spec in follower.specs:
                why = book.suppression(spec.id)
                if quiet and not why:
                    book.suppress(spec.id, "bench", now, f"{BY_DESIGN}{quiet}")
                elif not quiet and why.startswith(BY_DESIGN):
                    book.unsuppress(spec.id, "bench", now)
        self._tell()

    def _set(self, alarm: str, *, active: bool) -> None:
        self.engine.book.condition(alarm, Condition.ALARM if active else Condition.NORMAL, self._recorder.now_ns())
        self._tell()

    def acknowledge(self, alarm: str, who: str, comment: str) -> list[dict[str, Any]]:
        """Raises BadInput when there is nothing to acknowledge."""
        self.engine.book.acknowledge(alarm, who, self._recorder.now_ns(), comment)
        return self._answer()

    def shelve(self, alarm: str, who: str, comment: str, seconds: float) -> list[dict[str, Any]]:
        now = self._recorder.now_ns()
        self.engine.book.shelve(alarm, who, now, now + int(seconds * 1e9), comment)
        return self._answer()

    def unshelve(self, alarm: str, who: str, comment: str) -> list[dict[str, Any]]:
        self.engine.book.unshelve(alarm, who, self._recorder.now_ns(), comment)
        return self._answer()

    def suppress(self, alarm: str, who: str, reason: str) -> list[dict[str, Any]]:
        """Until somebody takes it back. Raises BadInput without a reason."""
        self.engine.book.suppress(alarm, who, self._recorder.now_ns(), reason)
        return self._answer()

    def unsuppress(self, alarm: str, who: str, comment: str) -> list[dict[str, Any]]:
        self.engine.book.unsuppress(alarm, who, self._recorder.now_ns(), comment)
        return self._answer()

    def reset(self, alarm: str, who: str, comment: str) -> list[dict[str, Any]]:
        self.engine.book.reset(alarm, who, self._recorder.now_ns(), comment)
        return self._answer()

    def _answer(self) -> list[dict[str, Any]]:
        self._tell()
        return self.to_json()

    def _tell(self) -> None:
        for transition in self.engine.transitions():
            self._recorder.record(Kind.ALARM, transition.data())

    def to_json(self) -> list[dict[str, Any]]:
        """Every alarm that is not simply normal, most urgent first."""
        return [
            row | {"id": row["alarm"], "since": format_instant(row["since_ns"], 0)}
            for row in self.engine.book.standing()
        ]
