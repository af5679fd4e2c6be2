"""One MQTT session with a broker: connect, subscribe, take deliveries, acknowledge them later.

Rules of this file:
- This is the one place that reaches through aiomqtt to the paho client under it: acknowledgement by hand, the repeated flag
  (DUP) and the session-present flag exist nowhere else. `assert_reachable` says so in one line at start-up when a later
  version moved them; drop it when aiomqtt offers manual acknowledgement itself.
- Acknowledgement by hand is set before connecting. Set later, it races with what a kept session delivers at once.
- A delivery is acknowledged only on the connection that brought it: packet identifiers are reused after that.
- QoS 1, never 2: with paho a QoS 2 message is confirmed to the broker before it is handed over.
- Deliveries are stamped in the callback that receives them.
- A kept session pours out its backlog before it answers the subscription. A broker is given up only when nothing at all came
  for a while: with an ordinary time limit a slow machine would connect, drown and leave again for ever.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import ssl
from collections import deque
from collections.abc import AsyncIterator, Coroutine, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

import aiomqtt
from aiomqtt import ProtocolVersion
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from baytrace.measure.clock import Clock
from baytrace.measure.faults import EnvironmentFailed

_UNSUPPORTED_VERSION = (1, 132)
_REFUSED = 128
_MOST_UNASKED = 100_000
_LEAVE_S = 0.4
T = TypeVar("T")


@dataclass(frozen=True)
class Broker:
    """Where and as whom to connect. Durations in seconds."""

    host: str
    port: int
    client_id: str
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    keepalive_s: int = 15
    expiry_s: int = 604_800
    receive_maximum: int = 32_000
    connect_s: float = 5.0


class Delivery(NamedTuple):
    """A message as it came. `connection` counts connections, so that it is acknowledged on its own."""

    topic: str
    payload: bytes
    qos: int
    packet: int
    repeated: bool
    retained: bool
    wall_ns: int
    mono_ns: int
    connection: int


class VersionRefused(EnvironmentFailed):
    """The broker does not speak this version of MQTT."""


def assert_reachable(client: aiomqtt.Client) -> Any:
    """The paho client under an aiomqtt client. Raises EnvironmentFailed when this version hides it."""
    paho = getattr(client, "_client", None)
    for name in ("manual_ack_set", "ack", "on_message", "on_connect", "on_disconnect"):
        if not hasattr(paho, name):
            raise EnvironmentFailed(
                f"aiomqtt {getattr(aiomqtt, '__version__', '?')} has no way to acknowledge by hand ({name}); use aiomqtt 2.5"
            )
    return paho


class Session:
    """Reads `resumed` and takes `deliveries` between `connected` and its end."""

    def __init__(self, client: aiomqtt.Client, version: ProtocolVersion, clock: Clock, connection: int) -> None:
        self._client, self._version, self._clock = client, version, clock
        self._paho = assert_reachable(client)
        self.connection = connection
        self.resumed = False
        """Whether the broker had kept the session."""
        self.unasked_dropped = 0
        """QoS 0 messages dropped because too many waited."""
        self._patience_s = client.timeout
        self._received = 0
        self._arrived = asyncio.Event()
        self._waiting: deque[Delivery] = deque()
        self._ended: asyncio.Task[None] | None = None
        self._why = ""
        self._paho.manual_ack_set(True)
        self._paho.on_message = self._on_message
        self._told_connect = self._paho.on_connect
        self._paho.on_connect = self._on_connect
        self._told_disconnect = self._paho.on_disconnect
        self._paho.on_disconnect = self._on_disconnect
        self.shut_out: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        """Done when the broker closed the connection without a word of refusal."""

    def _on_connect(self, paho: Any, userdata: Any, flags: Any, reason: Any, properties: Any = None) -> None:
        self.resumed = bool(flags.session_present)
        self._told_connect(paho, userdata, flags, reason, properties)

    def _on_disconnect(self, *told: Any) -> None:
        if self._ended is None and not self.shut_out.done():
            self.shut_out.set_result(None)
        self._told_disconnect(*told)

    def _on_message(self, _paho: Any, _userdata: Any, message: Any) -> None:
        self._received += 1
        if message.qos == 0 and len(self._waiting) >= _MOST_UNASKED:
            self.unasked_dropped += 1
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        self._waiting.append(
            Delivery(
                topic,
                bytes(message.payload),
                message.qos,
                message.mid,
                bool(message.dup),
                bool(message.retain),
                self._clock.wall_ns(),
                self._clock.mono_ns(),
                self.connection,
            )
        )
        self._arrived.set()

    async def deliveries(self, most: int = 2000) -> list[Delivery]:
        """What has arrived, at least one. Raises EnvironmentFailed when the connection ended and all was taken."""
        while not self._waiting:
            if self._ended is not None and self._ended.done():
                raise EnvironmentFailed(f"the broker is gone{self._why}")
            self._arrived.clear()
            await self._arrived.wait()
        taken = min(most, len(self._waiting))
        return [self._waiting.popleft() for _ in range(taken)]

    def acknowledge(self, delivery: Delivery) -> None:
        """Only what this connection delivered; anything else is left for its redelivery."""
        if delivery.qos and delivery.connection == self.connection and not (self._ended and self._ended.done()):
            with contextlib.suppress(OSError, ValueError):  # the connection just broke: the broker delivers again
                self._paho.ack(delivery.packet, delivery.qos)

    async def subscribe(self, filters: Iterable[str], *, retained: bool) -> None:
        """QoS 1. `retained` asks for retained messages too (MQTT 5; 3.1.1 always sends them). Raises EnvironmentFailed."""
        for topic in filters:
            if self._version is ProtocolVersion.V5:
                options = SubscribeOptions(qos=1, retainHandling=0 if retained else 2)
                answer = await self._answer(self._client.subscribe(topic, options=options, timeout=math.inf))
            else:
                answer = await self._answer(self._client.subscribe(topic, qos=1, timeout=math.inf))
            for code in answer:
                if _code(code) >= _REFUSED:
                    raise EnvironmentFailed(f"the broker refuses the subscription to {topic!r} ({code})")

    async def _answer(self, asked: Coroutine[Any, Any, T]) -> T:
        """What the broker answers. Raises EnvironmentFailed when it neither answers nor delivers anything for a while."""
        task = asyncio.ensure_future(asked)
        try:
            while not task.done():
                before = self._received
                await asyncio.wait({task}, timeout=self._patience_s)
                if not task.done() and self._received == before:
                    raise EnvironmentFailed("the broker does not answer")
            return await task
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def unsubscribe(self, topic: str) -> None:
        """Best effort."""
        with contextlib.suppress(aiomqtt.MqttError):
            await self._client.unsubscribe(topic)

    async def _watch(self) -> None:
        try:
            async for _ in self._client.messages:
                pass
        except aiomqtt.MqttError as error:
            cause = error.__cause__ or error
            self._why = f" ({cause})"

    def begin(self) -> None:
        self._ended = asyncio.create_task(self._watch(), name="mqtt connection")
        self._ended.add_done_callback(lambda _: self._arrived.set())

    async def end(self) -> None:
        if self._ended is not None:
            self._ended.cancel()
            await asyncio.gather(self._ended, return_exceptions=True)


@contextlib.asynccontextmanager
async def connected(broker: Broker, version: ProtocolVersion, clock: Clock, connection: int) -> AsyncIterator[Session]:
    """A session for as long as the context lasts. Raises VersionRefused or EnvironmentFailed when it cannot be had."""
    client = aiomqtt.Client(
        broker.host,
        broker.port,
        username=broker.username,
        password=broker.password,
        identifier=broker.client_id,
        protocol=version,
        keepalive=broker.keepalive_s,
        tls_context=broker.tls,
        timeout=broker.connect_s,
        **_keeping(broker, version),
    )
    session = Session(client, version, clock, connection)
    try:
        await _enter(client, session.shut_out)
    except MqttConnectError as error:
        code = _code(error.rc)
        kind = VersionRefused if code in _UNSUPPORTED_VERSION else EnvironmentFailed
        raise kind(f"{broker.host}:{broker.port} refuses the connection ({error})") from None
    except aiomqtt.MqttError as error:
        late = "timed out" in str(error)
        kind = VersionRefused if late else EnvironmentFailed
        raise kind(f"cannot reach {broker.host}:{broker.port} ({error})") from None
    session.begin()
    try:
        yield session
    except aiomqtt.MqttError as error:
        raise EnvironmentFailed(f"the broker is gone ({error})") from None
    finally:
        await session.end()
        await _leave(client)


async def _enter(client: aiomqtt.Client, shut_out: asyncio.Future[None]) -> None:
    """Connecting blocks in a thread that cannot be cancelled: on cancellation it is given a moment, then left."""
    entering = asyncio.ensure_future(client.__aenter__())
    try:
        either: set[asyncio.Future[Any]] = {entering, shut_out}
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
    except asyncio.CancelledError:
        await asyncio.wait({entering}, timeout=_LEAVE_S)
        if entering.done() and not entering.cancelled() and entering.exception() is None:
            await _leave(client)
        else:
            await _give_up(entering)
        raise
    if not entering.done():
        await _give_up(entering)
        raise VersionRefused(
            "the broker closes the connection without an answer, as one does that lacks this version of MQTT"
        )
    await entering


async def _give_up(entering: asyncio.Future[aiomqtt.Client]) -> None:
    entering.cancel()
    await asyncio.gather(entering, return_exceptions=True)


async def _leave(client: aiomqtt.Client) -> None:
    """Disconnect in good order, or drop the socket of a broker that does not answer."""
    client.timeout = _LEAVE_S
    with contextlib.suppress(aiomqtt.MqttError, OSError):
        await client.__aexit__(None, None, None)
    paho = assert_reachable(client)
    if paho.socket() is not None:
        paho._sock_close()  # noqa: SLF001 - paho offers no other way to end a hung connection
    with contextlib.suppress(aiomqtt.MqttError, TimeoutError):  # an error nobody asked for would be logged as lost
        async with asyncio.timeout(0.01):
            await anext(client.messages)


def _code(reason: Any) -> int:
    return int(getattr(reason, "value", reason))


def _keeping(broker: Broker, version: ProtocolVersion) -> dict[str, Any]:
    """What asks the broker to keep the session, by version."""
    if version is not ProtocolVersion.V5:
        return {"clean_session": False}
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = broker.expiry_s
    properties.ReceiveMaximum = broker.receive_maximum
    return {"clean_start": False, "properties": properties}
