"""`baytrace restore`: a backup put in place, once it verifies."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baytrace.commands._output import Json, print_json
from baytrace.journal.sqlite import restore as put_back


def register(app: typer.Typer) -> None:
    @app.command()
    def restore(
        source: Annotated[Path, typer.Argument(help="The directory a backup was made into.")],
        to: Annotated[Path, typer.Option("--to", help="The journal's directory; it must hold no journal.")],
        as_json: Json = False,
    ) -> None:
        """Check a backup's chain and put it in place. Nothing is ever written over."""
        made = put_back(source, to)
        if as_json:
            print_json({"restored": str(made)})
        else:
            print(made)
