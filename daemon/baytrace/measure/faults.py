"""Errors by what the program does next; each message is one line: what, where, what would be right."""

from __future__ import annotations


class BaytraceError(Exception):
    """Base of every error a person is told about. `exit_code` is the command line's answer."""

    exit_code = 1


class BadInput(BaytraceError):
    """What a person or file gave cannot be used (exit 2)."""

    exit_code = 2

    def __init__(self, what: str, *, where: str = "", right: str = "") -> None:
        self.what, self.where, self.right = what, where, right
        text = f"{where}: {what}" if where else what
        super().__init__(f"{text}; {right}" if right else text)


class NotNow(BadInput):
    """What was asked cannot be done in the present state: no session runs, or one still does (HTTP 409)."""


class Unknown(BadInput):
    """What was named does not exist here (HTTP 404)."""


class VerificationFailed(BaytraceError):
    """A pack or journal is not what was signed or chained (exit 4)."""

    exit_code = 4


class EnvironmentFailed(BaytraceError):
    """A port, broker, server or disk failed (exit 5)."""

    exit_code = 5
