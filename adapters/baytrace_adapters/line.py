"""Gauges, scales and meters that print lines of text on a serial port, by themselves or when asked."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import ClassVar, Literal, Self

from pydantic import Field, field_validator, model_validator

from baytrace.adapter import ChannelRequest, ChannelSettings, Sink
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Raw
from baytrace_adapters._checksum import Checksum
from baytrace_adapters._decode_line import BadChecksum, Grammar, LineDecoder, Place
from baytrace_adapters._framing import Fragment, LineBuffer, Terminator, TooLong
from baytrace_adapters._numbers import Meaning, Unreadable
from baytrace_adapters._patterns import Pattern, compiled
from baytrace_adapters._port_names import exclusive_port
from baytrace_adapters._serial_port import Chunk, SerialPort
from baytrace_adapters._wire import Wire, WireSettings

FIRST_LINE_QUIET_S = 0.1
"""A wire that stayed idle so long after opening was between two lines: what then comes begins a line (real seconds)."""


_WORDS = {
    "OL": Meaning.OVER_RANGE,
    "O.L": Meaning.OVER_RANGE,
    "OVER": Meaning.OVER_RANGE,
    "UNDER": Meaning.UNDER_RANGE,
    "----": Meaning.NO_VALUE,
    "NaN": Meaning.NO_VALUE,
}


def _compiled(text: str) -> Pattern | None:
    return compiled(text) if text else None


class LineSettings(WireSettings):
    """Keys of an instrument that prints lines."""

    pattern: str = ""
    """Regular expression over a whole line; a named group per channel, and where the line has them `unit`, `NAME_unit` and `flag`."""
    separator: str = ""
    """Splits a line into fields instead: `,`, `;`, a tab, or a blank (which takes any run of blanks)."""
    unit_field: int | None = None
    """Field that holds the unit of the numbers; it must be the channels' unit."""
    flag_field: int | None = None
    """Field that holds a word from `words`, such as a scale's stable flag."""
    units: Mapping[str, str] = Field(default_factory=dict)
    """What the instrument's own unit words mean, such as `{ mT = "mTorr" }`."""
    words: Mapping[str, Meaning] = Field(default_factory=lambda: dict(_WORDS))
    """Words in place of a number or in the flag: `good`, `suspect`, `over range`, `under range`, `no value`, `ignore` (the line)."""
    ignore: str = ""
    """Regular expression; a line in which it is found is no reading (headings, greetings). Counted."""
    decimal: Literal[".", ","] = "."
    """Decimal sign."""
    encoding: Literal["ascii", "latin-1", "utf-8", "cp437"] = "latin-1"
    """Character set, for units such as µ and °."""
    terminator: Terminator = Terminator.AUTO
    """What ends a line: `auto` (CR, LF or both), `lf`, `cr`, `crlf`."""
    longest: int = Field(default=512, ge=8, le=65_536)
    """Longest line (bytes); a longer one is rejected."""
    checksum: Checksum = Checksum.NONE
    """Checksum in hexadecimal at the end of a line: `none`, `xor8`, `sum8`, `twos8`, `crc16-modbus`, `crc16-ccitt`, `crc16-xmodem`, `crc32`."""
    checksum_start: str = ""
    """What stands before the checked part, and is not part of it, such as `$`."""
    checksum_separator: str = ""
    """What stands between the checked part and the checksum, such as `*`."""
    first_line: Literal["auto", "keep", "discard"] = "auto"
    """The first line after opening: `discard` it, `keep` it, or `auto`: keep it only when the wire was idle 0.1 s before it."""
    poll: str = ""
    """What to send to get a line, with its own line end (`READ?\\r\\n`); empty for an instrument that talks by itself."""
    interval_s: float = Field(default=1.0, gt=0.0)
    """How often `poll` is sent (s)."""

    @field_validator("pattern", "ignore")
    @classmethod
    def _is_expression(cls, text: str) -> str:
        compiled(text)
        return text

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.pattern and self.separator:
            raise ValueError("pattern and separator exclude each other; leave one out")
        if self.separator == self.decimal:
            raise ValueError(f"{self.decimal!r} cannot be the separator and the decimal sign")
        for text in (self.poll, self.checksum_start, self.checksum_separator):
            try:
                text.encode(self.encoding)
            except UnicodeEncodeError:
                raise ValueError(f"{text!r} cannot be written in {self.encoding}") from None
        if not self.separator and (self.unit_field is not None or self.flag_field is not None):
            raise ValueError("unit_field and flag_field need a separator")
        return self


class LineChannelKeys(ChannelSettings):
    """Keys of a channel of an instrument that prints lines."""

    group: str = ""
    """Named group of `pattern` that holds the number; where left out, the group of the channel's name, `value`, or the only one."""
    field: int | None = None
    """Field that holds the number, counted from 0; negative counts from the end."""


def _group_of(channel: ChannelRequest, pattern: Pattern, alone: bool) -> str:
    wanted = channel.settings.group
    if wanted:
        if wanted not in pattern.groupindex:
            raise BadInput(
                f"pattern has no group {wanted!r}",
                where=f"channel {channel.name}",
                right=f"write (?P<{wanted}>...) around its number",
            )
        return str(wanted)
    if channel.name in pattern.groupindex:
        return channel.name
    if alone and "value" in pattern.groupindex:
        return "value"
    if alone and pattern.groups == 1:
        return ""
    raise BadInput(
        f"pattern has no group for {channel.name!r}",
        where=f"channel {channel.name}",
        right='name it (?P<x>...) in the pattern and write group = "x" in the channel',
    )


