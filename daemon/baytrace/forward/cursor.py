"""Where forwarding stands, in a small file beside the journal: sent, confirmed, quarantined. Written whole or not at all."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from baytrace.measure.faults import BadInput


@dataclass
class Cursor:
    """`sent_seq` was answered with 204; `confirmed_seq` was read back after a barrier. `encoder` is the state at `confirmed_seq`."""

    sent_seq: int = 0
    confirmed_seq: int = 0
    run: str = ""
    encoder: dict[str, Any] = field(default_factory=dict)
    sent: int = 0
    confirmed: int = 0
    quarantined: int = 0
    resent: int = 0
    unsendable: int = 0
    state: str = "never run"
    last_error: str = ""


class CursorFile:
    def __init__(self, directory: Path) -> None:
        self.file = directory / "forward.json"
        self.quarantine = directory / "forward-quarantine.jsonl"

    def read(self) -> Cursor:
        """Raises BadInput when the file is damaged: starting over would send everything again, so a person decides."""
        try:
            return Cursor(**json.loads(self.file.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return Cursor()
        except (ValueError, TypeError) as error:
            raise BadInput(
                f"the cursor cannot be read ({error})", where=str(self.file), right="delete it to send everything again"
            ) from None

    def write(self, cursor: Cursor) -> None:
        new = self.file.with_suffix(".new")
        with new.open("w", encoding="utf-8") as stream:
            json.dump(asdict(cursor), stream)
            stream.flush()
            os.fsync(stream.fileno())
        new.replace(self.file)

    def set_aside(self, seq: int, line: str, why: str) -> None:
        """Keep a row the server will never take."""
        with self.quarantine.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps({"seq": seq, "line": line, "why": why}) + "\n")
            stream.flush()
            os.fsync(stream.fileno())
