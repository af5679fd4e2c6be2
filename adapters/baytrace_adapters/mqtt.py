"""Probes that publish over MQTT: plain numbers, JSON documents or SenML packs."""

from __future__ import annotations

import os
import re
import ssl
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import ClassVar, Protocol, runtime_checkable
from urllib.parse import urlsplit

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.client import topic_matches_sub

from baytrace.adapter import ChannelRequest, LinkState, Sink
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.reading import Quality, Raw
from baytrace_adapters._decode_message import Format, Heard, Listener, MessageReader
from baytrace_adapters._delivery_ledger import MOST_REMEMBERED, NOTHING, Ledger, key_of
from baytrace_adapters._mqtt_session import Broker, Delivery, Session, VersionRefused, connected
from baytrace_adapters._mqtt_settings import MqttChannelKeys, MqttSettings
from baytrace_adapters._numbers import Unreadable
from baytrace_adapters._patience import Backoff

_CONNECT_S = 5.0
_TRIAL_S = 2.0
"""Some brokers without MQTT 5 do not answer it at all: while the version is not known, less patience (real seconds)."""

MOST_AHEAD_NS = 86_400_000_000_000
"""A publisher's own time further ahead than a day is no time (common practice, no source): the arrival is taken."""
_MOST_TOPICS = 10_000
MOST_PAYLOAD = 4 << 20
"""Bytes; reading a longer one would hold up every other instrument. A day of readings of one probe, a second apart, is about as long."""


@runtime_checkable
class Remembering(Protocol):
    """A sink that keeps the keys of messages with the batch that holds their readings, across restarts."""

    def remember(self, keys: Sequence[bytes]) -> None:
        """Keep these durable together with the next batch handed over."""
        ...

    def remembered(self) -> Sequence[bytes]:
        """Keys kept last, by this run or an earlier one; oldest first."""
        ...

    async def forget(self) -> None:
        """Keys of packet identifiers (their first two bytes are not 0) are void; returns once that is durable."""
        ...


def _listener(channel: ChannelRequest) -> Listener:
    keys = channel.settings
    return Listener(
        channel.name,
        channel.unit,
        keys.format,
        keys.pointer,
        keys.time_pointer,
        keys.unit_pointer,
        keys.time_unit,
        (keys.senml_name or channel.name) if keys.format is Format.SENML else "",
    )


