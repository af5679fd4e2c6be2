"""How much a trace pack may hold, in one table. Nothing honest comes near; nothing forged makes a reader run without end.

Rules of this file:
- How well something compresses says nothing about honesty: forty thousand equal records are a session too. What bounds a file of a pack is
  what the session itself claims: its readings, its items by number, its links, its channels (`Claims`, from `session.json`, which is read
  first and has a bound of its own). The claims are then held to the files: rows of the Parquet footer, numbers of items, links.
- A file is bounded by `bytes a piece x pieces + room`; the room is for what does not grow with the pieces.
- Text becomes objects: an empty list takes 3 bytes of JSON and some 72 of memory. So JSON that is held whole is bounded by `weight`.
- A file that is only digested (the reports) is never unpacked, so its bound is one of time.
"""

from __future__ import annotations

from typing import NamedTuple

from baytrace.measure.faults import VerificationFailed

KB, MB = 1 << 10, 1 << 20

MOST_ENTRIES = 64
"""Files in a pack; it holds 14. Another version may add some."""
MOST_DIRECTORY = 64 * KB
"""Bytes of the zip's own directory: 64 entries of 46 bytes, a name and fields for sizes beyond 4 GB."""
MOST_NAME = 200
"""Characters of a file's name in the zip, the session's id among them (at most 100)."""

FIXED: dict[str, int] = {
    "bagit.txt": KB,  # 55 bytes
    "bag-info.txt": 64 * KB,  # titles and names of people, at most 2,000 characters each
    "manifest-sha256.txt": 64 * KB,  # 64 files of 66 + 200 bytes are 17 kB
    "tagmanifest-sha256.txt": 64 * KB,
    "tagmanifest-sha256.txt.sig": KB,  # 64 bytes
    "signing-key.pem": 4 * KB,  # 113 bytes
    "data/session.json": 16 * MB,  # its weight allows some 24,000 marks, alarms and notes of 360 bytes
    "data/readings.csv-metadata.json": 4 * MB,  # 256 channels with 8 kB of declaration and field checks, twice
    "data/report.html": 64 * MB,  # digested only
    "data/report.pdf": 64 * MB,
}
"""Bytes of the files that do not grow with the readings."""
MOST_OTHER = MB
"""Bytes of a file this version does not know."""
UNPACKED = ("data/session.json", "data/readings.parquet", "data/events.jsonl", "data/chain.csv")
"""What `verify` puts on the disk to read it; the table is compared as it streams by."""
TABLE = ("data/readings.csv", "data/readings.csv-metadata.json")
"""What `judge` reads besides."""

MOST_CHANNELS = 1000
"""Declarations in a session; a bench has some 20 channels, a bank of coils some 100."""
MOST_DEPTH = 64
"""Lists and objects within each other; a verdict has 6."""
MOST_LINE = 2 * MB
"""Bytes of one event: the start of a session with 1,000 channels of 2 kB, or a verdict on 2,000 coils."""
MOST_LINK_LINE = 512
"""Bytes of a line of `chain.csv`: five numbers of 20 digits, a boot of 36, a digest of 64."""
MOST_A_LINK = 65_536
"""Items of one commit; the journal joins at most 50,000."""
MOST_TEXT = 4 * KB
"""Bytes of a name, unit or role in the Parquet file."""
LOOSE_EVENTS = 100_000
"""Events of a pack without a chain, which has no numbers to count them by: a heartbeat every 5 s for six days."""
MOST_SESSION_WEIGHT, MOST_TOLD_WEIGHT = 16 * MB, 28 * MB
"""Of session.json, and of the events that it is made of."""
MOST_EVENT_WEIGHT = 8 * MB
MOST_COUNT = 1 << 40
"""Of anything counted; sequence numbers themselves have 63 bits."""

