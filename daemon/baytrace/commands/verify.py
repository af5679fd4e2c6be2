"""`baytrace verify`: is this pack or journal what it claims to be, and does it still say the same?"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from baytrace.commands._output import Json, people, print_json, table_console
from baytrace.journal.schema import FILE as JOURNAL_FILE
from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.records.checks import Report, State
from baytrace.records.signing import read_keys, trusted_keys
from baytrace.records.verifying import verify_journal, verify_pack

SIGN = {"ok": "✓", "caution": "•", "fault": "✗"}
MOST_CAUTIONS = 6


def register(app: typer.Typer) -> None:
    @app.command()
    def verify(
        pack: Annotated[Path, typer.Argument(help="A trace pack, or a journal's directory.")],
        key: Annotated[
            list[Path] | None, typer.Option("--key", help="A public key (PEM) you trust; may be repeated.")
        ] = None,
        keys: Annotated[Path | None, typer.Option("--keys", help="A folder of public keys (PEM) you trust.")] = None,
        as_json: Json = False,
    ) -> int:
        """Check a pack (bag, digests, signature, chain, and its verdicts by replay) or a journal's chain. Exit 4 when it fails."""
        if pack.is_dir() and (pack / JOURNAL_FILE).exists():
            return _journal(pack, as_json=as_json)
        if not pack.exists():
            raise BadInput("there is no such pack", where=str(pack), right="give a trace pack or a journal's directory")
        trusted = read_keys(key or ())
        if keys is not None:
            trusted = [*trusted, *trusted_keys(keys)]
        with Progress(console=people(), transient=True) as bar:
            task = bar.add_task("verifying", total=1.0)
            report = verify_pack(pack, trusted, lambda share, what: bar.update(task, completed=share, description=what))
        if as_json:
            print_json(report.to_json())
        else:
            _print(report)
        if not report.good:
            raise VerificationFailed(f"{pack}: {report.summary()}")
        return 0


def _print(report: Report) -> None:
    """A line a check; of many cautions of one kind the first few, for what another version works out differs in many figures."""
    console, told = table_console(), Counter[str]()
    for check in report.checks:
        told[check.what] += check.state is State.CAUTION
        if check.state is not State.CAUTION or told[check.what] <= MOST_CAUTIONS:
            sign = SIGN.get(str(check.state), "•")
            console.print(f"{sign} {check.what}: {check.text}", markup=False, soft_wrap=True)
    for what, count in told.items():
        if count > MOST_CAUTIONS:
            console.print(f"• {what}: and {count - MOST_CAUTIONS} more of these; --json has every one", soft_wrap=True)
    if report.good:
        console.print(report.summary(), markup=False, soft_wrap=True)


def _journal(directory: Path, *, as_json: bool) -> int:
    text = verify_journal(directory)
    if as_json:
        print_json({"path": str(directory), "good": True, "text": text})
    else:
        print(text)
    return 0
