"""A session's readings as Parquet, written and read a row group at a time.

One row a reading, in the order of the journal. `value` is what the instrument sent in its own `unit`, bit for bit; `si` is
what it means (Pa, K, kg, ohm, 1; calibrated, pressures absolute) at `time`. `quality` is as stored, `flags` as interpreted
(measure.reading.Quality). Units, roles, instruments and calibrations stand in the file's metadata under `baytrace`, and in
that of the columns.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, Self

from baytrace.journal.store import Stored
from baytrace.measure.channel import Channel
from baytrace.measure.faults import VerificationFailed
from baytrace.measure.later import Later
from baytrace.measure.reading import Raw, Reading
from baytrace.measure.roles import Role
from baytrace.records.limits import MOST_TEXT, Claims
from baytrace.records.parquet_pages import check_footer, check_pages

pa, pq = Later("pyarrow"), Later("pyarrow.parquet")
ROWS = 65_536
READ_ROWS = 8_192

_FIELDS: tuple[tuple[str, str, str], ...] = (
    ("seq", "int64", "sequence number in the journal"),
    ("time", "instant", "instant of the reading"),
    ("channel", "text", "name of the channel"),
    ("version", "uint32", "number of the channel's declaration"),
    ("role", "text", "what the channel measures in the job"),
    ("value", "float64", "as sent, in the unit of the row"),
    ("unit", "text", "unit of the value"),
    ("quality", "uint16", "quality as stored"),
    ("si", "float64", "in SI, calibrated, pressures absolute"),
    ("flags", "uint16", "quality as interpreted"),
    ("wall_ns", "int64", "wall clock at arrival, UTC ns since 1970"),
    ("mono_ns", "int64", "steady clock at arrival, ns since an unknown start"),
    ("boot", "text", "which run of the steady clock"),
)
NAMES = tuple(name for name, _, _ in _FIELDS)


def _text() -> Any:
    return pa.dictionary(pa.int32(), pa.string())


@cache
def _schema() -> Any:
    kinds = {"text": _text(), "instant": pa.timestamp("ns", tz="UTC")}
    return pa.schema(
        [
            pa.field(name, kinds.get(kind) or getattr(pa, kind)(), nullable=False, metadata={"description": text})
            for name, kind, text in _FIELDS
        ]
    )


class Row(NamedTuple):
    """A reading as kept in the file."""

    stored: Stored
    role: str
    unit: str
    reading: Reading


class ReadingsWriter:
    """Use with `with`. `describe` is called before closing: metadata stand at the end of the file."""

    def __init__(self, path: Path) -> None:
        self._writer = pq.ParquetWriter(path, _schema(), compression="zstd", store_schema=True)
        self._rows: list[tuple[Any, ...]] = []
        self.count = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def take(self, stored: Stored, reading: Reading, channel: Channel) -> None:
        raw = stored.raw
        row = (
            stored.seq,
            reading.time_ns,
            raw.channel,
            stored.version,
            str(channel.role),
            raw.value,
            channel.unit.text,
            raw.quality,
            reading.value,
            int(reading.quality),
            raw.wall_ns,
            raw.mono_ns,
            stored.boot,
        )
        self._rows.append(row)
        self.count += 1
        if len(self._rows) >= ROWS:
            self._flush()

    def describe(self, session: str, channels: Mapping[str, Mapping[str, Any]]) -> None:
        """`channels` by declaration number (measure.channel.Channel.to_json)."""
        self._flush()
        self._writer.add_key_value_metadata({"baytrace": json.dumps(description(session, channels), sort_keys=True)})

    def _flush(self) -> None:
        if not self._rows:
            return
        arrays = [
            pa.array(column, field.type) if not pa.types.is_dictionary(field.type) else _dictionary(column)
            for column, field in zip(zip(*self._rows, strict=True), _schema(), strict=True)
        ]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=_schema()), row_group_size=ROWS)
        self._rows = []

    def close(self) -> None:
        self._flush()
        self._writer.close()


def _dictionary(column: Sequence[str]) -> Any:
    return pa.array(column, pa.string()).dictionary_encode().cast(_text())


def description(session: str, channels: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """What the file's metadata say of units, roles, instruments and calibrations."""
    si = {channel["name"]: Channel.from_json(channel).si_unit for channel in channels.values()}
    return {"format": "baytrace-readings-1", "session": session, "channels": dict(channels), "si_units": si}


def read_rows(path: Path, claims: Claims | None = None) -> Iterator[Row]:
    """Every reading of the file in order, a row group in memory at a time.

    Raises VerificationFailed for another layout; with `claims` also for a file that could not be of that session.
    """
    try:
        with _looked_over(path, claims) as file:
            if file.schema_arrow.names != list(NAMES) or file.schema_arrow.types != _schema().types:
                raise VerificationFailed("readings.parquet has other columns than Baytrace writes")
            for batch in file.iter_batches(batch_size=READ_ROWS):
                columns = {name: _cells(batch.column(name), name) for name in NAMES}
                yield from map(_row, *(columns[name] for name in NAMES))
    except (pa.ArrowException, OSError, ValueError, TypeError, OverflowError) as error:
        raise VerificationFailed(f"readings.parquet cannot be read ({_first_line(error)})") from None


