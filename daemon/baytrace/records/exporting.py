"""A session exported to disk: a trace pack, or one part of it, in memory that does not grow with the session.

A pack is made in one pass over the session's items: readings go to Parquet and to the table of the trace, events to lines of
JSON, links of the chain to CSV, and the watches follow along so that the reports can draw what they saw. Everything is made
beside the target and moved there whole.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from baytrace.journal.chain import GENESIS
from baytrace.journal.store import JournalView, Link, Stored
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.later import Later
from baytrace.measure.reading import Event
from baytrace.records.bag import PROGRAM, Filed, write_bag
from baytrace.records.event_lines import event_text
from baytrace.records.playing import Player
from baytrace.records.readings_file import ReadingsWriter
from baytrace.records.report.trends import Trends
from baytrace.records.report.writing import ReportOptions, write_html, write_pdf
from baytrace.records.scratch import scratch
from baytrace.records.session import ChainStretch, SessionFold, SessionRecord, started_event
from baytrace.records.signing import load_or_make_key
from baytrace.records.trace_file import TraceTable, table_of
from baytrace.records.verifying import check_written
from baytrace.records.vocabulary import Kind

pa = Later("pyarrow")
FORMATS = ("pack", "csv", "parquet", "html", "pdf")
LINK_COLUMNS = ("commit", "first", "last", "wall_ns", "boot", "digest")

Progress = Callable[[float, str], None]
"""Called with the share done (0 to 1) and what is being done."""


class Played(NamedTuple):
    """What one pass over a session leaves."""

    record: SessionRecord
    table: TraceTable
    trends: Trends


def export_session(
    journal: JournalView,
    session_id: str,
    to: Path,
    format: str = "pack",  # noqa: A002 - the word people use
    progress: Progress | None = None,
    *,
    keys: Path | None = None,
    options: ReportOptions | None = None,
) -> Path:
    """The file written in directory `to`. `keys` is the directory of the signing key (made there if need be); without it a
    pack is unsigned, and says so.

    Raises BadInput for an unknown session or format, EnvironmentFailed when the disk fails, VerificationFailed when the pack that was
    written is not what was meant, or holds more than a pack may.
    """
    if format not in FORMATS:
        raise BadInput(f"no format is called {format!r}", where="--format", right=f"there are: {', '.join(FORMATS)}")
    told = progress or (lambda _share, _what: None)
    started = started_event(journal, session_id)
    key = load_or_make_key(keys) if keys is not None and format == "pack" else None
    with _workshop(to) as work:
        files = _Files(work)
        played = _play(journal, started, files, lambda share: told(share * 0.7, "reading the journal"))
        made = _parts(format, files, played, options or ReportOptions(), told)
        name = f"{session_id}.{'zip' if format == 'pack' else format}"
        if format == "pack":
            told(0.9, "packing")
            info = {
                "External-Identifier": session_id,
                "External-Description": played.record.title or session_id,
                "Source-Organization": played.record.bench,
            }
            total = max(1, sum(filed.path.stat().st_size for filed in made))
            write_bag(
                work / name,
                session_id,
                made,
                info,
                key,
                progress=lambda done: told(0.9 + 0.08 * done / total, "packing"),
            )
            told(0.98, "reading the pack back")
            check_written(work / name, work)
        else:
            (work / made[0].name).replace(work / name)
        (work / name).replace(to / name)
        if format == "csv":
            described = f"{name}-metadata.json"
            played.table.write_description(work / described, name, session_id)
            (work / described).replace(to / described)
    told(1.0, "done")
    return to / name


class _Files:
    """Where the parts are made."""

    def __init__(self, work: Path) -> None:
        self.work = work
        self.spill = work / "spill"
        self.spill.mkdir()

    def __getitem__(self, name: str) -> Path:
        return self.work / name


@contextmanager
def _workshop(to: Path) -> Iterator[Path]:
    """A directory beside the target that leaves nothing behind. Raises EnvironmentFailed when the disk fails."""
    try:
        to.mkdir(parents=True, exist_ok=True)
        with scratch(".export-", to) as work:
            yield work
    except (OSError, pa.ArrowException) as error:
        reason = getattr(error, "strerror", None) or str(error).splitlines()[0]
        raise EnvironmentFailed(
            f"{to}: the export could not be written ({reason}); free some space or name another directory"
        ) from None


# ---------------------------------------------------------------------- one pass


def _play(journal: JournalView, started: Event, files: _Files, progress: Callable[[float], None]) -> Played:
    last = _last_seq(journal, started)
    player, folding = Player(started), SessionFold(started)
    table = table_of(files.spill, started, player)
    trends = Trends(started.time_ns)
    for event in journal.events(kinds=(Kind.IDENTITY,)):
        if event.seq < started.seq:
            folding.identity(event)
    span = max(1, last - started.seq)
    with (
        ReadingsWriter(files["readings.parquet"]) as readings,
        files["events.jsonl"].open("w", encoding="utf-8") as lines,
    ):
        for item in journal.items(after=started.seq - 1, until=last):
            if isinstance(item, Stored):
                reading = player.reading(item)
                channel = player.channels[item.raw.channel]
                readings.take(item, reading, channel)
                table.reading(item.raw, reading, channel, player.interpreter.atmosphere_pa)
                trends.reading(reading)
                if item.seq % 10_000 == 0:
                    progress((item.seq - started.seq) / span)
                continue
            lines.write(event_text(item) + "\n")
            if item.seq == started.seq:
                continue
            player.event(item)
            if item.session == started.session:
                folding.event(item)
                table.event(item)
                trends.event(item)
        for event in journal.events(session=started.session, after=last):
            folding.event(event)
            lines.write(event_text(event) + "\n")
        chain = _chain(journal, started.seq, last, files["chain.csv"])
        record = folding.record()
        record.readings, record.chain = readings.count, chain
        readings.describe(started.session, record.channels)
    trends.finish(player, record)
    return Played(record, table, trends)


def _last_seq(journal: JournalView, started: Event) -> int:
    """Where the session ends: at its close, else at the journal's newest item."""
    for event in journal.events(kinds=(Kind.SESSION_CLOSED,), session=started.session):
        return event.seq
    head = journal.head()
    return head.last if head is not None else started.seq


