"""What is wrong with a bench file, as lines for the person who wrote it; and the base of its tables."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, ValidationError, field_validator

from baytrace.measure.address import checked_address


class Fault(NamedTuple):
    """One thing wrong with a configuration."""

    key: str
    what: str
    right: str = ""

    def line(self, file: Path | str) -> str:
        return f"{file}: {self.key}: {self.what}" + (f"; {self.right}" if self.right else "")


class Section(BaseModel):
    """Base of the bench's own tables."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)

    @field_validator("*")
    @classmethod
    def _plain_text(cls, given: Any) -> Any:
        if isinstance(given, str) and not given.isprintable():
            raise ValueError("holds a sign that cannot be seen")
        if isinstance(given, str) and given.startswith("~"):
            try:
                Path(given).expanduser()
            except RuntimeError:
                raise ValueError("names the home of a user who is not known here") from None
        return given


class Addressed(Section):
    """A table that names a server."""

    url: str

    @field_validator("url")
    @classmethod
    def _reachable(cls, url: str) -> str:
        return checked_address(url)


def one_of(first: str, second: str, names: str) -> None:
    """Raises ValueError when both are given: which of them counts is not guessed."""
    if first and second:
        raise ValueError(f"{names} exclude each other; leave one out")


def model_faults(prefix: str, error: ValidationError, known: Sequence[str]) -> Iterator[Fault]:
    """Each fault of a table; `known` are the keys it may have."""
    for fault in error.errors():
        key = ".".join([prefix, *(str(part) for part in fault["loc"])]).strip(".")
        if fault["type"] == "extra_forbidden":
            name = str(fault["loc"][-1])
            near = difflib.get_close_matches(name, known, n=1)
            yield Fault(key, "no such key", f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(known)}")
        elif fault["type"] == "missing":
            yield Fault(key, "is missing", "it is required")
        else:
            given = "" if isinstance(fault["input"], dict) else f" (got {_shown(fault['input'])})"
            yield Fault(key, fault["msg"].removeprefix("Value error, ") + given)


def _shown(given: Any) -> str:
    """What was given, for its owner to recognise: never a password or key that stands in an address, never a page of it."""
    text = re.sub(r"(//)[^/@\s]*@", r"\1...@", repr(given))
    return re.sub(r"(://[^\s'\"?]*\?)[^\s'\"]*", r"\1...", text)[:200]
