"""One question, one answer on a serial conversation, and back in step after a missed or late answer.

The danger is the late answer: if `MEAS:RES?` times out and its answer comes after the next question was sent, it would be
taken for the next channel's value. So after any miss the wire is first drained until it is quiet, then the identity is
asked for until the very identity comes back; only then does a question get asked again. A meter without `*IDN?` can only
be drained: an answer later than one more timeout would then be misplaced, which its settings' description says.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import NamedTuple, Protocol

from baytrace.adapter import Sink
from baytrace_adapters._decode_scpi import identity_facts
from baytrace_adapters._framing import Fragment, LineBuffer, Terminator, TooLong
from baytrace_adapters._numbers import Unreadable
from baytrace_adapters._patience import real_timeout
from baytrace_adapters._serial_port import SerialPort
from baytrace_adapters._wire import Wire

_QUIET_S = 0.1
_MOST_DRAINED_S = 3.0
_ATTEMPTS = 3


class TalkSettings(Protocol):
    """What a conversation needs to know."""

    @property
    def timeout_s(self) -> float: ...
    @property
    def identity_query(self) -> str: ...
    @property
    def command_terminator(self) -> Terminator: ...
    @property
    def echo(self) -> bool: ...


class NoAnswer(Exception):
    """Nothing, or nothing whole, came in time."""


class Line(NamedTuple):
    """An answer, stamped when its end arrived."""

    text: bytes
    wall_ns: int
    mono_ns: int


class Talk:
    def __init__(self, port: SerialPort, wire: Wire, settings: TalkSettings, sink: Sink) -> None:
        self._port, self._wire, self._settings, self._sink = port, wire, settings, sink
        self._buffer = LineBuffer(longest=4096)
        self._lines: list[Line] = []
        self._identity = b""

    async def tell(self, command: str) -> None:
        await self._port.write(command.encode("ascii", errors="replace") + self._settings.command_terminator.written)

    async def ask(self, query: str) -> Line:
        """The answer to one query. What was unread before it is rejected. Raises NoAnswer."""
        await self._leftovers()
        await self.tell(query)
        loop = asyncio.get_running_loop()
        end = loop.time() + real_timeout(self._sink.clock, self._settings.timeout_s)
        echoed = not self._settings.echo
        while True:
            while self._lines:
                line = self._lines.pop(0)
                if not echoed and line.text.strip() == query.encode("ascii", errors="replace"):
                    echoed = True
                    continue
                return line
            left = end - loop.time()
            if left <= 0.0:
                raise NoAnswer(query)
            await self._receive(left)

    async def in_step(self, known: Callable[[Mapping[str, str]], None]) -> bool:
        """Drain, then ask for the identity until it comes; whether it did. `known` is told the identity."""
        for _ in range(_ATTEMPTS):
            await self._drain()
            if not self._settings.identity_query:
                return True
            try:
                line = await self.ask(self._settings.identity_query)
                facts = identity_facts(line.text)
            except NoAnswer:
                continue
            except Unreadable as error:
                await self._sink.reject(line.text, f"answer to {self._settings.identity_query}: {error}")
                continue
            if self._identity and line.text != self._identity:
                await self._sink.reject(line.text, "another identity than before")
                self._identity = b""
                continue
            self._identity = line.text
            known(facts)
            return True
        return False

    async def _drain(self) -> None:
        """Read until the wire has been quiet; what comes is kept as rejected."""
        loop = asyncio.get_running_loop()
        quiet = _QUIET_S if self._settings.identity_query else real_timeout(self._sink.clock, self._settings.timeout_s)
        end = loop.time() + _MOST_DRAINED_S
        while loop.time() < end and await self._receive(quiet):
            pass
        await self._leftovers()

    async def _leftovers(self) -> None:
        for line in self._lines:
            await self._sink.reject(line.text, "came without a question")
        self._lines.clear()
        if self._buffer.pending:
            await self._sink.reject(self._buffer.pending, "an answer without its end")
        self._buffer.reset()

    async def _receive(self, within_s: float) -> bool:
        chunks = await self._wire.read(self._port, within_s)
        for chunk in chunks:
            if chunk.lost:
                self._sink.count("dropped bytes", chunk.lost)
                self._buffer.broken()
            for piece in self._buffer.feed(chunk.data):
                if isinstance(piece, TooLong | Fragment):
                    await self._sink.reject(piece[0], "not a whole line")
                else:
                    self._lines.append(Line(piece, chunk.wall_ns, chunk.mono_ns))
        return bool(chunks)
