"""A folder for what is needed for a while: removed at the end, and by the next run where the end was a kill.

Whoever works in such a folder holds a lock on a file in it, which the system lets go of when its process ends, however it ends. So
a folder of ours whose lock is free has been left behind, and each new one begins by removing those. Where there are no such locks
(elsewhere than on POSIX), the system's own clearing has to do.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from baytrace.measure.later import Later

fcntl = Later("fcntl")
_LOCK = ".in-use"


@contextmanager
def scratch(prefix: str, parent: Path | None = None) -> Iterator[Path]:
    """An empty folder but for its lock, in `parent` or the system's place for such. Raises OSError where none can be made."""
    parent = Path(tempfile.gettempdir()) if parent is None else parent
    if os.name == "posix":
        clear_left_behind(prefix, parent)
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=parent))
    lock = None
    try:
        if os.name == "posix":
            making = folder / f"{_LOCK}.new"
            lock = os.open(making, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
            fcntl.flock(lock, fcntl.LOCK_EX)
            making.rename(folder / _LOCK)  # nobody sees it unlocked
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def clear_left_behind(prefix: str, parent: Path) -> None:
    """Remove the folders of this user's runs that were killed."""
    with contextlib.suppress(OSError):
        for folder in parent.glob(f"{prefix}*"):
            with contextlib.suppress(OSError):
                _clear(folder)


def _clear(folder: Path) -> None:
    if folder.is_symlink() or folder.stat().st_uid != os.getuid():
        return
    lock = os.open(folder / _LOCK, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(lock)
