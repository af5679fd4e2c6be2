"""One daemon a journal: an advisory lock on a file beside the database, released by the system when its holder ends."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path

from baytrace.measure.faults import EnvironmentFailed

FILE = "journal.lock"


class DirectoryLock:
    """Held from construction to `release`. Raises EnvironmentFailed naming the process that holds it."""

    def __init__(self, directory: Path) -> None:
        path = directory / FILE
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise EnvironmentFailed(f"{path}: {error.strerror}; the journal's directory must be writable") from None
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.read(self._fd, 64).decode(errors="replace").strip()
            os.close(self._fd)
            who = f"process {holder}" if holder else "another process"
            raise EnvironmentFailed(
                f"{directory}: the journal is in use by {who}; stop it, or give this bench another directory"
            ) from None
        # A full disk must not keep a bench from its journal: the number is only for the message above.
        with contextlib.suppress(OSError):
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Safe to call twice."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def in_use(directory: Path) -> bool:
    """Whether a process holds the journal in `directory`; changes nothing."""
    try:
        fd = os.open(directory / FILE, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(fd)
    return False
