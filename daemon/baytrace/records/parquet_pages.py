"""A Parquet file looked over before it is read: whoever reads it trusts what it says of its own lengths.

Rules of this file:
- A reader of Parquet takes memory as page headers tell it to, up to 2 GB a page, and only then finds that less is there. So each page header
  is read here first (Thrift's compact protocol, https://github.com/apache/parquet-format: PageHeader and its parts), and its lengths are held to
  those a page of ours can have.
- The pages of a column of a row group fill its stretch of the file exactly, and no two stretches share a byte.
- What is inside a page is left to the reader: it unpacks into the length told here.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import IO, Any, NamedTuple

from baytrace.records.limits import CELL_BYTES, COLUMN_ROOM, PAGE_BYTES, ROWS_A_GROUP, Claims

MAGIC = b"PAR1"
_TAIL = 8
_HEADER = 16_384
"""Most bytes of a page header; its longest part are the least and greatest of a column's texts."""
_ROWS_A_PAGE = 256
"""At least; some 20,000 are usual."""
_DICTIONARY = 2
_STOP, _TRUE, _FALSE, _BYTE, _I16, _I32, _I64, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = range(13)


def check_footer(path: Path, claims: Claims) -> bytes:
    """The footer, of a length the session allows. Raises ValueError."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(max(0, size - _TAIL))
        tail = file.read(_TAIL)
        length = int.from_bytes(tail[:4], "little")
        if not tail.endswith(MAGIC) or length + _TAIL > size:
            raise ValueError("it does not end as such a file does")
        if length > claims.most_footer:
            raise ValueError(f"its footer of {length} bytes is longer than {claims.readings} readings make it")
        file.seek(size - _TAIL - length)
        return file.read(length)


def check_pages(path: Path, metadata: Any, footer: int, claims: Claims) -> None:
    """`metadata` is pyarrow's FileMetaData, `footer` its bytes. Raises ValueError for rows or lengths that no session of ours has."""
    if metadata.num_rows > claims.readings:
        raise ValueError(f"it holds {metadata.num_rows} rows, and session.json tells of {claims.readings} readings")
    if metadata.num_row_groups > claims.most_groups:
        raise ValueError(f"it holds {metadata.num_row_groups} row groups: {claims.readings} readings take fewer")
    end, stretches = path.stat().st_size - _TAIL - footer, []
    with path.open("rb") as file:
        for number in range(metadata.num_row_groups):
            group = metadata.row_group(number)
            if not 0 <= group.num_rows <= ROWS_A_GROUP:
                raise ValueError(f"row group {number} has {group.num_rows} rows")
            for place in range(group.num_columns):
                stretch = _stretch(group.column(place), end)
                stretches.append(stretch)
                _walk(file, stretch, group.num_rows)
    stretches.sort()
    if any(after.start < before.end for before, after in pairwise(stretches)):
        raise ValueError("columns in it lie over each other")


class _Stretch(NamedTuple):
    start: int
    end: int
    name: str


def _stretch(column: Any, most: int) -> _Stretch:
    start = column.data_page_offset
    if column.has_dictionary_page and column.dictionary_page_offset:
        start = min(start, column.dictionary_page_offset)
    found = _Stretch(start, start + column.total_compressed_size, str(column.path_in_schema)[:40])
    if not len(MAGIC) <= found.start <= found.end <= most:
        raise ValueError(f"column {found.name} is not where it says")
    return found


def _walk(file: IO[bytes], stretch: _Stretch, rows: int) -> None:
    at, pages, unpacked = stretch.start, 0, 0
    while at < stretch.end:
        file.seek(at)
        page = _page(file.read(min(_HEADER, stretch.end - at)))
        if page.packed < 0 or not 0 <= page.unpacked <= PAGE_BYTES or not 0 <= page.values <= max(rows, page.unpacked):
            raise ValueError(f"column {stretch.name} has a page of {page.unpacked} bytes and {page.values} values")
        at += page.header + page.packed
        pages, unpacked = pages + 1, unpacked + page.unpacked
        if pages > rows // _ROWS_A_PAGE + 8 or unpacked > rows * CELL_BYTES + COLUMN_ROOM:
            raise ValueError(f"column {stretch.name} unpacks to more than {rows} rows make")
    if at != stretch.end:
        raise ValueError(f"column {stretch.name} ends within a page")


class _Page(NamedTuple):
    header: int
    unpacked: int
    packed: int
    values: int


def _page(data: bytes) -> _Page:
    """From the bytes at the start of a page."""
    reader = _Compact(data)
    said = reader.structure({2, 3}, {5, 7, 8})
    try:
        return _Page(reader.at, said[2], said[3], max(said.get((part, 1), 0) for part in (5, 7, 8)))
    except KeyError:
        raise ValueError("a page does not tell its length") from None


class _Compact:
    """Thrift's compact protocol, as much of it as a page header takes."""

    def __init__(self, data: bytes) -> None:
        self._data, self.at = data, 0

    def structure(self, numbers: set[int], parts: set[int]) -> dict[Any, int]:
        """The integers of the fields in `numbers`, and of field 1 of the structures in `parts` as (part, 1); the rest is passed over."""
        found: dict[Any, int] = {}
        field = 0
        while (head := self._byte()) != _STOP:
            field = field + (head >> 4) if head >> 4 else self._zigzag()
            kind = head & 15
            if field in numbers and kind in (_I16, _I32, _I64):
                found[field] = self._zigzag()
            elif field in parts and kind == _STRUCT:
                found |= {(field, number): value for number, value in self.structure({1}, set()).items()}
            else:
                self._pass_over(kind, 0)
        return found

    def _byte(self) -> int:
        if self.at >= len(self._data):
            raise ValueError("a page's head is cut short or longer than any")
        self.at += 1
        return self._data[self.at - 1]

    def _varint(self) -> int:
        value = shift = 0
        while True:
            byte = self._byte()
            value |= (byte & 127) << shift
            if byte < 128:
                return value
            shift += 7
            if shift > 63:
                raise ValueError("a number in a page's head is too long")

    def _zigzag(self) -> int:
        value = self._varint()
        return (value >> 1) ^ -(value & 1)

    def _skip(self, length: int) -> None:
        self.at += length
        if self.at > len(self._data):
            raise ValueError("a page's head is cut short or longer than any")

    def _pass_over(self, kind: int, depth: int) -> None:
        if depth > 8:
            raise ValueError("a page's head is nested too deeply")
        if kind in (_TRUE, _FALSE):
            return
        if kind == _BYTE:
            self._skip(1)
        elif kind in (_I16, _I32, _I64):
            self._varint()
        elif kind == _DOUBLE:
            self._skip(8)
        elif kind == _BINARY:
            self._skip(self._varint())
        elif kind in (_LIST, _SET):
            head = self._byte()
            many = head >> 4 if head >> 4 < 15 else self._varint()
            inner = head & 15
            for _ in range(many):
                if inner in (_TRUE, _FALSE):
                    self._skip(1)
                else:
                    self._pass_over(inner, depth + 1)
        elif kind == _STRUCT:
            while (head := self._byte()) != _STOP:
                if not head >> 4:
                    self._zigzag()
                self._pass_over(head & 15, depth + 1)
        else:
            raise ValueError("a page's head holds what none has")
