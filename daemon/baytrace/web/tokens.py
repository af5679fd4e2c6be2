"""Tokens: made once and shown once, kept only as SHA-256 (a token holds 256 random bits, so a plain hash is enough)."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import time
from enum import StrEnum
from pathlib import Path
from typing import Any

from baytrace.bench.secret import require_private
from baytrace.measure.faults import BadInput, EnvironmentFailed

COOKIE = "baytrace_token"


class AccessRole(StrEnum):
    VIEW = "view"
    BENCH = "bench"
    QUALITY = "quality"

    def allows(self, method: str, path: str) -> bool:
        """`view` reads; `bench` works; `quality` reads and signs off."""
        if method in ("GET", "HEAD", "OPTIONS"):
            return True
        signing = path.endswith("/sign-off")
        return self is AccessRole.QUALITY if signing else self is AccessRole.BENCH


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8")).hexdigest()


class TokenFile:
    """A JSON file of `{name: {role, hash, made}}`, mode 0600; read again when it changes. Reading raises BadInput."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._read_at = -1
        self._rows: dict[str, dict[str, Any]] = {}

    def rows(self) -> dict[str, dict[str, Any]]:
        try:
            stamp = self.file.stat().st_mtime_ns
        except FileNotFoundError:
            self._rows, self._read_at = {}, -1
            return self._rows
        except OSError as error:
            raise BadInput(f"cannot be read ({error.strerror})", where=str(self.file)) from None
        if stamp != self._read_at:
            self._rows = self._read()
            self._read_at = stamp
        return self._rows

    def _read(self) -> dict[str, dict[str, Any]]:
        try:
            require_private(self.file, "the token file")
            rows = json.loads(self.file.read_text(encoding="utf-8"))
            return {
                str(name): {"role": AccessRole(row["role"]), "hash": str(row["hash"]), "made": str(row["made"])}
                for name, row in rows.items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise BadInput(
                f"the token file cannot be read ({type(error).__name__})",
                where=str(self.file),
                right="move it away and make new tokens",
            ) from None

    def role_of(self, token: str) -> AccessRole | None:
        digest = _hash(token)
        found: AccessRole | None = None
        for row in self.rows().values():
            if hmac.compare_digest(row["hash"], digest):
                found = row["role"]
        return found

    def make(self, name: str, role: AccessRole) -> str:
        """A new token; it is not kept and cannot be shown again. Raises BadInput, or EnvironmentFailed when the file cannot be written."""
        if not name.strip() or not name.isprintable():
            raise BadInput("a token needs a name that can be read", right="say what it is for, such as a tablet's name")
        rows = dict(self.rows())
        if name in rows:
            raise BadInput(f"there is a token called {name!r}", right="revoke it first or choose another name")
        token = secrets.token_urlsafe(32)
        rows[name] = {
            "role": str(role),
            "hash": _hash(token),
            "made": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        }
        self._write(rows)
        return token

    def revoke(self, name: str) -> None:
        rows = dict(self.rows())
        if rows.pop(name, None) is None:
            raise BadInput(f"no token is called {name!r}", right=f"there are: {', '.join(rows) or 'none'}")
        self._write(rows)

    def _write(self, rows: dict[str, dict[str, Any]]) -> None:
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            new = self.file.with_name(self.file.name + ".new")
            new.unlink(missing_ok=True)
            descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
                json.dump(rows, stream, indent=2)
                stream.flush()
                os.fsync(stream.fileno())
            new.replace(self.file)
        except OSError as error:
            raise EnvironmentFailed(f"{self.file}: {error.strerror}; the tokens are as they were") from None
        self._read_at = -1
