"""What the demo shows on a terminal: the sentence of each watch as it changes, then the table of verdicts."""

from __future__ import annotations

import asyncio
from typing import Any

from rich.console import Console, Group
from rich.live import Live as LiveDisplay
from rich.table import Table
from rich.text import Text

from baytrace.bench.daemon import Bench
from baytrace_sim.scenario import Scenario

SIGN = {"pass": "✓ pass", "fail": "✗ fail", "undecided": "? undecided"}
STYLE = {"pass": "bold green", "fail": "bold red", "undecided": "bold yellow"}


class Show:
    def __init__(self, console: Console, *, plain: bool) -> None:
        self._console = console
        self._plain = plain or not console.is_terminal
        self._said: dict[str, str] = {}

    def say(self, text: str) -> None:
        self._console.print(text, soft_wrap=True, markup=False)

    async def follow(self, bench: Bench) -> None:
        """Until cancelled."""
        if self._plain:
            while True:
                self._phases(bench)
                await asyncio.sleep(0.5)
        with LiveDisplay(console=self._console, refresh_per_second=4, transient=True) as display:
            while True:
                display.update(self._board(bench))
                await asyncio.sleep(0.25)

    def _phases(self, bench: Bench) -> None:
        for status in bench.live.watches:
            if self._said.get(status["watch"]) != status["phase"]:
                self._said[status["watch"]] = status["phase"]
                self.say(f"{_clock(bench)}  {status['watch']}: {status['sentence']}")

    def _board(self, bench: Bench) -> Group:
        watches = Table(box=None, padding=(0, 2), show_header=False)
        for status in bench.live.watches:
            outcome = status["verdict"]["verdict"]
            watches.add_row(status["watch"], Text(SIGN[outcome], STYLE[outcome]), Text(status["sentence"]))
        channels = Table(box=None, padding=(0, 2), show_header=False)
        for row in bench.channel_list():
            shown = (
                "open"
                if row.get("open_circuit")
                else "—"
                if row.get("shown") is None
                else f"{row['shown']:.5g} {row['shown_unit']}"
            )
            channels.add_row(row["label"], shown, Text("no data", "bold red") if row["stale"] else "")
        return Group(Text(_clock(bench), "bold"), watches, channels)


def _clock(bench: Bench) -> str:
    seconds = int((bench.clock.mono_ns() - bench.started_mono_ns) / 1e9)
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def verdict_table(scenario: Scenario, closing: dict[str, Any]) -> Table:
    """Watch, verdict, finding, the first reason; and whether it is what the scenario is about."""
    table = Table("watch", "verdict", "finding", "why")
    for name, verdict in closing["verdicts"].items():
        outcome = verdict["verdict"]
        expected = scenario.expect.get(name)
        finding = verdict["finding"]
        if expected is not None and expected != finding:
            finding += f" (the scenario means: {expected})"
        table.add_row(
            name, Text(SIGN[outcome], STYLE[outcome]), finding, verdict["reasons"][0] if verdict["reasons"] else ""
        )
    return table
