"""Wires an instrument can be on: a pseudo-terminal, or a TCP socket on loopback. Both can be unplugged and plugged in again.

A pseudo-terminal has a fixed name (a link in a folder of its own), as a serial adapter has one by its serial number.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

_CHUNK = 4096


class Wire(Protocol):
    """`heard` is called with the bytes that arrive, on the event loop's thread."""

    heard: Callable[[bytes], None]

    @property
    def port(self) -> str:
        """How pyserial names it."""
        ...

    async def plug(self) -> None: ...

    async def unplug(self) -> None: ...

    def send(self, data: bytes) -> None:
        """Lost, as on a serial wire, when nobody takes it."""
        ...


def _ignore(_: bytes) -> None:
    return


class PtyWire:
    """POSIX only. `path` becomes the link to the terminal's device."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.heard: Callable[[bytes], None] = _ignore
        self._ours: int | None = None
        self._theirs: int | None = None

    @property
    def port(self) -> str:
        return str(self.path)

    async def plug(self) -> None:
        import tty  # noqa: PLC0415 - POSIX only

        if self._ours is not None:
            return
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        asyncio.get_running_loop().add_reader(self._ours, self._arrived)
        fresh = self.path.with_suffix(".new")
        fresh.symlink_to(os.ttyname(self._theirs))
        fresh.replace(self.path)

    async def unplug(self) -> None:
        if self._ours is None or self._theirs is None:
            return
        asyncio.get_running_loop().remove_reader(self._ours)
        for end in (self._ours, self._theirs):
            os.close(end)
        self._ours = self._theirs = None
        self.path.unlink(missing_ok=True)

    def _arrived(self) -> None:
        assert self._ours is not None
        with contextlib.suppress(BlockingIOError, OSError):
            self.heard(os.read(self._ours, _CHUNK))

    def send(self, data: bytes) -> None:
        if self._ours is not None:
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._ours, data)


class SocketWire:
    """A server on a free port of 127.0.0.1 that keeps its port over an unplugging. `scheme` is how the reader names it."""

    def __init__(self, scheme: str = "socket") -> None:
        self._scheme = scheme
        self.heard: Callable[[bytes], None] = _ignore
        self._server: asyncio.Server | None = None
        self._number = 0
        self._writers: set[asyncio.StreamWriter] = set()

    @property
    def port(self) -> str:
        return f"{self._scheme}://127.0.0.1:{self._number}"

    async def plug(self) -> None:
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, "127.0.0.1", self._number)
            self._number = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        if self._server is None:
            return
        self._server.close()
        for writer in list(self._writers):
            writer.close()
        self._server = None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            while data := await reader.read(_CHUNK):
                self.heard(data)
        except (ConnectionError, asyncio.CancelledError):
            pass  # the reader has gone, or the simulator ends
        finally:
            self._writers.discard(writer)
            writer.close()

    def send(self, data: bytes) -> None:
        for writer in self._writers:
            if not writer.is_closing():
                writer.write(data)


def best_kind() -> str:
    """`pty` where the system has pseudo-terminals, else `sockets`."""
    return "pty" if sys.platform != "win32" and hasattr(os, "openpty") else "sockets"


def wire(kind: str, folder: Path, name: str, *, scheme: str = "socket") -> Wire:
    """An unplugged wire of `kind` (`pty` or `sockets`) for the instrument `name`."""
    return PtyWire(folder / name.replace(" ", "-")) if kind == "pty" else SocketWire(scheme)
