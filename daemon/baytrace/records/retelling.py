"""The contents of a pack told again: is the chain whole, is no item missing, does the table say the same, and do the watches?

One pass over readings and events, merged by sequence number, in memory that does not grow with the session. What the watches
say is compared to the last bit. A pack written by another version of the program is compared alike, but its fits may have been
others: figures that differ are then a caution that names both versions, while a verdict or a finding that differs stays a fault. But
where an older version decided and this one withholds the verdict, this one claims nothing against it: a caution, with both told.
"""

from __future__ import annotations

import json
import logging
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from typing import IO, Any

from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event
from baytrace.measure.verdict import Outcome
from baytrace.records.bag import PROGRAM, digest_of_file
from baytrace.records.bag_checks import Opened
from baytrace.records.chain_following import FollowedChain
from baytrace.records.checks import Report, State
from baytrace.records.event_lines import event_text, read_events
from baytrace.records.limits import MOST_LINE, weight
from baytrace.records.pack_reading import suspected
from baytrace.records.playing import Player
from baytrace.records.readings_file import Row, description_faults, read_rows
from baytrace.records.scratch import scratch
from baytrace.records.session import SessionFold
from baytrace.records.session_file import facts_left_out, part_of
from baytrace.records.trace_file import table_of
from baytrace.records.vocabulary import Kind
from baytrace.watches.follow import Followers

MOST_FAULTS = 20
"""Said of one kind; the rest would say no more."""
DECISIVE = ("verdict", "finding")
"""What a verdict says; everything else is why."""
FILES = ("session.json", "readings.parquet", "events.jsonl")
TABLE = "data/readings.csv"


def retell(pack: Opened, report: Report, progress: Callable[[float, str], None]) -> None:
    """Add what was found to the report. Raises VerificationFailed when the contents are not what Baytrace writes."""
    for name in FILES:
        if not (pack.data / name).is_file():
            raise VerificationFailed(f"data/{name} is missing")
    session = pack.session
    report.session = session.session
    if session.chain is not None:
        report.head = session.chain.head
    total = max(1, session.claims.readings)
    difference = ""
    with suspected("the session"), _watches_quiet(), scratch("baytrace-retell-") as folder:
        teller = _Teller(pack, folder)
        if teller.run(lambda done: progress(min(0.8, 0.8 * done / total), "playing the session again")):
            progress(0.8, "comparing the table")
            difference = teller.table_differs()
    _say(report, teller, difference)


def _say(report: Report, teller: _Teller, difference: str) -> None:
    program, chain = teller.session.program, teller.session.chain
    other = "" if program == PROGRAM else f"made by {program}, worked out again by {PROGRAM}"
    for what, text in teller.faults:
        report.say(what, State.FAULT, text)
    if teller.given_up:
        report.say("session", State.FAULT, "too much of it is wrong to go on: the rest was not looked at")
        return
    failed = {what for what, _ in teller.faults}
    if "chain" not in failed:
        if chain is None:
            report.say("chain", State.CAUTION, "the pack holds no chain: its session was not a whole number of commits")
        else:
            report.say("chain", State.OK, f"{teller.links} links lead to {chain.head}")
    if "readings" not in failed:
        text = f"none missing: {teller.readings} readings and {teller.events} events, numbers {teller.first} to {teller.last}"
        report.say("readings", State.OK, text)
    if not difference:
        report.say("table", State.OK, "readings.csv says what the readings say, cell by cell")
    else:
        # another version of the program may write the same figure in other words
        report.say("table", State.CAUTION if other else State.FAULT, difference)
    _say_verdicts(report, teller, other)
    if teller.session.open:
        report.say("session", State.CAUTION, "the session was still open when it was exported")


@contextmanager
def _watches_quiet() -> Iterator[None]:
    """A watch that breaks is told as a fault, not in this thread's log."""
    me, log = threading.get_ident(), logging.getLogger(Followers.__module__)

    def elsewhere(record: logging.LogRecord) -> bool:
        return record.thread != me

    log.addFilter(elsewhere)
    try:
        yield
    finally:
        log.removeFilter(elsewhere)


