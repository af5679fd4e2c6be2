"""What a long-running command says while it runs: lines for people, or one JSON object a line for a log collector.

A JSON line has `time` (RFC 3339, UTC), `level`, `event` (one sentence), `logger`, and further fields where there are any; an
error's traceback is the field `traceback`, so that it stays one line. Secrets that were read are never written, in either form.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from enum import StrEnum
from types import TracebackType
from typing import Annotated, Any

import typer

from baytrace.bench.secret import hidden
from baytrace.measure.instant import format_instant

FORM = "BAYTRACE_LOG"
"""Environment variable by which the processes a command starts speak as it does."""
_OWN = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName", "color_message"}


class LogForm(StrEnum):
    HUMAN = "human"
    JSON = "json"


Log = Annotated[LogForm, typer.Option("--log", help="human: lines to read; json: one JSON object a line.")]


class HumanLines(logging.Formatter):
    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        return hidden(super().format(record))


class JsonLines(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "time": format_instant(int(record.created * 1e6) * 1000, 3),
            "level": record.levelname.lower(),
            "event": record.getMessage().strip(),
            "logger": record.name,
        }
        line |= {name: value for name, value in record.__dict__.items() if name not in _OWN}
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return hidden(json.dumps(line, ensure_ascii=False, default=str))


def start_logging(form: LogForm, *, verbose: bool = False) -> None:
    """To stderr, for this process and those it starts; warnings of libraries and an unforeseen end included."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLines() if form is LogForm.JSON else HumanLines())
    logging.basicConfig(level=logging.INFO if verbose else logging.WARNING, handlers=[handler])
    logging.getLogger("baytrace").setLevel(logging.INFO if verbose or form is LogForm.JSON else logging.WARNING)
    logging.captureWarnings(capture=True)
    os.environ[FORM] = str(form)
    if form is LogForm.JSON:
        sys.excepthook = _unforeseen


def inherited_form() -> LogForm:
    """How the process that started this one speaks."""
    return LogForm.JSON if os.environ.get(FORM) == LogForm.JSON else LogForm.HUMAN


def _unforeseen(kind: type[BaseException], error: BaseException, where: TracebackType | None) -> None:
    logging.getLogger("baytrace").critical("the command broke: %s", error, exc_info=(kind, error, where))
