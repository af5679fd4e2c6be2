"""JSON pointers (RFC 6901). Pure."""

from __future__ import annotations

import re
from typing import Any

_INDEX = re.compile(r"0|[1-9][0-9]*", re.ASCII)
_BAD_ESCAPE = re.compile(r"~(?![01])")


class NotThere(Exception):
    """The document has nothing at the pointer."""


def parse_pointer(text: str) -> tuple[str, ...]:
    """The reference tokens of a pointer; `""` is the whole document. Raises ValueError."""
    if text and not text.startswith("/"):
        raise ValueError(f"{text!r} is no JSON pointer; it begins with '/', as '/temperature'")
    if _BAD_ESCAPE.search(text):
        raise ValueError(f"{text!r} is no JSON pointer; '~' is written '~0' and '/' in a name '~1'")
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in text.split("/")[1:])


def at_pointer(document: Any, tokens: tuple[str, ...]) -> Any:
    """Raises NotThere."""
    place = document
    for token in tokens:
        if isinstance(place, dict) and token in place:
            place = place[token]
        elif isinstance(place, list) and _INDEX.fullmatch(token) and int(token) < len(place):
            place = place[int(token)]
        else:
            raise NotThere(token)
    return place
