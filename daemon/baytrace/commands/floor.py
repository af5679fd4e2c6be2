"""`baytrace floor`: every bench of a shop on one page."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

import typer
from pydantic import ValidationError

from baytrace.bench.config_faults import model_faults
from baytrace.bench.config_sections import MqttSection
from baytrace.bench.secret import read_secret
from baytrace.bench.signals import stop_on_signals
from baytrace.commands._logs import Log, LogForm, start_logging
from baytrace.commands._output import people
from baytrace.measure.faults import BadInput
from baytrace.web.floor import Floor, floor_app
from baytrace.web.listening import Tls, checked_tls, listening, tokens_for


def broker_section(
    text: str, username: str, password_env: str, password_file: Path | None, ca: Path | None
) -> MqttSection:
    """The broker, from `HOST`, `HOST:PORT` or an `mqtts://` address. Raises BadInput."""
    url = text if "://" in text else f"mqtt://{text}"
    file, authority = str(password_file or ""), str(ca or "")
    right = "write HOST:PORT or mqtts://HOST:PORT, and the rest as --help says"
    try:
        section = MqttSection(url=url, username=username, password_env=password_env, password_file=file, ca=authority)
    except ValidationError as error:
        faults = "; ".join(fault.what for fault in model_faults("", error, ()))
        raise BadInput(faults, where="--broker", right=right) from None
    if urlsplit(url).port is None and ":" in url.rpartition("//")[2]:
        raise BadInput("the broker's address cannot be used", where="--broker", right=right)
    return section


async def show_floor(broker: MqttSection, host: str, port: int, tokens: Path, tls: Tls | None, public: str) -> None:
    stop, floor = asyncio.Event(), Floor()
    stop_on_signals(stop)
    password = read_secret(
        broker.password_env, Path(broker.password_file) if broker.password_file else None, "--broker"
    )
    app = floor_app(floor, tokens_for(host, tokens, public))
    following = asyncio.create_task(floor.listen(broker, password), name="floor")
    following.add_done_callback(lambda _: stop.set())
    try:
        async with listening(app, host, port, tls, proxied=bool(public)) as address:
            people().print(f"the floor is at {public or address}/", soft_wrap=True)
            await stop.wait()
            floor.stopping.set()
    finally:
        following.cancel()
        ended = await asyncio.gather(following, return_exceptions=True)
    if isinstance(ended[0], Exception):
        raise ended[0]


def register(app: typer.Typer) -> None:
    @app.command()
    def floor(
        broker: Annotated[
            str, typer.Option("--broker", help="HOST:PORT or mqtts://HOST:PORT of the broker the benches publish to.")
        ] = "127.0.0.1:1883",
        username: Annotated[str, typer.Option("--username", help="User name at the broker.")] = "",
        password_env: Annotated[
            str, typer.Option("--password-env", help="Environment variable that holds the broker's password.")
        ] = "",
        password_file: Annotated[
            Path | None, typer.Option("--password-file", help="File (mode 0600) that holds the broker's password.")
        ] = None,
        ca: Annotated[Path | None, typer.Option("--ca", help="Certificate authority file for mqtts.")] = None,
        host: Annotated[
            str, typer.Option("--host", help="Address to listen on; any but loopback needs tokens.")
        ] = "127.0.0.1",
        port: Annotated[int, typer.Option("--port", help="Port of the page.", min=0, max=65535)] = 8320,
        tokens: Annotated[Path, typer.Option("--tokens", help="File of hashed tokens.")] = Path("tokens.json"),
        certificate: Annotated[
            Path | None, typer.Option("--certificate", help="TLS certificate chain (PEM file).")
        ] = None,
        private_key: Annotated[
            Path | None, typer.Option("--private-key", help="TLS private key (PEM file, mode 0600).")
        ] = None,
        public: Annotated[
            str, typer.Option("--public", help="Address under which a reverse proxy shows the floor; needs tokens.")
        ] = "",
        form: Log = LogForm.HUMAN,
    ) -> None:
        """One page for every bench of a shop, from their retained states on the broker; it keeps nothing itself.

        Any number of floors may run. Make its tokens with `baytrace token make --tokens FILE`.
        """
        start_logging(form)
        if private_key and not certificate:
            raise BadInput("is given without --certificate", where="--private-key", right="name both, or neither")
        tls = checked_tls(certificate, private_key or certificate) if certificate else None
        section = broker_section(broker, username, password_env, password_file, ca)
        asyncio.run(show_floor(section, host, port, tokens, tls, public))
