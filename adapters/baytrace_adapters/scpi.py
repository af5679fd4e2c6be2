"""Meters that speak SCPI-99 over IEEE 488.2 messages: on a serial port or a network socket."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import ClassVar

from pydantic import Field, field_validator

from baytrace.adapter import ChannelRequest, ChannelSettings, LinkState, Sink
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Quality, Raw
from baytrace_adapters._decode_scpi import Answer, error_entry, values_of
from baytrace_adapters._framing import Terminator
from baytrace_adapters._numbers import Unreadable
from baytrace_adapters._port_names import exclusive_port
from baytrace_adapters._scpi_talk import NoAnswer, Talk
from baytrace_adapters._serial_port import SerialPort
from baytrace_adapters._wire import Silent, Wire, WireSettings

_MOST_ERRORS = 20
_MOST_MISSES = 3


def _in_ascii(text: str) -> str:
    """Raises ValueError for what a meter cannot be sent (IEEE 488.2 messages are ASCII)."""
    if not text.isascii():
        raise ValueError(f"{text!r} is not in ASCII, as SCPI is")
    return text


class ScpiSettings(WireSettings):
    """Keys of an instrument that speaks SCPI."""

    setup: list[str] = Field(default_factory=list)
    """Commands sent once after each opening, such as `["CONF:RES AUTO", "RES:NPLC 10"]`."""
    interval_s: float = Field(default=1.0, gt=0.0)
    """How often every channel is asked for (s); as fast as the meter answers where it is slower."""
    timeout_s: float = Field(default=2.0, gt=0.0)
    """How long an answer may take (s)."""
    identity_query: str = "*IDN?"
    """Asked on opening; its answer is kept with the session, and tells after a missed answer that both sides are in step again. Empty for a meter without it."""
    error_query: str = "SYST:ERR?"
    """Asked after `setup`, after an unreadable answer and every `errors_every_s`; empty for a meter without it."""
    errors_every_s: float = Field(default=10.0, gt=0.0)
    """How often the meter's error queue is read (s)."""
    command_terminator: Terminator = Terminator.LF
    """What ends a command: `lf`, `cr`, `crlf`."""
    echo: bool = False
    """The meter sends each command back before it answers."""

    @field_validator("setup", "identity_query", "error_query")
    @classmethod
    def _ascii(cls, given: str | list[str]) -> str | list[str]:
        for text in [given] if isinstance(given, str) else given:
            _in_ascii(text)
        return given


class ScpiChannelKeys(ChannelSettings):
    """Keys of a channel of an instrument that speaks SCPI."""

    query: str = Field(min_length=1, pattern=r"\?")
    """What asks for it, such as `MEAS:RES?`. Channels with the same query share one answer."""
    field: int = Field(default=0, ge=0)
    """Which of the comma-separated numbers of the answer, counted from 0."""

    @field_validator("query")
    @classmethod
    def _ascii(cls, text: str) -> str:
        return _in_ascii(text)


