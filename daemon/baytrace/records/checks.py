"""What verifying found, check by check."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

_MOST = 600
"""Characters of a line."""


class State(StrEnum):
    OK = "ok"
    CAUTION = "caution"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Check:
    """`what` is the kind of check, `text` one sentence that names the place."""

    what: str
    state: State
    text: str


@dataclass(slots=True)
class Report:
    """What was checked, in order."""

    path: Path
    session: str = ""
    signature: str = "absent"
    """known, unknown, absent or bad."""
    key: str = ""
    """Fingerprint of the key that signed."""
    head: str = ""
    """Digest of the last link of the session's chain."""
    other_version: str = ""
    """Where another version worked out other figures: which made the pack, and which did that."""
    checks: list[Check] = field(default_factory=list)

    def say(self, what: str, state: State, text: str) -> None:
        """One line, whatever stood in the pack: what cannot be shown is written as its number."""
        self.checks.append(Check(what, state, _shown(text)))

    @property
    def faults(self) -> list[Check]:
        return [check for check in self.checks if check.state is State.FAULT]

    @property
    def good(self) -> bool:
        return bool(self.checks) and not self.faults

    def summary(self) -> str:
        """One line."""
        if not self.good:
            first = self.faults[0].text if self.faults else "nothing was checked"
            more = f" (and {len(self.faults) - 1} more)" if len(self.faults) > 1 else ""
            return f"verification failed: {first}{more}"
        signed = {
            "known": "signed by a known key",
            "unknown": "signed by a key nobody vouched for",
            "absent": "not signed",
        }
        other = f"; {self.other_version}: figures differ, verdicts do not" if self.other_version else ""
        return f"verified; {signed[self.signature]}{other}"

    def to_json(self) -> dict[str, Any]:
        return {
            "path": str(self.path),
            "good": self.good,
            "session": self.session,
            "signature": self.signature,
            "key": self.key,
            "head": self.head,
            "other_version": self.other_version,
            "checks": [{"what": check.what, "state": str(check.state), "text": check.text} for check in self.checks],
        }


def _shown(text: str) -> str:
    if text.isprintable() and len(text) <= _MOST:
        return text
    plain = "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text[:_MOST])
    return plain if len(text) <= _MOST else f"{plain}..."
