"""`baytrace token`: who may reach a bench that listens beyond its own machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import load_config
from baytrace.commands._output import Json, people, print_json, table_console
from baytrace.web.tokens import AccessRole, TokenFile

Config = Annotated[Path, typer.Option("--config", help="The bench.toml whose web.tokens file is meant.")]
Tokens = Annotated[
    Path | None, typer.Option("--tokens", help="The file itself, where no bench.toml names it (a floor's).")
]


def _file(config: Path, tokens: Path | None) -> TokenFile:
    if tokens is not None:
        return TokenFile(tokens)
    ready = load_config(config)
    return TokenFile(ready.path(ready.web.tokens))


def register(app: typer.Typer) -> None:
    token = typer.Typer(no_args_is_help=True, help="Make, list and revoke access tokens.")
    app.add_typer(token, name="token")

    @token.command()
    def make(
        name: Annotated[str, typer.Argument(help="What the token is for, such as a tablet's name.")],
        role: Annotated[
            AccessRole, typer.Option("--role", help="view reads, bench works the bench, quality signs off.")
        ],
        config: Config = Path("bench.toml"),
        tokens: Tokens = None,
    ) -> None:
        """Make a token. It is printed once and kept only as a hash."""
        print(_file(config, tokens).make(name, role))
        people().print("Keep it now: it cannot be shown again. Send it as: Authorization: Bearer TOKEN")

    @token.command("list")
    def list_tokens(config: Config = Path("bench.toml"), tokens: Tokens = None, as_json: Json = False) -> None:
        """List tokens by name, role and day."""
        rows = [
            {"name": name, "role": row["role"], "made": row["made"]}
            for name, row in _file(config, tokens).rows().items()
        ]
        if as_json:
            print_json({"tokens": rows})
        if not rows and not as_json:
            people().print("There is no token yet; make one with: baytrace token make")
        for row in rows if not as_json else []:
            table_console().print(f"{row['name']}  {row['role']}  made {row['made']}")

    @token.command()
    def revoke(
        name: Annotated[str, typer.Argument(help="The token's name.")],
        config: Config = Path("bench.toml"),
        tokens: Tokens = None,
    ) -> None:
        """Make a token worthless at once."""
        _file(config, tokens).revoke(name)