def _say_verdicts(report: Report, teller: _Teller, other: str) -> None:
    """`other` names the two versions where they are not the same: only then can a fit have changed."""
    drift = teller.drift
    if not other or drift.decisive:
        for text in drift.told:
            report.say("verdicts", State.FAULT, text)
    if drift.decisive and other:
        text = f"{drift.decisive}; {other}: only the version that made it tells whether its rules changed or the record did"
        report.say("verdicts", State.FAULT, text)
    elif drift.count and other:
        report.other_version = other
        same = "fits change between versions; every verdict and finding is the same"
        if drift.withheld:
            same = f"rules became stricter; this version withholds what that one decided: {drift.withheld}"
        many = "1 figure differs" if drift.count == 1 else f"{drift.count} figures or words differ"
        report.say("verdicts", State.CAUTION, f"{other}: {many}; {same}")
        for text in drift.told:
            report.say("verdicts", State.CAUTION, text)
    elif not drift.count and not any(what == "verdicts" for what, _ in teller.faults):
        by = f" ({other})" if other else ""
        report.say(
            "verdicts", State.OK, f"{teller.compared} verdicts worked out again are the same to the last bit{by}"
        )


class _Drift:
    """How verdicts worked out again differ from those that were kept: the first few, how many, and the first that says otherwise."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.count = 0
        self.decisive = ""
        self.withheld = ""
        """The newest that this version leaves undecided."""

    def take(self, verdict: str, difference: str, *, withheld: bool = False) -> None:
        """`withheld`: an older version's verdict that is undecided now."""
        text = f"{verdict}: {difference}"
        self.count += 1
        if len(self.told) < MOST_FAULTS:
            self.told.append(text)
        if difference.partition(" ")[0].rpartition(".")[2] in DECISIVE:
            if withheld:
                self.withheld = text
            elif not self.decisive:
                self.decisive = text


def older(program: str) -> bool:
    """Whether a program, as packs name it, is an older version than this one."""
    name, _, version = program.rpartition(" ")
    mine, _, now = PROGRAM.rpartition(" ")
    return name == mine and _numbers(version) < _numbers(now)


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in version.split(".") if part.isascii() and part.isdigit())


class _EnoughError(Exception):
    """So many numbers or values are wrong that going on would tell nothing more."""


