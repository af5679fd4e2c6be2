"""A sound file in the place of a damaged one, whatever ends the process in between.

What can be read goes into `rescued.sqlite`. Once that is whole and on disk the damaged file is renamed, then its log, and only
then does the new file get the journal's name. So a start finds either
- the journal's file, and perhaps an unfinished `rescued.sqlite`: that is thrown away, and the rescue begins again; or
- `rescued.sqlite` alone: that is whole, and gets its name now.
No way leads to an empty journal without an account of what was lost: the account waits in the new file's state (`UNTOLD`) until
its `salvaged` event is durable.
"""

from __future__ import annotations

import contextlib
import json
import os
import uuid
from pathlib import Path

import apsw

from baytrace.journal import schema
from baytrace.journal.salvage import salvage
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.instant import format_instant

UNTOLD = "salvage_untold"
_TAILS = ("", "-wal", "-shm")


def make_new(db: apsw.Connection, wall_ns: int) -> None:
    """Lay out the empty file behind `db`. Raises apsw.Error."""
    schema.create(db, {"journal": uuid.uuid4().hex, "made": format_instant(wall_ns)})


def rescue(path: Path, wall_ns: int, why: str) -> None:
    """Put what can be read of the journal's file `path` in its place; the damaged one stays beside it under another name.

    The caller holds no writing connection to it. Raises EnvironmentFailed, or Damaged when even the new file is; `path` is then
    as it was.
    """
    new, aside = _rescued(path), path.with_name(f"damaged-{_stamp(wall_ns)}.sqlite")
    _throw_away(new)
    try:
        db = schema.connect_writer(new)
        try:
            make_new(db, wall_ns)
            told = {"why": why, "kept": aside.name, **salvage(path, db)}
            db.execute("INSERT OR REPLACE INTO state VALUES(?, ?)", (UNTOLD, json.dumps(told).encode()))
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        finally:
            db.close()
        with new.open("rb") as file:
            os.fsync(file.fileno())
        _swap(path, aside)
    except apsw.Error as error:
        raise schema.explain(error, new) from None
    except OSError as error:
        raise EnvironmentFailed(f"{new}: {error.strerror}; the damaged journal could not be rescued") from None


def finish_rescue(path: Path) -> None:
    """Before the journal's file `path` is opened: end what an earlier run began. Raises EnvironmentFailed."""
    new = _rescued(path)
    try:
        if not new.exists():
            return
        if path.exists():
            _throw_away(new)
            return
        kept = sorted(path.parent.glob("damaged-*.sqlite"))
        _swap(path, kept[-1] if kept else path.with_name("damaged.sqlite"))
    except OSError as error:
        raise EnvironmentFailed(
            f"{new}: {error.strerror}; the rescue of a damaged journal could not be ended"
        ) from None


def _rescued(path: Path) -> Path:
    return path.with_name("rescued.sqlite")


def _stamp(wall_ns: int) -> str:
    return format_instant(wall_ns, 3).replace(":", "").replace("-", "").replace(".", "")


def _throw_away(new: Path) -> None:
    for tail in _TAILS:
        new.with_name(new.name + tail).unlink(missing_ok=True)


def _swap(path: Path, aside: Path) -> None:
    """A log left under the journal's name would be played into the new file: it goes before that comes."""
    for tail in _TAILS:
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + tail).rename(aside.with_name(aside.name + tail))
    _rescued(path).rename(path)
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)