class MqttAdapter:
    """Hears its channels through a broker, each message acknowledged after it is durable."""

    name: ClassVar[str] = "mqtt"
    summary: ClassVar[str] = "probes that publish over MQTT: numbers, JSON, SenML"
    Settings = MqttSettings
    ChannelKeys = MqttChannelKeys
    sample: ClassVar[str] = """\
[[instrument]]
name = "clamp thermometers"
adapter = "mqtt"
url = "mqtt://192.0.2.20:1883"

[[instrument.channel]]
role = "suction_line"
unit = "degC"
topic = "shop/bay1/clamps"
format = "senml"
senml_name = "bay1/suction"

[[instrument.channel]]
role = "liquid_line"
unit = "degC"
topic = "shop/bay1/clamps"
format = "senml"
senml_name = "bay1/liquid"

[[instrument.channel]]
role = "ambient_air"
unit = "degC"
topic = "shop/room"
format = "json"
pointer = "/temperature"

[[instrument.channel]]
role = "vent_air"
unit = "degC"
topic = "shop/bay1/vent"
"""

    def __init__(self, instrument: str, settings: MqttSettings, channels: Sequence[ChannelRequest], sink: Sink) -> None:
        self._settings, self._sink = settings, sink
        self._client_id = (
            settings.client_id or "baytrace-" + re.sub(r"[^A-Za-z0-9]+", "-", instrument).strip("-").lower()
        )
        self.exclusive = f"the client id {self._client_id} at {settings.url}"
        self._by_filter: dict[str, list[Listener]] = {}
        names: set[tuple[str, str]] = set()
        for channel in channels:
            one = _listener(channel)
            if one.senml_name and (channel.settings.topic, one.senml_name) in names:
                raise BadInput(
                    f"SenML name {one.senml_name!r} is read twice",
                    where=f"instrument {instrument}, channel {channel.name}",
                    right="give each channel its own senml_name",
                )
            names.add((channel.settings.topic, one.senml_name))
            self._by_filter.setdefault(channel.settings.topic, []).append(one)
        self._readers: dict[str, MessageReader | None] = {}
        self._memory = sink if isinstance(sink, Remembering) else None
        self._ledger: Ledger[Delivery] = Ledger(self._memory.remembered() if self._memory else ())
        self._session: Session | None = None
        self._connections = 0
        self._versions = _versions(settings.version)
        self._trying = len(self._versions) > 1
        self._unwanted: set[str] = set()
        self._unkept = 0
        """Messages since the last key kept that took a packet identifier and left no key."""

    async def run(self) -> None:
        self._sink.link(LinkState.OPENING, self._settings.url)
        backoff = Backoff(0.5, self._settings.reconnect_s)
        while True:
            try:
                async with connected(
                    self._broker(), self._versions[0], self._sink.clock, self._connections + 1
                ) as session:
                    self._connections += 1
                    await self._welcome(session)
                    backoff.reset()
                    await self._listen(session)
            except VersionRefused as error:
                self._versions.append(self._versions.pop(0))
                self._sink.link(LinkState.LOST, str(error))
                if len(self._versions) > 1:
                    self._sink.count("other version tried")
            except (EnvironmentFailed, aiomqtt.MqttError) as error:
                self._sink.link(LinkState.LOST, str(error))
            finally:
                self._session = None
            await self._sink.clock.sleep(backoff.next_s())

    def _broker(self) -> Broker:
        """Read anew on each attempt, so that a changed password or certificate is taken up. Raises EnvironmentFailed."""
        settings, parts = self._settings, urlsplit(self._settings.url)
        secure = parts.scheme == "mqtts"
        return Broker(
            host=str(parts.hostname),
            port=parts.port or (8883 if secure else 1883),
            client_id=self._client_id,
            username=settings.username or None,
            password=_password(settings),
            tls=_tls(settings) if secure else None,
            keepalive_s=settings.keepalive_s,
            expiry_s=settings.session_expiry_s,
            receive_maximum=settings.receive_maximum,
            connect_s=_TRIAL_S if self._trying else _CONNECT_S,
        )

    async def _welcome(self, session: Session) -> None:
        if not session.resumed:
            self._ledger.forget()
            if self._memory is not None:
                await self._memory.forget()  # before the first delivery under the new identifiers
            if self._connections > 1:
                self._sink.count("session lost")
        await session.subscribe(self._by_filter, retained=self._settings.retained == "keep")
        self._session = session
        self._trying = False
        version = "5" if self._versions[0] is ProtocolVersion.V5 else "3.1.1"
        kept = "session resumed" if session.resumed else "new session: what was published before is not here"
        self._sink.identity({"broker": self._settings.url, "mqtt": version, "client id": self._client_id})
        self._sink.link(LinkState.UP, f"MQTT {version}, {kept}")

    async def _listen(self, session: Session) -> None:
        while True:
            raws: list[Raw] = []
            keys: list[bytes] = []
            for delivery in await session.deliveries():
                await self._take(session, delivery, raws, keys)
            if session.unasked_dropped:
                self._sink.count("dropped", session.unasked_dropped)
                session.unasked_dropped = 0
            if raws:
                if keys and self._memory is not None:
                    self._memory.remember([NOTHING] * min(self._unkept, MOST_REMEMBERED) + keys)
                    self._unkept = 0
                await self._sink.samples(raws, partial(self._stored, keys, self._ledger.session))

    async def _take(self, session: Session, delivery: Delivery, raws: list[Raw], keys: list[bytes]) -> None:
        kept = len(keys)
        if delivery.qos and not delivery.repeated:
            self._ledger.fresh(delivery.packet)
        await self._sort(session, delivery, raws, keys)
        if delivery.qos and len(keys) == kept:
            self._unkept += 1

    async def _sort(self, session: Session, delivery: Delivery, raws: list[Raw], keys: list[bytes]) -> None:
        reader = self._reader(delivery.topic)
        if reader is None:
            await self._unexpected(session, delivery)
            return
        if delivery.retained and self._settings.retained == "ignore":
            self._sink.count("retained ignored")
            self._acknowledge(delivery)
            return
        try:
            heard = _heard(reader, delivery)
        except Unreadable as error:
            await self._sink.reject(
                delivery.payload, f"{delivery.topic}: {error}", partial(self._acknowledge, delivery)
            )
            return
        if delivery.qos or heard.timed:
            key = key_of(delivery.topic, delivery.payload, None if heard.timed else delivery.packet)
            if (heard.timed or delivery.repeated) and self._ledger.known(key):
                self._sink.count("duplicate")
                for one in self._ledger.repeated(key, delivery):
                    self._acknowledge(one)
                return
            self._ledger.taken(key, delivery)
            keys.append(key)
        await self._complain(delivery, heard)
        raws += self._doubted(delivery, heard)

    def _doubted(self, delivery: Delivery, heard: Heard) -> list[Raw]:
        raws, latest_ns = heard.raws, delivery.wall_ns + MOST_AHEAD_NS
        if any(raw.wall_ns > latest_ns for raw in raws):
            # believed, it would stop its channel until that day: time never goes back within a channel
            self._sink.count("time ahead", sum(raw.wall_ns > latest_ns for raw in raws))
            raws = [_stamped(raw, delivery) if raw.wall_ns > latest_ns else raw for raw in raws]
        if delivery.retained:
            return [
                raw if raw.quality & Quality.SOURCE_TIME else raw._replace(quality=raw.quality | Quality.SUSPECT)
                for raw in raws
            ]
        return raws

    async def _complain(self, delivery: Delivery, heard: Heard) -> None:
        if heard.others:
            self._sink.count("other records", heard.others)
        if heard.complaints:
            await self._sink.reject(delivery.payload, f"{delivery.topic}: {'; '.join(heard.complaints[:3])}")

    async def _unexpected(self, session: Session, delivery: Delivery) -> None:
        """A kept session still delivers topics that were taken out of the configuration."""
        self._sink.count("unexpected topic")
        self._acknowledge(delivery)
        if delivery.topic not in self._unwanted and len(self._unwanted) < _MOST_TOPICS:
            self._unwanted.add(delivery.topic)
            await session.unsubscribe(delivery.topic)

    def _reader(self, topic: str) -> MessageReader | None:
        try:
            return self._readers[topic]
        except KeyError:
            listeners = [
                one for pattern, some in self._by_filter.items() if topic_matches_sub(pattern, topic) for one in some
            ]
            if len(self._readers) >= _MOST_TOPICS:
                self._readers.clear()
            reader = self._readers[topic] = MessageReader(listeners) if listeners else None
            return reader

    def _stored(self, keys: Sequence[bytes], session: int) -> None:
        for key in keys:
            for delivery in self._ledger.stored(key, session):
                self._acknowledge(delivery)

    def _acknowledge(self, delivery: Delivery) -> None:
        if self._session is not None:
            self._session.acknowledge(delivery)


