"""A kept session's backlog comes before the answer to the subscription, and may take longer than any answer should."""

import asyncio
import contextlib

import pytest
from aiomqtt import ProtocolVersion

from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import EnvironmentFailed
from baytrace_adapters._mqtt_session import Broker, connected

CONNACK_RESUMED = bytes([0x20, 2, 1, 0])
MESSAGES = 12


def message(number):
    """A PUBLISH at QoS 1 of MQTT 3.1.1, topic `t`."""
    body = b"\x00\x01t" + number.to_bytes(2, "big") + b"20.5"
    return bytes([0x32, len(body)]) + body


@contextlib.asynccontextmanager
async def scripted(every_s, answers):
    """A broker that delivers `MESSAGES`, one each `every_s`, and only then answers the subscription, if it does."""

    async def serve(reader, writer):
        try:
            while kind := await reader.readexactly(1):
                packet = await reader.readexactly((await reader.readexactly(1))[0])
                if kind[0] >> 4 == 1:
                    writer.write(CONNACK_RESUMED)
                elif kind[0] >> 4 == 8:
                    for number in range(1, MESSAGES + 1):
                        writer.write(message(number))
                        await asyncio.sleep(every_s)
                    if answers:
                        writer.write(bytes([0x90, 3]) + packet[:2] + b"\x01")
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


async def subscribed(port, patience_s):
    broker = Broker("127.0.0.1", port, "probe", connect_s=patience_s)
    async with connected(broker, ProtocolVersion.V311, SystemClock(), 1) as session:
        await session.subscribe(["t"], retained=False)
        return len(await session.deliveries())


async def test_a_backlog_longer_than_the_patience_is_taken():
    """While messages keep coming the broker is there, however long its answer takes."""
    async with scripted(0.25, answers=True) as port:
        assert await subscribed(port, 1.0) == MESSAGES


async def test_a_broker_that_falls_silent_is_given_up():
    """Neither a message nor an answer for as long as an answer may take: the session ends and is tried anew."""
    async with scripted(0.01, answers=False) as port:
        with pytest.raises(EnvironmentFailed, match="does not answer"):
            await subscribed(port, 0.7)
