"""`baytrace key`: the key that signs trace packs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import load_config
from baytrace.commands._output import Json, people, print_json
from baytrace.commands._where import ConfigAt
from baytrace.records.signing import PublicKey, known_keys, make_key, rotate_key

KeysAt = Annotated[
    Path | None, typer.Option("--keys", help="The directory of keys; the one of --config when left out.")
]


def _directory(keys: Path | None, config: Path) -> Path:
    if keys is not None:
        return keys
    ready = load_config(config)
    return ready.path(ready.bench.keys)


def _say(found: list[PublicKey], *, as_json: bool) -> None:
    if as_json:
        print_json({"keys": [{"fingerprint": each.fingerprint, "pem": each.pem} for each in found]})
        return
    if not found:
        people().print("There is no key yet; make one with: baytrace key make")
    for each in found:
        people().print(f"fingerprint {each.fingerprint}", soft_wrap=True)
        print(each.pem, end="")


def register(app: typer.Typer) -> None:
    key = typer.Typer(no_args_is_help=True, help="The key that signs trace packs: make, show, rotate.")
    app.add_typer(key, name="key")

    @key.command()
    def make(keys: KeysAt = None, config: ConfigAt = Path("bench.toml"), as_json: Json = False) -> None:
        """Make a key where there is none; its public half is printed for those who verify."""
        _say([make_key(_directory(keys, config))], as_json=as_json)

    @key.command()
    def show(keys: KeysAt = None, config: ConfigAt = Path("bench.toml"), as_json: Json = False) -> None:
        """Show the public keys, the newest first."""
        _say(known_keys(_directory(keys, config)), as_json=as_json)

    @key.command()
    def rotate(keys: KeysAt = None, config: ConfigAt = Path("bench.toml"), as_json: Json = False) -> None:
        """Sign with a new key from now on; older packs still verify with the older public keys."""
        _say([rotate_key(_directory(keys, config))], as_json=as_json)
