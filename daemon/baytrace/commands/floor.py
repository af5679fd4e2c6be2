"""`baytrace floor`: every bench of a shop on one page."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.signals import stop_on_signals
from baytrace.commands._output import people
from baytrace.measure.faults import BadInput
from baytrace.web.app import listening, tokens_for
from baytrace.web.floor import Floor, floor_app


def broker_address(text: str) -> tuple[str, int]:
    """`HOST` or `HOST:PORT`. Raises BadInput."""
    host, _, port = text.rpartition(":") if ":" in text else (text, "", "1883")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise BadInput(f"{text!r} is no broker", where="--broker", right="write HOST:PORT, such as 127.0.0.1:1883")
    return host, int(port)


async def show_floor(broker: tuple[str, int], host: str, port: int, tokens: Path) -> None:
    stop, floor = asyncio.Event(), Floor()
    stop_on_signals(stop)
    app = floor_app(floor, tokens_for(host, tokens))
    listening_to = asyncio.create_task(floor.listen(*broker), name="floor")
    try:
        async with listening(app, host, port) as address:
            people().print(f"the floor is at {address}/", soft_wrap=True)
            await stop.wait()
            floor.stopping.set()
    finally:
        listening_to.cancel()
        await asyncio.gather(listening_to, return_exceptions=True)


def register(app: typer.Typer) -> None:
    @app.command()
    def floor(
        broker: Annotated[
            str, typer.Option("--broker", help="HOST:PORT of the broker the benches publish to.")
        ] = "127.0.0.1:1883",
        host: Annotated[
            str, typer.Option("--host", help="Address to listen on; any but loopback needs tokens.")
        ] = "127.0.0.1",
        port: Annotated[int, typer.Option("--port", help="Port of the page.")] = 8320,
        tokens: Annotated[Path, typer.Option("--tokens", help="File of hashed tokens.")] = Path("tokens.json"),
    ) -> None:
        """One page for every bench of a shop, from their states on the broker."""
        logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
        asyncio.run(show_floor(broker_address(broker), host, port, tokens))