READING_BYTES = 128
"""A row in Parquet: 13 cells of at most 8 bytes, before packing."""
ROWS_A_GROUP = 131_072
"""Rows of a row group; 65,536 are written."""
CELL_BYTES, COLUMN_ROOM = 16, 3 * MB
"""A column of a row group unpacked: 8 bytes a cell and 4 to find it in a dictionary, which has 1 MB before it is given up."""
PAGE_BYTES = 2 * MB + 16 * KB
"""A page unpacked; 1 MB is where one ends."""
GROUP_FOOTER = 8 * KB
"""What the footer says of a row group: 13 columns of some 200 bytes."""
FOOTER_ROOM = 512 * KB
EVENT_BYTES = 8 * KB
"""An event on average: a frame from the wire that was not understood keeps 4,096 bytes, in base64 5.5 kB."""
HEARTBEAT_BYTES = 256
"""Of an event that says nothing but that time passed."""
TOLD_BYTES = 6
"""Bytes of events a byte of session.json: in lines of events a letter beyond ASCII takes 6 bytes, and each has a frame of its own."""
EVENTS_ROOM = 64 * KB
ENTRY_BYTES = 40
"""At least, of an entry of session.json: what comes after the close, which no chain counts, stands there too."""
CELL_TEXT = 64
"""A row of the table: the instant (30), a number (25), line end; commas come by the channel."""
HEADING = 512
"""Of a channel in the table's first line."""


class Claims(NamedTuple):
    """What `session.json` says the pack holds."""

    readings: int
    items: int | None
    """Numbers in the chain, those of readings among them; None without a chain."""
    links: int
    channels: int
    session_bytes: int

    @property
    def events(self) -> int:
        counted = self.items - self.readings if self.items is not None else LOOSE_EVENTS
        return counted + self.session_bytes // ENTRY_BYTES

    def most(self, name: str) -> int:
        """Bytes a file of the bag may have."""
        match name:
            case "data/readings.parquet":
                return self.readings * READING_BYTES + self.most_footer + self.most_groups * 16 * KB
            case "data/events.jsonl":
                each = LOOSE_EVENTS * HEARTBEAT_BYTES
                if self.items is not None:
                    each = (self.items - self.readings) * EVENT_BYTES
                return each + self.session_bytes * TOLD_BYTES + EVENTS_ROOM
            case "data/chain.csv":
                return self.links * MOST_LINK_LINE + KB
            case "data/readings.csv":
                rows = self.readings + self.events + 2
                return rows * (CELL_TEXT + self.channels) + self.channels * HEADING + self.session_bytes * TOLD_BYTES
            case _:
                return FIXED.get(name, MOST_OTHER)

    @property
    def most_groups(self) -> int:
        """Row groups; each but the last is full, and half full is let pass."""
        return self.readings // 32_768 + 1

    @property
    def most_footer(self) -> int:
        """Bytes; the channels stand in it as they do in session.json."""
        return FOOTER_ROOM + self.session_bytes + self.most_groups * GROUP_FOOTER

    def check(self, name: str, size: int) -> None:
        """Raises VerificationFailed for a file that is larger than what is claimed can make it."""
        if size > (most := self.most(name)):
            grown = f"; {self} take at most {most}" if name.startswith("data/") and name not in FIXED else ""
            raise VerificationFailed(
                f"{name} would unpack to {size} bytes{grown or f', at most {most} are a pack'}: refused"
            )

    def __str__(self) -> str:
        counted = f" and {self.items - self.readings} events" if self.items is not None else ""
        return f"{self.readings} readings{counted}"


def check_fixed(name: str, size: int) -> None:
    """For what is read before there are claims. Raises VerificationFailed."""
    if name in FIXED and size > FIXED[name]:
        raise VerificationFailed(
            f"{name} would unpack to {size} bytes, more than the {FIXED[name]} a pack may have: refused"
        )


def weight(text: bytes) -> int:
    """Bytes of memory that JSON takes once it is read, at most and about: a container 72, an element 40, text as it is."""
    return len(text) + 72 * (text.count(b"[") + text.count(b"{")) + 40 * text.count(b",")
