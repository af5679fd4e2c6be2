"""An MQTT broker of our own for a shop that has none (amqtt, MQTT 3.1.1, loopback only), and what is published to one."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import AsyncIterator
from typing import NamedTuple, Self

import aiomqtt
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.errors import AMQTTError

from baytrace.measure.faults import BadInput, EnvironmentFailed

_MOST_WAITING = 1000
_PATIENCE_S = 3.0
_CLOSING_S = 0.1
"""The broker does not wait until its connections are closed (real seconds)."""
log = logging.getLogger(__name__)


class Address(NamedTuple):
    host: str
    port: int

    @property
    def url(self) -> str:
        return f"mqtt://{self.host}:{self.port}"


def parse_address(text: str) -> Address:
    """`HOST:PORT`. Raises BadInput."""
    host, found, port = text.removeprefix("mqtt://").rpartition(":")
    if not found or not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise BadInput(
            f"{text!r} is no address of a broker", where="--broker", right="write HOST:PORT, such as 127.0.0.1:1883"
        )
    return Address(host, int(port))


@contextlib.asynccontextmanager
async def embedded_broker() -> AsyncIterator[Address]:
    """A broker on a free port of 127.0.0.1 that takes everyone, while the context lasts."""
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    broker = Broker(BrokerConfig(listeners={"default": ListenerConfig(bind=f"127.0.0.1:{port}")}, plugins=plugins))
    try:
        await broker.start()
    except (AMQTTError, OSError) as error:
        raise EnvironmentFailed(f"the embedded MQTT broker did not start on 127.0.0.1:{port} ({error})") from None
    try:
        yield Address("127.0.0.1", port)
    finally:
        await asyncio.sleep(_CLOSING_S)
        await broker.shutdown()
        await asyncio.sleep(_CLOSING_S)


class Publisher:
    """Publishes in order, at least once, and comes back by itself when the broker was away; then the oldest are dropped."""

    def __init__(self, address: Address, client_id: str) -> None:
        self._address, self._id = address, client_id
        self._queue: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue(_MOST_WAITING)
        self.connected = asyncio.Event()
        self.dropped = 0
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run(), name="publisher")
        return self

    async def __aexit__(self, *_: object) -> None:
        # Python before 3.12 can lose a cancellation that meets the end of a wait_for inside publish: asked until heard
        while self._task is not None and not self._task.done():
            self._task.cancel()
            await asyncio.wait([self._task], timeout=0.2)

    def say(self, topic: str, payload: bytes) -> None:
        """Raises what ended the publishing, if anything did."""
        if self._task is not None and self._task.done():
            self._task.result()
        if self._queue.full():
            self._queue.get_nowait()
            self.dropped += 1
        self._queue.put_nowait((topic, payload))

    async def first_connection(self) -> None:
        """Raises EnvironmentFailed when the broker cannot be reached."""
        try:
            await asyncio.wait_for(self.connected.wait(), _PATIENCE_S)
        except TimeoutError:
            raise EnvironmentFailed(f"no MQTT broker answers at {self._address.host}:{self._address.port}") from None

    async def _run(self) -> None:
        waiting: tuple[str, bytes] | None = None
        while True:
            try:
                async with aiomqtt.Client(
                    self._address.host, self._address.port, identifier=self._id, protocol=aiomqtt.ProtocolVersion.V311
                ) as client:
                    self.connected.set()
                    while True:
                        waiting = waiting or await self._queue.get()
                        await client.publish(*waiting, qos=1)
                        waiting = None
            except aiomqtt.MqttError as error:
                log.info("broker %s: %s", self._address.url, error)
                await asyncio.sleep(0.3)
