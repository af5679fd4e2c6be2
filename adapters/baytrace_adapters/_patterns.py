r"""Regular expressions that people write, on an engine whose time grows with the line alone.

A backtracking engine does not return from `(\d+)+` and one line of 33 bytes, and holds every other instrument and the pages
meanwhile. This one (RE2) has no look-around and no back references; `\d`, `\w` and `\s` mean ASCII.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol, cast

import re2

_MOST = 2000
"""Characters of a pattern."""


class Match(Protocol):
    def groupdict(self) -> dict[str, str | None]: ...

    def __getitem__(self, group: int) -> str: ...


class Pattern(Protocol):
    @property
    def groupindex(self) -> Mapping[str, int]: ...

    @property
    def groups(self) -> int: ...

    def fullmatch(self, text: str) -> Match | None: ...

    def search(self, text: str) -> Match | None: ...


def compiled(text: str) -> Pattern:
    """Raises ValueError saying what is wrong with it."""
    if len(text) > _MOST:
        raise ValueError(f"is {len(text)} characters long, the most is {_MOST}")
    options = re2.Options()
    options.log_errors = False
    try:
        return cast("Pattern", re2.compile(text, options))
    except re2.error as error:
        said = (
            error.args[0].decode("utf-8", "replace") if error.args and isinstance(error.args[0], bytes) else str(error)
        )
        said = said.replace("invalid perl operator: (?", "look-around is not known here: (?")
        raise ValueError(f"is no regular expression ({said})") from None
