"""Keys of messages whose readings are stored, so that one delivered again after a crash is known.

Rules of this file:
- The keys go to disk in the transaction of the readings they belong to: neither can be there without the other.
- A key begins with the two bytes of the packet identifier it stands under, 0 for a message that carries its own time. When the
  broker begins a new session the former mean nothing any more: they go in the transaction that says so, while the latter stay.
- They are kept beside the chain, in the journal's small mutable `state`: they say nothing about a measurement, and neither a
  replay nor a trace pack carries them. A salvage may lose them; the price is a reading that is there twice, never one lost.
- Rows hold up to `ROW` keys and are filled one after the other, so a commit writes a few kB and never the whole memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, NamedTuple

MOST_KEPT = 32_000
"""Keys an instrument; with as many messages on their way, fewer than there are MQTT packet identifiers, which come again."""
KEY = 10
"""Bytes of a key."""
ROW = 512
_PREFIX = "message/"

Write = Callable[[Any], None]
"""Called with the journal's writing connection, inside the transaction of a commit; may be called again when it fails."""


class _Row(NamedTuple):
    number: int
    keys: bytes


class DeliveredKeys:
    """`rows` is what `read_rows` found at the start. All calls on the event loop's thread."""

    def __init__(self, rows: Sequence[tuple[str, bytes]] = ()) -> None:
        self._rows: dict[str, deque[_Row]] = {}
        for name, keys in sorted(rows):
            instrument, _, number = name.removeprefix(_PREFIX).rpartition("/")
            self._rows.setdefault(instrument, deque()).append(_Row(int(number), keys))

    def of(self, instrument: str) -> list[bytes]:
        """The keys of an instrument kept last, oldest first."""
        joined = b"".join(row.keys for row in self._rows.get(instrument, ()))
        return [joined[at : at + KEY] for at in range(0, len(joined), KEY)][-MOST_KEPT:]

    def keep(self, keys: Mapping[str, Sequence[bytes]], forget: Collection[str] = ()) -> Write:
        """What writes these keys, by instrument; hand it over with the readings they brought.

        Before that, what stood under a packet identifier is dropped for the instruments in `forget`.
        """
        written: dict[str, bytes] = {}
        dropped: list[str] = []
        for instrument in forget:
            self._forget(instrument, written, dropped)
        for instrument, new in keys.items():
            self._add(instrument, b"".join(new), written, dropped)

        def write(db: Any) -> None:
            db.executemany("INSERT OR REPLACE INTO state VALUES(?, ?)", list(written.items()))
            db.executemany("DELETE FROM state WHERE key = ?", [(name,) for name in dropped])

        return write

    def _forget(self, instrument: str, written: dict[str, bytes], dropped: list[str]) -> None:
        lasting = [key for key in self.of(instrument) if is_lasting(key)]
        rows = self._rows.get(instrument, deque())
        dropped += [_name(instrument, row.number) for row in rows]
        self._rows[instrument] = deque([_Row(rows[-1].number + 1, b"")] if rows else ())
        self._add(instrument, b"".join(lasting), written, dropped)

    def _add(self, instrument: str, new: bytes, written: dict[str, bytes], dropped: list[str]) -> None:
        rows = self._rows.setdefault(instrument, deque())
        while new:
            if not rows or len(rows[-1].keys) >= ROW * KEY:
                rows.append(_Row(rows[-1].number + 1 if rows else 1, b""))
            last = rows.pop()
            room = ROW * KEY - len(last.keys)
            rows.append(_Row(last.number, last.keys + new[:room]))
            written[_name(instrument, last.number)] = rows[-1].keys
            new = new[room:]
        while (len(rows) - 1) * ROW > MOST_KEPT:
            name = _name(instrument, rows.popleft().number)
            dropped.append(name)
            written.pop(name, None)


def is_lasting(key: bytes) -> bool:
    """Whether a key outlives the broker's session."""
    return key[:2] == bytes(2)


def _name(instrument: str, number: int) -> str:
    return f"{_PREFIX}{instrument}/{number:015d}"


def read_rows(db: Any) -> list[tuple[str, bytes]]:
    """Every row of keys in the journal behind the connection."""
    return db.execute("SELECT key, value FROM state WHERE key GLOB ?", (_PREFIX + "*",)).fetchall()  # type: ignore[no-any-return]
