"""Secrets come from the environment or from files only their owner can read; never from bench.toml."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from baytrace.measure.faults import BadInput


def read_secret(env: str, file: Path | None, where: str) -> str | None:
    """The secret, or None when neither is named. Raises BadInput when it is named and cannot be had safely."""
    if env:
        value = os.environ.get(env)
        if not value:
            raise BadInput(
                f"environment variable {env} is not set", where=where, right="set it before starting the bench"
            )
        return value
    if file is None:
        return None
    try:
        mode = file.stat().st_mode
        if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
            raise BadInput(f"{file} can be read by others", where=where, right=f"chmod 600 {file}")
        return file.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise BadInput(f"{file} cannot be read ({error.strerror})", where=where) from None
