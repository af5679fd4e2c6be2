"""A Modbus TCP server by pymodbus, in a thread with a loop of its own, for tests that are not asyncio."""

import asyncio
import contextlib
import threading

from pymodbus.server import ModbusTcpServer

from servers import free_port


@contextlib.contextmanager
def modbus_tcp(devices):
    """Serves while inside; yields the port."""
    port, ready, ends = free_port(), threading.Event(), {}

    async def serve():
        ends["loop"], ends["stop"] = asyncio.get_running_loop(), asyncio.Event()
        server = ModbusTcpServer(devices, address=("127.0.0.1", port), ignore_missing_devices=True)
        await server.serve_forever(background=True)
        ready.set()
        await ends["stop"].wait()
        await server.shutdown()

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    assert ready.wait(10)
    try:
        yield port
    finally:
        ends["loop"].call_soon_threadsafe(ends["stop"].set)
        thread.join(10)