def _places(settings: LineSettings, channels: Sequence[ChannelRequest]) -> list[Place]:
    pattern, alone = _compiled(settings.pattern), len(channels) == 1
    places = []
    for channel in channels:
        where, keys = f"channel {channel.name}", channel.settings
        if pattern is not None:
            if keys.field is not None:
                raise BadInput("field needs a separator", where=where, right="use group with a pattern")
            places.append(Place(channel.name, channel.unit, group=_group_of(channel, pattern, alone)))
        elif settings.separator:
            if keys.field is None and not alone:
                raise BadInput(
                    "field is missing", where=where, right="write field = 0 for the first, 1 for the second, ..."
                )
            places.append(Place(channel.name, channel.unit, field=keys.field or 0))
        elif not alone:
            raise BadInput(
                "several channels need a pattern or a separator", where=where, right="set one in [[instrument]]"
            )
        else:
            places.append(Place(channel.name, channel.unit))
    return places


def grammar(settings: LineSettings, channels: Sequence[ChannelRequest]) -> Grammar:
    """How these settings say a line is written. Raises BadInput when channels and settings do not fit each other."""
    return Grammar(
        places=_places(settings, channels),
        pattern=_compiled(settings.pattern),
        separator=settings.separator,
        unit_field=settings.unit_field,
        flag_field=settings.flag_field,
        units=settings.units,
        words=settings.words,
        ignore=_compiled(settings.ignore),
        decimal=settings.decimal,
        encoding=settings.encoding,
        checksum=settings.checksum,
        checksum_start=settings.checksum_start,
        checksum_separator=settings.checksum_separator,
    )


class LineAdapter:
    """Reads lines of text from a serial port."""

    name: ClassVar[str] = "line"
    summary: ClassVar[str] = "lines of text on a serial port: vacuum gauges, scales, panel meters"
    Settings = LineSettings
    ChannelKeys = LineChannelKeys
    sample: ClassVar[str] = """\
[[instrument]]
name = "vacuum gauge"
adapter = "line"
port = "/dev/serial/by-id/usb-gauge-if00-port0"
baud = 9600

[[instrument.channel]]
role = "system_pressure"
unit = "micron"
"""

    def __init__(self, instrument: str, settings: LineSettings, channels: Sequence[ChannelRequest], sink: Sink) -> None:
        try:
            self._decoder = LineDecoder(grammar(settings, channels))
        except BadInput as error:
            raise BadInput(error.what, where=f"instrument {instrument}, {error.where}", right=error.right) from None
        self._settings, self._sink = settings, sink
        self._channels = [channel.name for channel in channels]
        self._wire = Wire(settings, channels, sink)
        self.exclusive = exclusive_port(settings.port)

    async def run(self) -> None:
        await self._wire.run(self._listen)

    async def _listen(self, port: SerialPort) -> None:
        buffer = LineBuffer(self._settings.terminator, self._settings.longest)
        poll = self._settings.poll.encode(self._settings.encoding)
        due = asyncio.get_running_loop().time()
        first = True
        while True:
            wait = None
            if poll:
                due = await self._ask(port, poll, due)
                wait = due - asyncio.get_running_loop().time()
            for chunk in await self._wire.read(port, wait):
                if first and self._may_be_fragment(chunk):
                    buffer.broken()
                first = False
                await self._take(buffer, chunk)

    async def _ask(self, port: SerialPort, poll: bytes, due: float) -> float:
        """Send `poll` when it is due; when it is due next (loop time). Missed turns are left out, not made up for."""
        now = asyncio.get_running_loop().time()
        if now < due:
            return due
        await port.write(poll)
        interval = self._sink.clock.real_seconds(self._settings.interval_s)
        return max(due + interval, now)

    def _may_be_fragment(self, first: Chunk) -> bool:
        if self._settings.first_line == "auto":
            return first.idle_s < FIRST_LINE_QUIET_S and not self._settings.poll
        return self._settings.first_line == "discard"

    async def _take(self, buffer: LineBuffer, chunk: Chunk) -> None:
        if chunk.lost:
            self._sink.count("dropped bytes", chunk.lost)
            buffer.broken()
        raws: list[Raw] = []
        for piece in buffer.feed(chunk.data):
            if isinstance(piece, Fragment):
                self._sink.count("fragment left out")
            elif isinstance(piece, TooLong):
                await self._sink.reject(
                    piece.beginning, f"longer than {self._settings.longest} bytes without a line end"
                )
            else:
                raws += await self._understood(piece, chunk)
        if raws:
            await self._sink.samples(raws)

    async def _understood(self, line: bytes, chunk: Chunk) -> list[Raw]:
        try:
            values = self._decoder.decode(line)
        except Unreadable as error:
            if isinstance(error, BadChecksum):
                self._sink.count("bad checksum")
            await self._sink.reject(line, str(error))
            return []
        if values is None:
            self._sink.count("ignored line")
            return []
        return [
            Raw(self._channels[index], value, chunk.wall_ns, chunk.mono_ns, quality) for index, value, quality in values
        ]


ADAPTER = LineAdapter
