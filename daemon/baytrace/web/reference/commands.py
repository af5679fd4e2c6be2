"""Every command and option, from the command line itself.

The command line stands above this room and may not be imported from here, so it is found as what it is: an installed program.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from enum import Enum
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, NamedTuple, get_args

import typer

from baytrace.web.reference.tables import code, table

TITLE = "Reference: every command"

_HEAD = f"""# {TITLE}

`baytrace COMMAND --help` tells the same on the spot. An error you can mend is one line on the error output, never a traceback.

| exit code | means |
|---|---|
| `0` | done; for `judge` and `demo`: pass |
| `1` | the work was done and the verdict is fail |
| `2` | what was given cannot be used; the line says what would be right |
| `3` | undecided |
| `4` | verification failed |
| `5` | the environment failed: port, broker, server, disk |
| `130` | stopped with Ctrl-C |

With `--json` a command prints one JSON document and nothing else on the standard output.
"""


class Option(NamedTuple):
    """`name` as typed, such as `--to DIR`; `words` may be empty only where the code lacks them."""

    name: str
    default: str
    words: str


class Command(NamedTuple):
    name: str
    words: str
    usage: str
    options: list[Option]


def _root() -> Any:
    [program] = entry_points(group="console_scripts", name="baytrace")
    return typer.main.get_command(importlib.import_module(program.module).build())


@cache
def every_command() -> list[Command]:
    return list(_walk("baytrace", _root()))


def _walk(name: str, command: Any) -> Iterator[Command]:
    children = getattr(command, "commands", {})
    if not children:
        yield _told(name, command)
    for child, each in sorted(children.items()):
        if not each.hidden:
            yield from _walk(f"{name} {child}", each)


def _told(name: str, command: Any) -> Command:
    shown = [each for each in command.params if not getattr(each, "hidden", False) and each.name != "help"]
    needed = [_typed(each) for each in shown if each.required]
    rest = " [OPTIONS]" if len(needed) < len(shown) else ""
    return Command(name, command.help or "", " ".join([name, *needed]) + rest, [_option(each) for each in shown])


def _typed(parameter: Any) -> str:
    """What a person writes: `PACK`, `--to PATH`, `--json`."""
    if parameter.param_type_name == "argument":
        return str(parameter.name).upper()
    long = max(parameter.opts, key=len)
    if parameter.is_flag:
        return str(long)
    return f"{long} {_word(parameter)}"


def _word(parameter: Any) -> str:
    """What stands for the value: its choices, or its kind in capitals."""
    if parameter.metavar:
        return str(parameter.metavar)
    annotation = parameter.type_descriptor.annotation
    kinds: tuple[Any, ...] = get_args(annotation) or (annotation,)
    kind: Any = next((each for each in kinds if each is not type(None)), str)
    if issubclass(kind, Enum):
        return "|".join(str(each.value) for each in list(kind))
    return "PATH" if issubclass(kind, Path) else {int: "N", float: "X"}.get(kind, "TEXT")


def _option(parameter: Any) -> Option:
    default = parameter.default
    plain = (
        default is None or callable(default) or isinstance(default, bool) or default in ("", ()) or parameter.required
    )
    kind = "required" if parameter.required else "" if plain else code(str(getattr(default, "value", default)))
    return Option(_typed(parameter), kind, getattr(parameter, "help", "") or "")


def page() -> str:
    parts = [_HEAD]
    for command in every_command():
        parts += [f"## `{command.name}`", "", command.words, "", f"    {command.usage}", ""]
        rows = ((code(each.name), each.default, each.words) for each in command.options)
        parts.append(table(("option", "default", "meaning"), rows))
    return "\n".join(parts)