class _Teller:
    def __init__(self, pack: Opened, folder: Path) -> None:
        self._pack, self._data, self._folder = pack, pack.data, folder
        self.session = pack.session
        self.given_up = False
        self._older = older(self.session.program)
        self.faults: list[tuple[str, str]] = []
        self.drift = _Drift()
        self.readings = self.events = self.links = self.compared = 0
        self.first = self.last = 0
        with closing(read_events(self._data / "events.jsonl")) as events:
            started = next(events, None)
        if started is None or started.kind != Kind.SESSION_STARTED or started.session != self.session.session:
            raise VerificationFailed("data/events.jsonl does not begin with the start of this session")
        self._started = started
        try:
            self._player, self._folding = Player(started), SessionFold(started)
            self._table = table_of(folder, started, self._player)
        except (KeyError, TypeError, ValueError, AttributeError, BadInput) as error:
            raise VerificationFailed(f"the start of the session cannot be understood ({error})") from None
        chain = self.session.chain
        self._end = chain.last_seq if chain is not None else None
        self._chain = FollowedChain(self._data / "chain.csv", chain, self._fault) if chain is not None else None
        self._weight = 0
        self._due = self._verdicts_due()

    def _fault(self, what: str, text: str) -> None:
        if sum(1 for kind, _ in self.faults if kind == what) < MOST_FAULTS:
            self.faults.append((what, text))
        elif what == "readings":
            raise _EnoughError

    def _verdicts_due(self) -> dict[int, list[Event]]:
        """Verdicts by the sequence number they rest on."""
        due: dict[int, list[Event]] = {}
        for event in read_events(self._data / "events.jsonl"):
            if event.kind == Kind.VERDICT and event.session == self.session.session:
                self._weigh(event)
                due.setdefault(event.data["after_seq"], []).append(event)
        return due

    # ------------------------------------------------------------------ the pass

    def run(self, progress: Callable[[int], None]) -> bool:
        """Whether it went to the end; False where too much was wrong to go on."""
        try:
            self._pass(progress)
        except BadInput as error:
            raise VerificationFailed(f"the session cannot be played: {error}") from None
        except _EnoughError:
            self.given_up = True
            return False
        if self._chain is not None:
            self._chain.finish()
            self.links = self._chain.count
        self._compare_record()
        return True

    def _pass(self, progress: Callable[[int], None]) -> None:
        expected = self.first = self._started.seq
        for item in merged(
            read_rows(self._data / "readings.parquet", self.session.claims), read_events(self._data / "events.jsonl")
        ):
            seq = item.stored.seq if isinstance(item, Row) else item.seq
            if self._end is not None and seq > self._end and isinstance(item, Event):
                self._fold(item)
                continue
            if seq != expected:
                missing = f"{expected}" if seq == expected + 1 else f"{expected} to {seq - 1}"
                self._fault(
                    "readings", f"number {missing} is missing" if seq > expected else f"number {seq} is there twice"
                )
            expected, self.last = seq + 1, seq
            self._take(item)
            self._settle(seq)
            if seq % 10_000 == 0:
                progress(self.readings)

    def _fold(self, event: Event) -> None:
        if event.kind != Kind.HEARTBEAT:
            self._weigh(event)
        self._folding.event(event)

    def _weigh(self, event: Event) -> None:
        """What is kept in memory until the end is no more than session.json tells of."""
        self._weight += weight(event_text(event).encode())
        if self._weight > self.session.most_weight:
            raise VerificationFailed("data/events.jsonl tells of far more than data/session.json does: refused")

    def _take(self, item: Row | Event) -> None:
        if self._chain is not None:
            self._chain.take(item)
        if isinstance(item, Event):
            self.events += 1
            if self.events > self.session.claims.events:
                raise VerificationFailed(
                    "data/events.jsonl holds more events than data/session.json has numbers for: refused"
                )
            if item.seq != self._started.seq:
                self._player.event(item)
                if item.session == self.session.session:
                    self._fold(item)
                    self._table.event(item)
            return
        self.readings += 1
        reading = self._player.reading(item.stored)
        channel = self._player.channels[item.stored.raw.channel]
        self._table.reading(item.stored.raw, reading, channel, self._player.interpreter.atmosphere_pa)
        same = (reading.time_ns, _bits(reading.value), int(reading.quality), str(reading.role), channel.unit.text) == (
            item.reading.time_ns,
            _bits(item.reading.value),
            item.reading.quality,
            item.role,
            item.unit,
        )
        if not same:
            when = format_instant(reading.time_ns)
            self._fault(
                "readings",
                f"reading {item.stored.seq} ({channel.name}, {when}): its time, SI value or unit is not what its raw value means",
            )

    def _settle(self, seq: int) -> None:
        for event in self._due.pop(seq, ()):
            watch = event.data["watch"]
            verdict = self._player.verdict(watch)
            self.compared += 1
            if verdict is None:
                if "the watch itself broke" not in " ".join(event.data["verdict"].get("reasons", [])):
                    self._fault(
                        "verdicts",
                        f"{watch}: cannot be worked out again ({self._player.broken.get(watch, 'not in the plan')})",
                    )
                continue
            again = json.loads(json.dumps(verdict.to_json()))
            withheld = self._older and again["verdict"] == Outcome.UNDECIDED
            for difference in differences(_joined(event.data["verdict"]), _joined(again)):
                self.drift.take(f"{watch} after number {seq}", difference, withheld=withheld)

    def table_differs(self) -> str:
        """Where `readings.csv`, or its description, is not what the items make of it; empty when it is."""
        again, digests = self._folder / "readings.csv", self._pack.digests
        self._table.write(again)
        described = self._folder / "description.json"
        self._table.write_description(described, "readings.csv", self.session.session)
        try:
            kept = digests[TABLE]
            if self._table.guards and digest_of_file(again) != kept:
                self._table.write(again, cell=str)  # as programs before 0.4.0 wrote it
            if digest_of_file(again) != kept:
                with self._pack.pack.open(TABLE) as file:
                    number = _first_difference(again, file)
                return f"{TABLE}, line {number}: does not say what the readings say"
            if digest_of_file(described) != digests[f"{TABLE}-metadata.json"]:
                return f"{TABLE}-metadata.json does not describe the channels of the session"
        except KeyError as error:
            return f"{error.args[0]} is missing"
        return ""

    def _compare_record(self) -> None:
        for seq, events in self._due.items():
            self._fault("verdicts", f"{events[0].data['watch']}: rests on number {seq}, which the pack does not hold")
        told = self._folding.record()
        del self._folding  # a long session's record is large: no more than two of it at a time
        told.readings, told.chain = self.readings, self.session.chain
        same_version = self.session.program == PROGRAM
        for text in description_faults(
            self._data / "readings.parquet", self.session.session, told.channels, columns=same_version
        ):
            self._fault("readings", text)
        again, kept = facts_left_out(told), self.session.record()
        del told
        for key in sorted(again):
            for difference in differences({key: part_of(kept, key)}, {key: again.pop(key)}):
                self._fault("session", f"data/session.json does not follow from the events: {difference}")