def check_file(path: Path, claims: Claims) -> None:
    """Look the file over without reading its cells. Raises VerificationFailed for what `read_rows` would refuse before reading."""
    try:
        _looked_over(path, claims).close()
    except (pa.ArrowException, OSError, ValueError) as error:
        raise VerificationFailed(f"readings.parquet cannot be read ({_first_line(error)})") from None


def _looked_over(path: Path, claims: Claims | None) -> Any:
    """Opened without reading ahead: else all that is going to be read is fetched at once. Raises ValueError."""
    if claims is None:
        return pq.ParquetFile(path, pre_buffer=False)
    footer = check_footer(path, claims)
    file = pq.ParquetFile(
        path,
        pre_buffer=False,
        thrift_string_size_limit=len(footer) + 1,
        thrift_container_size_limit=claims.most_groups + 64,
    )
    try:
        check_pages(path, file.metadata, len(footer), claims)
    except BaseException:
        file.close()
        raise
    return file


def description_faults(
    path: Path, session: str, channels: Mapping[str, Mapping[str, Any]], *, columns: bool
) -> Iterator[str]:
    """Where the file's metadata do not say what the channels' declarations do; with `columns`, those of the columns too."""
    what = "data/readings.parquet: its metadata"
    with pq.ParquetFile(path, pre_buffer=False) as file:
        said = {**(file.schema_arrow.metadata or {}), **(file.metadata.metadata or {})}
        said.pop(b"ARROW:schema", None)
        kept = said.pop(b"baytrace", b"null")
        try:
            told = json.loads(kept)
        except (ValueError, RecursionError):
            told = None
        ours = description(session, channels)
        if isinstance(told, dict) and isinstance(told.get("si_units"), dict):
            _as_once(ours["si_units"], told["si_units"], channels)
        if told != ours:
            yield f"{what} do not say of the channels what the events declare ({_differing(told, ours)})"
        if said:
            yield f"{what} say something besides ({min(said).decode('utf-8', 'replace')[:40]})"
        for field, (name, _, text) in zip(file.schema_arrow, _FIELDS, strict=True):
            if columns and (field.metadata or {}).get(b"description") != text.encode():
                yield f"{what} of column {name} are not those Baytrace writes"


def _as_once(ours: dict[str, str], told: Mapping[str, Any], channels: Mapping[str, Mapping[str, Any]]) -> None:
    """Early programs named a channel that only rides along by its own unit: where a file does, so do we."""
    for channel in channels.values():
        name, unit = channel["name"], channel["unit"]
        if channel["role"] == Role.AUXILIARY and told.get(name) == unit:
            ours[name] = unit


def _differing(told: Any, ours: Mapping[str, Any]) -> str:
    """Where two descriptions first differ: a part, and within it a channel's key."""
    if not isinstance(told, dict):
        return "there are none"
    for part in sorted(told.keys() | ours.keys()):
        one, other = told.get(part), ours.get(part)
        if one != other:
            if not isinstance(one, dict) or not isinstance(other, dict):
                return str(part)[:40]
            inner = one.keys() | other.keys()
            places = [str(key)[:40] for key in sorted(inner) if one.get(key) != other.get(key)]
            return f"{str(part)[:40]} {', '.join(places[:3])}".strip()
    return "of another type"


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:200]


def _cells(column: Any, name: str) -> list[Any]:
    """Raises ValueError for a cell that is empty or a text that is too long."""
    if column.null_count:
        raise ValueError(f"column {name} has empty cells")
    if pa.types.is_dictionary(column.type):
        texts = column.dictionary.to_pylist()
        if any(text is None or len(text) > MOST_TEXT for text in texts):
            raise ValueError(f"column {name} holds a text longer than {MOST_TEXT}")
        return [texts[index] for index in column.indices.to_pylist()]
    if name == "time":
        column = column.cast(pa.int64())
    elif pa.types.is_floating(column.type):
        return list(column.to_numpy(zero_copy_only=False).tolist())
    return list(column.to_pylist())


def _row(*cells: Any) -> Row:
    """From cells in the order of `NAMES`."""
    seq, time_ns, channel, version, role, value, unit, quality, si, flags, wall_ns, mono_ns, boot = cells
    raw = Raw(channel, value, wall_ns, mono_ns, quality)
    return Row(Stored(seq, raw, version, boot), role, unit, Reading(time_ns, channel, Role(role), si, flags, seq))