def _chain(journal: JournalView, first: int, last: int, path: Path) -> ChainStretch | None:
    """Write the links that hold `first` to `last`; None when these are not whole commits."""
    begin = _commit_of(journal, first)
    if begin is None or begin.first != first:
        return None
    previous = (
        next((link.digest for link in journal.links(begin.commit - 1, begin.commit - 1)), GENESIS)
        if begin.commit > 1
        else GENESIS
    )
    newest = begin
    with path.open("w", encoding="ascii", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(LINK_COLUMNS)
        for link in journal.links(begin.commit):
            if link.first > last:
                break
            writer.writerow(link)
            newest = link
    if newest.last != last:
        path.unlink()
        return None
    return ChainStretch(
        first_seq=first,
        last_seq=last,
        first_commit=begin.commit,
        last_commit=newest.commit,
        previous=previous,
        head=newest.digest,
    )


def _commit_of(journal: JournalView, seq: int) -> Link | None:
    """The link that holds a sequence number, by halving."""
    head = journal.head()
    if head is None:
        return None
    low, high = 1, head.commit
    while low <= high:
        middle = (low + high) // 2
        link = next(iter(journal.links(middle, middle)), None)
        if link is None:
            return None
        if link.first <= seq <= link.last:
            return link
        low, high = (middle + 1, high) if link.last < seq else (low, middle - 1)
    return None


# ---------------------------------------------------------------------- parts


def _parts(format: str, files: _Files, played: Played, options: ReportOptions, told: Progress) -> list[Filed]:  # noqa: A002 - as above
    """Make the parts a format needs; the first is the one asked for."""
    record = played.record
    if format == "parquet":
        return [Filed("readings.parquet", files["readings.parquet"])]
    if format in ("csv", "pack"):
        total = max(1, record.readings)
        played.table.write(
            files["readings.csv"], lambda done: told(0.7 + 0.15 * min(1.0, done / total), "writing the trace")
        )
        if format == "csv":
            return [Filed("readings.csv", files["readings.csv"])]
    told(0.85, "writing the report")
    if format in ("html", "pack"):
        write_html(files["report.html"], record, played.trends, options)
    if format in ("pdf", "pack"):
        write_pdf(files["report.pdf"], record, played.trends, options)
    if format != "pack":
        return [Filed(f"report.{format}", files[f"report.{format}"])]
    played.table.write_description(files["readings.csv-metadata.json"], "readings.csv", record.session)
    _write_json(files["session.json"], {"program": PROGRAM, **record.model_dump(mode="json")})
    names = ["session.json", "readings.parquet", "readings.csv", "readings.csv-metadata.json", "events.jsonl"]
    names += ["chain.csv"] if record.chain is not None else []
    return [Filed(name, files[name]) for name in [*names, "report.html", "report.pdf"]]


def _write_json(path: Path, document: Any) -> None:
    text = json.dumps(document, ensure_ascii=False, indent=2, sort_keys=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")
