"""The command line: one module in `baytrace.commands` a command, found by walking the package.

Exit codes: 0 done or pass, 1 fail, 2 bad input or usage, 3 undecided, 4 verification failed, 5 the environment failed.
An error a person can mend is one line on stderr, never a traceback.
"""

from __future__ import annotations

import errno
import importlib
import os
import pkgutil
import re
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Annotated, NoReturn

import typer

import baytrace
from baytrace import commands
from baytrace.measure.faults import BaytraceError

_SUMMARY = re.compile(r'"""`baytrace (?P<name>\S+)`: (?P<said>.+?)"""')


def names() -> list[str]:
    """Of every command there is."""
    return sorted(info.name for info in pkgutil.iter_modules(commands.__path__) if not info.name.startswith("_"))


def summary(name: str) -> str:
    """What a command is for: the first line of its module, which need not be imported for it."""
    [folder] = commands.__path__
    with (Path(folder) / f"{name}.py").open(encoding="utf-8") as source:
        found = _SUMMARY.match(source.readline())
    return found["said"][:1].upper() + found["said"][1:] if found else ""


def build(arguments: list[str] | None = None) -> typer.Typer:
    """The command line for these arguments: the command they name is imported, of the others only their summary is told. All of
    them, imported, where no arguments are given.
    """
    app = typer.Typer(
        name="baytrace",
        help="A bench daemon for air-conditioning work: it measures, judges and keeps what the instruments said.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=True,
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback(invoke_without_command=True)
    def top(
        version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
    ) -> None:
        if version:
            print(baytrace.__version__)
            raise typer.Exit

    known, wanted = names(), arguments[0].replace("-", "_") if arguments else ""
    for name in [wanted] if wanted in known else known:
        if arguments is None or name == wanted:
            importlib.import_module(f"{commands.__name__}.{name}").register(app)
        else:
            app.command(name=name.replace("_", "-"), help=summary(name))(_told_of)
    return app


def _told_of() -> None:
    """Stands for a command in a list of them."""


def _asked(arguments: list[str]) -> list[str]:
    """The arguments, or those that a shell asks to complete."""
    return os.environ.get("COMP_WORDS", "").split()[1:] if "_BAYTRACE_COMPLETE" in os.environ else arguments


def run(arguments: list[str] | None = None) -> int:
    """The exit code of one command line."""
    arguments = sys.argv[1:] if arguments is None else arguments
    try:
        result = build(_asked(arguments))(args=arguments, standalone_mode=False, prog_name="baytrace")
    except BaytraceError as error:
        print(f"baytrace: {error}", file=sys.stderr)
        return error.exit_code
    except typer.Exit as error:
        return int(error.exit_code)
    except (typer.Abort, KeyboardInterrupt):
        print("baytrace: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except OSError as error:
        # what no command foresaw of a disk or a path; one that did says what would be right
        print(f"baytrace: {error.filename or 'the system'}: {error.strerror or error}", file=sys.stderr)
        return 2 if error.errno == errno.ENAMETOOLONG else 5
    except Exception as error:
        if hasattr(error, "format_message"):
            _tell_usage(error.format_message())
            return 2
        raise
    return int(result) if isinstance(result, int) else 0


def _tell_usage(message: str) -> None:
    """One line; nothing where the help was shown instead."""
    if said := " ".join(message.replace("Value error, ", "").split()).rstrip("."):
        print(f"baytrace: {said}; see --help", file=sys.stderr)


def _stopped(number: int, _frame: FrameType | None) -> NoReturn:
    print("baytrace: stopped", file=sys.stderr)
    sys.exit(128 + number)


def main() -> None:
    # a command that is ended clears away what it had begun; those that run on have a way of their own to end
    signal.signal(signal.SIGTERM, _stopped)
    sys.exit(run())
