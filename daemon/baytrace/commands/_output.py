"""What every command shares: JSON on stdout alone, people's text beside it, settings from `--set`."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from typing import Annotated, Any

import typer
from rich.console import Console

from baytrace.measure.faults import BadInput
from baytrace.measure.verdict import Outcome

Json = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else there.")]

EXIT_OF = {Outcome.PASS: 0, Outcome.FAIL: 1, Outcome.UNDECIDED: 3}


def people() -> Console:
    """Where progress and notes go."""
    return Console(stderr=True, highlight=False)


def table_console() -> Console:
    """Where a command's answer for people goes."""
    return Console(highlight=False)


def print_json(document: Any) -> None:
    json.dump(document, sys.stdout, ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write("\n")


def settings_from(pairs: Iterable[str]) -> dict[str, Any]:
    """`key=value` pairs; a value that is a JSON list or object is read as one. Raises BadInput."""
    settings: dict[str, Any] = {}
    for pair in pairs:
        key, equals, text = pair.partition("=")
        if not equals or not key.strip():
            raise BadInput(f"{pair!r} is no setting", where="--set", right="write --set key=value")
        value: Any = text.strip()
        if value[:1] in ("[", "{"):
            try:
                value = json.loads(value)
            except (ValueError, RecursionError) as error:
                raise BadInput(f"{text[:200]!r} is no JSON ({error})", where=f"--set {key}") from None
        elif not value.isprintable():
            raise BadInput(f"{text[:200]!r} holds a sign that cannot be seen", where=f"--set {key}")
        settings[key.strip()] = value
    return settings