def _joined(verdict: dict[str, Any]) -> dict[str, Any]:
    """The document with figures in units of the trade among the evidence, where earlier programs kept them."""
    rest = {key: value for key, value in verdict.items() if key != "also"}
    return rest | {"evidence": {**verdict.get("evidence", {}), **verdict.get("also", {})}}


def merged(rows: Iterator[Row], events: Iterator[Event]) -> Iterator[Row | Event]:
    """By sequence number, whichever is lower; each must rise."""
    row, event = next(rows, None), next(events, None)
    while row is not None or event is not None:
        if event is None or (row is not None and row.stored.seq < event.seq):
            assert row is not None
            yield row
            row = next(rows, None)
        else:
            yield event
            event = next(events, None)


def _first_difference(one: Path, other: IO[bytes]) -> int:
    """The number of the first line in which two files differ."""
    with one.open("rb") as left:
        for number in count(1):
            mine, theirs = left.readline(MOST_LINE), other.readline(MOST_LINE)
            if mine != theirs or not mine:
                return number
    return 0


def _bits(value: float) -> bytes:
    return struct.pack("<d", value)


def differences(kept: Any, again: Any, where: str = "") -> Iterator[str]:
    """Where two JSON documents differ, and by what."""
    if isinstance(kept, dict) and isinstance(again, dict):
        for key in sorted(kept.keys() | again.keys()):
            place = f"{where}.{key}" if where else str(key)
            if key not in kept:
                yield f"{place} is {_short(again[key])} now, and was not there"
            elif key not in again:
                yield f"{place} was {_short(kept[key])}, and is not there now"
            else:
                yield from differences(kept[key], again[key], place)
    elif isinstance(kept, list) and isinstance(again, list) and len(kept) == len(again):
        for index, (before, after) in enumerate(zip(kept, again, strict=True)):
            yield from differences(before, after, f"{where}[{index}]")
    elif kept != again or type(kept) is not type(again):
        by = f" (by {again - kept:g})" if isinstance(kept, float) and isinstance(again, float) else ""
        yield f"{where} was {_short(kept)}, is {_short(again)} now{by}"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else text[:77] + "..."
