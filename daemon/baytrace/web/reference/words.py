"""Findings, kinds of event, alarm states, flags and metrics in plain words, from the manual's `words/` folder.

Each file holds tables of entries: `means`, and where there is something to do `do` and `see` (a page, or page#heading).
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from baytrace.web.reference.tables import code, table

FINDINGS_TITLE = "Reference: every finding, and what to do"
EVENTS_TITLE = "Reference: events, alarms and flags"
METRICS_TITLE = "Reference: every metric"


class Word(NamedTuple):
    name: str
    means: str
    do: str = ""
    see: str = ""


@cache
def words(file: str) -> dict[str, list[Word]]:
    """The entries of `words/<file>.toml` by group."""
    folder = files("baytrace_dashboards").joinpath("manual", "words")
    document = tomllib.loads(folder.joinpath(f"{file}.toml").read_text(encoding="utf-8"))
    return {group: [Word(name, **entry) for name, entry in rows.items()] for group, rows in document.items()}


def _do(word: Word) -> str:
    shown = word.see.replace("#", ": ").replace("-", " ")
    link = f"[{shown}](/manual/{word.see})" if word.see else ""
    return " ".join(filter(None, [word.do, f"See {link}" if link else ""]))


_FINDINGS = f"""# {FINDINGS_TITLE}

A finding is what a watch saw, in a few words; the verdict beside it is `pass`, `fail` or `undecided`. `undecided` is no failure:
the whole interval of what was measured does not lie on one side of the limit, and the reasons say what is missing. The reasons
that stand under a finding are sentences with the figures of the case; they need no list.
"""
_EVENTS = f"""# {EVENTS_TITLE}

What the journal keeps beside readings, and the words it uses. They stand so in `events.jsonl` of a trace pack, in the API and on
the page.
"""
_METRICS = f"""# {METRICS_TITLE}

`GET /metrics` gives them in the Prometheus text format. What to watch: `baytrace_instrument_up`, `baytrace_channel_stale`,
`baytrace_readings_waiting` and `baytrace_alarms`; see [Service](/manual/service).
"""


def findings_page() -> str:
    parts = [_FINDINGS]
    for group, rows in words("findings").items():
        parts += [f"## {group}", "", _table(rows, "finding")]
    return "\n".join(parts)


def events_page() -> str:
    parts = [_EVENTS]
    for group, rows in words("events").items():
        parts += [f"## {group}", "", _table(rows, "word")]
    return "\n".join(parts)


def metrics_page() -> str:
    parts = [_METRICS]
    for group, rows in words("metrics").items():
        parts += [f"## {group}", "", _table(rows, "metric")]
    return "\n".join(parts)


def _table(rows: list[Word], head: str) -> str:
    return table((head, "means", "what to do"), ((code(word.name), word.means, _do(word)) for word in rows))
