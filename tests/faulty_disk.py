"""A disk that misbehaves on command: a layer beneath SQLite through which every connection of this process goes.

What it does is a dict that may be changed at any time: `sync_takes_s` (seconds longer than it really takes), `writes` and
`syncs`, each a reason for which they are refused: "read-only", "failing" or "full" (a real one says so from the file system).
"""

import contextlib
import time

import apsw

REFUSALS = {"read-only": apsw.ReadOnlyError, "failing": apsw.IOError, "full": apsw.FullError}
NAME = "faulty"


class _File(apsw.VFSFile):
    def __init__(self, name, flags, does):
        if flags[0] & apsw.SQLITE_OPEN_READONLY:
            # at its end a reader tries for a lock that a file opened for reading cannot give; apsw would raise what SQLite ignores
            flags[0] ^= apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_READWRITE
        super().__init__("unix", name, flags)
        self._does = does

    def xWrite(self, data, offset):  # noqa: N802 - SQLite's name
        refuse(self._does.get("writes"))
        super().xWrite(data, offset)

    def xSync(self, flags):  # noqa: N802 - SQLite's name
        time.sleep(self._does.get("sync_takes_s", 0.0))
        super().xSync(flags)
        refuse(self._does.get("syncs"))


def refuse(why):
    if why:
        raise REFUSALS[why](f"the disk is {why}")


class FaultyDisk(apsw.VFS):
    """Beneath every connection opened from now on, until `leave`."""

    def __init__(self, **does):
        self.does = does
        super().__init__(NAME, "unix", makedefault=True)

    def xOpen(self, name, flags):  # noqa: N802 - SQLite's name
        return _File(name, flags, self.does)

    def do(self, does):
        """From now on this, and nothing else."""
        self.does.clear()
        self.does.update(does)

    def leave(self):
        """Connections opened before keep it."""
        apsw.set_default_vfs("unix")
        self.unregister()


@contextlib.contextmanager
def faulty_disk(**does):
    disk = FaultyDisk(**does)
    try:
        yield disk
    finally:
        disk.leave()
