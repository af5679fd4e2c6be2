"""Where forwarding stands, in a small file beside the journal: sent, confirmed, quarantined. Written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from baytrace.measure.faults import BadInput, EnvironmentFailed


@dataclass
class Cursor:
    """`sent_seq` was answered with 204; `confirmed_seq` was read back after a barrier. `encoder` is the state at `confirmed_seq`.

    `sent`, `confirmed`, `resent`, `quarantined` and `unsendable` count rows; nothing between `confirmed_seq` and
    `quarantined_seq` is counted as quarantined again. `warnings` are what the look at the server found.
    """

    sent_seq: int = 0
    confirmed_seq: int = 0
    run: str = ""
    encoder: dict[str, Any] = field(default_factory=dict)
    sent: int = 0
    confirmed: int = 0
    quarantined: int = 0
    quarantined_seq: int = 0
    resent: int = 0
    unsendable: int = 0
    state: str = "never run"
    last_error: str = ""
    warnings: list[str] = field(default_factory=list)

    def standing(self) -> dict[str, Any]:
        """What people are shown."""
        hidden = ("encoder", "run", "quarantined_seq")
        return {name: value for name, value in asdict(self).items() if name not in hidden}


class CursorFile:
    """`name` keeps the places of different journeys through one journal apart."""

    def __init__(self, directory: Path, name: str = "forward") -> None:
        self.file = directory / f"{name}.json"
        self.quarantine = directory / f"{name}-quarantine.jsonl"

    def read(self) -> Cursor:
        """Raises BadInput when the file is damaged: starting over would send everything again, so a person decides."""
        known = {each.name for each in fields(Cursor)}
        try:
            data = json.loads(self.file.read_text(encoding="utf-8"))
            return Cursor(**{name: value for name, value in data.items() if name in known})
        except FileNotFoundError:
            return Cursor()
        except (OSError, ValueError, TypeError, AttributeError) as error:
            raise BadInput(
                f"the cursor cannot be read ({error})", where=str(self.file), right="delete it to send everything again"
            ) from None

    def write(self, cursor: Cursor, *, durable: bool = True) -> None:
        """`durable` False is enough for what is only shown: the places of a crash are the last durable ones, or later.

        Raises EnvironmentFailed.
        """
        new = self.file.with_suffix(".new")
        try:
            with new.open("w", encoding="utf-8") as stream:
                json.dump(asdict(cursor), stream)
                stream.flush()
                if durable:
                    os.fsync(stream.fileno())
            new.replace(self.file)
        except OSError as error:
            raise _refused(self.file, error) from None

    def set_aside(self, **what: Any) -> None:
        """Keep what the server will never take. Raises EnvironmentFailed."""
        try:
            with self.quarantine.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(what) + "\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise _refused(self.quarantine, error) from None


def _refused(file: Path, error: OSError) -> EnvironmentFailed:
    return EnvironmentFailed(f"{file}: {error.strerror}; where forwarding stands cannot be kept")


def standing(directory: Path) -> dict[str, Any]:
    """Where forwarding from this journal stands, for whoever shows it; a damaged cursor is said, not raised."""
    try:
        return CursorFile(directory).read().standing()
    except BadInput as error:
        return Cursor(state="stopped", last_error=error.what).standing()


def tell_standing(directory: Path, error: str) -> None:
    """Say that forwarding stands still, for whoever is shown it; a cursor that cannot be read or written says so by itself."""
    file = CursorFile(directory)
    with contextlib.suppress(BadInput, EnvironmentFailed):
        cursor = file.read()
        cursor.state, cursor.last_error = "stopped", error
        file.write(cursor, durable=False)