class ScpiAdapter:
    """Asks a SCPI instrument for its channels, one query after another."""

    name: ClassVar[str] = "scpi"
    summary: ClassVar[str] = "meters that speak SCPI: ohmmeters, multimeters, scanners"
    Settings = ScpiSettings
    ChannelKeys = ScpiChannelKeys
    sample: ClassVar[str] = """\
[[instrument]]
name = "ohmmeter"
adapter = "scpi"
port = "socket://192.0.2.10:5025"
setup = ["CONF:RES AUTO"]
interval_s = 0.5

[[instrument.channel]]
role = "coil_resistance"
unit = "ohm"
query = "READ?"
"""

    def __init__(self, instrument: str, settings: ScpiSettings, channels: Sequence[ChannelRequest], sink: Sink) -> None:
        if not channels:
            raise BadInput("has no channel", where=f"instrument {instrument}", right="add an [[instrument.channel]]")
        self._settings, self._sink = settings, sink
        self._asked: dict[str, list[Answer]] = {}
        for channel in channels:
            answer = Answer.for_channel(channel.name, channel.unit, channel.settings.field)
            self._asked.setdefault(channel.settings.query, []).append(answer)
        self._wire = Wire(settings, channels, sink)
        self.exclusive = exclusive_port(settings.port)
        self._errors_due_ns = 0
        self._complaint = ""
        self._heard = False
        """Whether the meter answered any channel's query in this round."""

    async def run(self) -> None:
        await self._wire.run(self._converse)

    async def _converse(self, port: SerialPort) -> None:
        talk = Talk(port, self._wire, self._settings, self._sink)
        await self._greet(talk)
        loop, due, misses = asyncio.get_running_loop(), 0.0, 0
        while True:
            await asyncio.sleep(max(0.0, due - loop.time()))
            due = max(due, loop.time()) + self._sink.clock.real_seconds(self._settings.interval_s)
            self._heard = False
            try:
                await self._round(talk)
                misses = 0
            except NoAnswer as error:
                # a query the meter does not know takes nothing from the channels it answers
                misses = 0 if self._heard else misses + 1
                self._sink.count("no answer")
                if misses >= _MOST_MISSES:
                    raise Silent from error
                await self._resync(talk)
                await self._ask_why(talk)

    async def _greet(self, talk: Talk) -> None:
        try:
            if not await talk.in_step(self._sink.identity):
                raise Silent
            for command in self._settings.setup:
                await talk.tell(command)
        except NoAnswer as error:
            raise Silent from error
        await self._ask_why(talk)

    async def _resync(self, talk: Talk) -> None:
        self._sink.count("resync")
        if not await talk.in_step(self._sink.identity):
            raise Silent

    async def _ask_why(self, talk: Talk) -> None:
        try:
            await self._read_errors(talk)
        except NoAnswer as error:
            raise Silent from error

    async def _round(self, talk: Talk) -> None:
        raws: list[Raw] = []
        unreadable = False
        for query, answers in self._asked.items():
            try:
                line = await talk.ask(query)
            except NoAnswer:
                await self._hand_over(raws)
                raise
            self._heard = True
            try:
                values = values_of(line.text, answers)
            except Unreadable as error:
                unreadable = True
                await self._sink.reject(line.text, f"answer to {query}: {error}")
                continue
            raws += [
                Raw(answer.channel, value, line.wall_ns, line.mono_ns, quality)
                for answer, (value, quality) in zip(answers, values, strict=True)
            ]
        if unreadable or self._sink.clock.mono_ns() >= self._errors_due_ns:
            try:
                if await self._read_errors(talk):
                    raws = [raw._replace(quality=raw.quality | Quality.SUSPECT) for raw in raws]
            finally:
                await self._hand_over(raws)
                raws = []
        await self._hand_over(raws)
        if unreadable:
            await self._resync(talk)

    async def _hand_over(self, raws: list[Raw]) -> None:
        if raws:
            await self._sink.samples(raws)

    async def _read_errors(self, talk: Talk) -> bool:
        """Empty the meter's error queue into the record; whether there was anything in it. Raises NoAnswer."""
        if not self._settings.error_query:
            return False
        self._errors_due_ns = self._sink.clock.mono_ns() + int(self._settings.errors_every_s * 1e9)
        found = ""
        for _ in range(_MOST_ERRORS):
            line = await talk.ask(self._settings.error_query)
            try:
                entry = error_entry(line.text)
            except Unreadable as error:
                await self._sink.reject(line.text, f"answer to {self._settings.error_query}: {error}")
                raise NoAnswer(self._settings.error_query) from error
            if entry is None:
                break
            found = entry
            self._sink.count("instrument error")
            await self._sink.reject(line.text, f"the meter reports error {entry}")
        if found != self._complaint:
            self._complaint = found
            self._sink.link(LinkState.UP, f"the meter reports error {found}" if found else self._settings.port)
        return bool(found)


ADAPTER = ScpiAdapter