def _stamped(raw: Raw, delivery: Delivery) -> Raw:
    """With the time of its arrival."""
    return raw._replace(
        wall_ns=delivery.wall_ns, mono_ns=delivery.mono_ns, quality=int(raw.quality & ~Quality.SOURCE_TIME)
    )


def _heard(reader: MessageReader, delivery: Delivery) -> Heard:
    """Raises Unreadable."""
    if len(delivery.payload) > MOST_PAYLOAD:
        raise Unreadable(f"{len(delivery.payload)} bytes, and at most {MOST_PAYLOAD} are read")
    return reader.read(delivery.payload, delivery.wall_ns, delivery.mono_ns)


def _versions(wanted: str) -> list[ProtocolVersion]:
    if wanted == "5":
        return [ProtocolVersion.V5]
    if wanted == "3.1.1":
        return [ProtocolVersion.V311]
    return [ProtocolVersion.V5, ProtocolVersion.V311]


def _password(settings: MqttSettings) -> str | None:
    if settings.password_env:
        password = os.environ.get(settings.password_env)
        if password is None:
            raise EnvironmentFailed(
                f"environment variable {settings.password_env} with the broker's password is not set"
            )
        return password
    if settings.password_file:
        try:
            return Path(settings.password_file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise EnvironmentFailed(
                f"{settings.password_file} with the broker's password cannot be read ({error})"
            ) from None
    return None


def _tls(settings: MqttSettings) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=settings.ca or None)
        if settings.client_certificate:
            context.load_cert_chain(settings.client_certificate, settings.client_key)
    except (OSError, ssl.SSLError) as error:
        raise EnvironmentFailed(f"the TLS files of {settings.url} cannot be used ({error})") from None
    return context


ADAPTER = MqttAdapter
