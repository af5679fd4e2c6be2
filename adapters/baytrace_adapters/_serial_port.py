"""Moves bytes between one serial port and the event loop. Understands none of them.

Rules of this file:
- One thread owns one port: it opens, reads, stamps and closes. Nobody else closes it (closing under a blocked read fails
  in ways that look like an unplug).
- Every chunk is stamped in that thread, at once when it was read.
- `is_open` is never trusted; any of SerialException, OSError and TypeError while reading means the port is lost.
- The way to the loop is bounded. A network port is then simply not read (the sender waits); a tty cannot wait, so its
  bytes are dropped, and the loss is told (`Chunk.lost`), never hidden.
- pyserial empties the input buffer on opening: bytes that waited there have no honest time of arrival.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Self

import serial

from baytrace.measure.clock import Clock
from baytrace.measure.faults import EnvironmentFailed
from baytrace_adapters._port_names import PortSettings, device_facts, device_of, holders, is_url
from baytrace_adapters._socket_port import SocketPort

PORT_ERRORS = (serial.SerialException, OSError, TypeError)
_POLL_S = 0.2
_MOST_WAITING = 1 << 20
_JOIN_S = 0.8


class Chunk(NamedTuple):
    """Bytes as read, stamped on arrival. `idle_s` is the real time since the port was opened or the last bytes came.

    `lost` counts bytes dropped just before these.
    """

    data: bytes
    wall_ns: int
    mono_ns: int
    idle_s: float
    lost: int = 0


class SerialPort:
    """`async with SerialPort(...)`, then `read` and `write`. One use: open it anew by making another."""

    def __init__(self, settings: PortSettings, clock: Clock) -> None:
        self._settings, self._clock = settings, clock
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[Mapping[str, str]] = self._loop.create_future()
        self._arrived = asyncio.Event()
        self._stop = threading.Event()
        self._room = threading.Condition()
        self._held = threading.Lock()
        self._chunks: deque[Chunk] = deque()
        self._waiting = 0
        self._failure: str | None = None
        self._port: Any = None
        self.facts: Mapping[str, str] = {}
        """What is known of the adapter behind the port, once it is open."""
        self._thread = threading.Thread(target=self._live, name=f"port {settings.port}", daemon=True)

    async def __aenter__(self) -> Self:
        """Opens; raises EnvironmentFailed when that fails."""
        self._thread.start()
        try:
            self.facts = await self._opened
        except BaseException:
            await self._close()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._close()

    async def read(self) -> list[Chunk]:
        """Everything that arrived since the last call, waiting for at least one chunk. Raises EnvironmentFailed when lost."""
        while not self._chunks:
            if self._failure is not None:
                raise EnvironmentFailed(self._failure)
            self._arrived.clear()
            if not self._chunks and self._failure is None:
                await self._arrived.wait()
        with self._room:
            chunks = list(self._chunks)
            self._chunks.clear()
            self._waiting = 0
            self._room.notify_all()
        return chunks

    async def write(self, data: bytes) -> None:
        """Raises EnvironmentFailed when the port is lost or does not take the bytes."""
        await self._loop.run_in_executor(None, self._write, data)

    # -- on the port's own thread ------------------------------------------------------------------------------------

    def _live(self) -> None:
        try:
            port, facts = self._open()
        except EnvironmentFailed as error:
            self._tell_opened(error)
            return
        except Exception as error:  # noqa: BLE001 - a driver's own kind of error: who waits for the port must hear of it
            self._tell_opened(EnvironmentFailed(f"cannot open {self._settings.port}: {_plain(error)}"))
            return
        self._port = port
        self._tell_opened(facts)
        try:
            self._read_on(port)
        except Exception as error:  # noqa: BLE001 - as above
            self._fail(f"{self._settings.port} was lost ({_plain(error)})")
        finally:
            with self._held:
                self._port = None
                with contextlib.suppress(*PORT_ERRORS):
                    port.close()

    def _open(self) -> tuple[Any, Mapping[str, str]]:
        settings = self._settings
        device = device_of(settings.port)
        try:
            port = SocketPort(device) if device.startswith("socket://") else _serial(settings, device)
        except (*PORT_ERRORS, ValueError) as error:
            held = "" if is_url(device) else holders(device)
            raise EnvironmentFailed(f"cannot open {settings.port}: {_plain(error)}{held}") from None
        claim(port)
        return port, device_facts(settings.port, device)

    def _read_on(self, port: Any) -> None:
        since, lost = time.monotonic(), 0
        lossless = is_url(self._settings.port)
        while not self._stop.is_set():
            data = port.read(1)
            if not data:
                continue
            wall_ns, mono_ns, now = self._clock.wall_ns(), self._clock.mono_ns(), time.monotonic()
            data += _drain(port)
            lost = self._hand_over(Chunk(data, wall_ns, mono_ns, now - since, lost), wait=lossless)
            since = time.monotonic()

    def _hand_over(self, chunk: Chunk, *, wait: bool) -> int:
        """Bytes lost so far, 0 when the chunk was handed over."""
        with self._room:
            while self._waiting >= _MOST_WAITING and not self._stop.is_set():
                if not wait:
                    return chunk.lost + len(chunk.data)
                self._room.wait(_POLL_S)
            self._chunks.append(chunk)
            self._waiting += len(chunk.data)
        self._call(self._arrived.set)
        return 0

    def _fail(self, why: str) -> None:
        def tell() -> None:
            self._failure = why
            self._arrived.set()

        self._call(tell)

    def _tell_opened(self, outcome: Mapping[str, str] | EnvironmentFailed) -> None:
        def tell() -> None:
            if self._opened.done():
                return
            if isinstance(outcome, EnvironmentFailed):
                self._opened.set_exception(outcome)
            else:
                self._opened.set_result(outcome)

        self._call(tell)

    def _call(self, function: Callable[[], None]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended: nobody is left to tell
            self._loop.call_soon_threadsafe(function)

    # -- elsewhere ---------------------------------------------------------------------------------------------------

    def _write(self, data: bytes) -> None:
        with self._held:
            if self._port is None:
                raise EnvironmentFailed(f"{self._settings.port} is closed")
            try:
                self._port.write(data)
            except PORT_ERRORS as error:
                raise EnvironmentFailed(f"{self._settings.port} takes no bytes ({_plain(error)})") from None

    async def _close(self) -> None:
        self._stop.set()
        port = self._port
        if port is not None and hasattr(port, "cancel_read"):
            with contextlib.suppress(*PORT_ERRORS, AttributeError):
                port.cancel_read()
        # An opening that hangs in the driver or the network is left to end by itself; the thread then closes its port.
        await asyncio.to_thread(self._thread.join, _JOIN_S)


def _serial(settings: PortSettings, device: str) -> Any:
    """Open a pyserial port. Raises what pyserial raises."""
    keys = settings.line_keys() | {"timeout": _POLL_S, "write_timeout": 1.0}
    if not is_url(device):
        keys["exclusive"] = True if os.name == "posix" else None
    port = serial.serial_for_url(device, do_not_open=True, **keys)
    if settings.dtr is not None:
        port.dtr = settings.dtr
    if settings.rts is not None:
        port.rts = settings.rts
    port.open()
    return port


def _drain(port: Any) -> bytes:
    """What has arrived already, without waiting. `in_waiting` may say less than there is (rfc2217), hence the loop."""
    parts = []
    with contextlib.suppress(*PORT_ERRORS):  # what was read already still counts; the next read meets the error again
        for _ in range(64):
            waiting = port.in_waiting
            if not waiting:
                break
            parts.append(port.read(waiting))
    return b"".join(parts)


def claim(port: Any) -> None:
    """Keep later openers out: `exclusive` only stops those who ask for it too."""
    if os.name != "posix":
        return
    import fcntl  # noqa: PLC0415 - not on every system
    import termios  # noqa: PLC0415

    with contextlib.suppress(OSError, AttributeError, ValueError, TypeError):
        descriptor = port.fileno()
        if os.isatty(descriptor):
            fcntl.ioctl(descriptor, termios.TIOCEXCL)


def _plain(error: BaseException) -> str:
    text = str(error) or type(error).__name__
    if "returned no data" in text:
        return "unplugged, or another program reads the same port"
    return text.splitlines()[0][:200]
