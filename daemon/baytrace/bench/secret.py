"""Secrets come from the environment or from files only their owner can read; never from bench.toml."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from baytrace.measure.faults import BadInput

if TYPE_CHECKING:
    from baytrace.bench.config import BenchConfig
from baytrace.bench.config_sections import ForwardSection

SHORTEST_HIDDEN = 6
"""A shorter secret is also an everyday word, and hiding it would spoil what is said."""
_read: set[str] = set()


def hidden(text: str) -> str:
    """The text without any secret this process has read."""
    for secret in _read:
        text = text.replace(secret, "...")
    return text


def require_private(file: Path, where: str) -> None:
    """Raises BadInput when others than its owner can read or change the file. Raises OSError when there is none."""
    if os.name == "posix" and stat.S_IMODE(file.stat().st_mode) & 0o077:
        raise BadInput(f"{file} can be read or changed by others", where=where, right=f"chmod 600 {file}")


def read_secret(env: str, file: Path | None, where: str) -> str | None:
    """The secret, or None when neither is named. Raises BadInput when it is named and cannot be had safely."""
    value = _from_environment(env, where) if env else _from_file(file, where) if file is not None else None
    if value is not None and len(value) >= SHORTEST_HIDDEN:
        _read.update((value, json.dumps(value)[1:-1]))
    return value


def forward_token(config: BenchConfig, section: ForwardSection) -> str:
    """The token for the time-series server, '' when none is named. Raises BadInput when it cannot be had, or not be sent."""
    token = read_secret(section.token_env, config.path(section.token_file) if section.token_file else None, "forward")
    if token is None:
        return ""
    if not token.isascii() or not token.isprintable():
        raise BadInput(
            "the token holds signs that cannot be sent", where="forward", right="a token is one line of ASCII"
        )
    if section.basic_auth and ":" not in token:
        raise BadInput("the token is no user:password", where="forward", right="basic_auth needs both, with a colon")
    return token


def _from_environment(env: str, where: str) -> str:
    value = os.environ.get(env)
    if not value:
        raise BadInput(f"environment variable {env} is not set", where=where, right="set it before starting the bench")
    return value


def _from_file(file: Path, where: str) -> str:
    try:
        require_private(file, where)
        value = file.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise BadInput(f"{file} cannot be read ({error.strerror})", where=where) from None
    except UnicodeDecodeError:
        raise BadInput(f"{file} is no text in UTF-8", where=where) from None
    if not value:
        raise BadInput(f"{file} is empty", where=where, right="write the secret into it, one line")
    return value
