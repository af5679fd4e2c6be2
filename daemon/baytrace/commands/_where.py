"""Which journal a command means: named outright, or by the bench.toml it belongs to."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import load_config
from baytrace.measure.faults import BadInput

JournalAt = Annotated[
    Path | None, typer.Option("--journal", help="The journal's directory; the one of --config when left out.")
]
ConfigAt = Annotated[Path, typer.Option("--config", help="The bench.toml whose journal and keys are meant.")]


def journal_directory(journal: Path | None, config: Path) -> Path:
    """Raises BadInput when there is no journal there."""
    if journal is None:
        ready = load_config(config)
        journal = ready.path(ready.bench.journal)
    if not journal.is_dir():
        raise BadInput(
            "there is no journal here", where=str(journal), right="give --journal DIR or --config bench.toml"
        )
    return journal


def keys_directory(journal: Path | None, config: Path) -> Path:
    """Where the signing keys are: as bench.toml says, else beside the journal."""
    if journal is not None and not config.exists():
        return journal.parent / "keys"
    ready = load_config(config)
    return ready.path(ready.bench.keys)
