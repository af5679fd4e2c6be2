"""The pages of the manual that are made from the code when they are asked for, so that they cannot drift from it.

Each page is Markdown: a heading a group, a table row an entry. What the code has no words for itself (findings, kinds of event,
alarm states, flags, metrics) has them in the manual's `words/` folder; a test holds those to the code.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from fastapi import FastAPI

from baytrace.web.reference import commands, paths, settings, watches, words


class Made(NamedTuple):
    title: str
    text: Callable[[FastAPI], str]
    """Markdown; the paths depend on which of our apps is asked."""


PAGES: dict[str, Made] = {
    "settings": Made(settings.TITLE, lambda _: settings.page()),
    "watches": Made(watches.TITLE, lambda _: watches.page()),
    "findings": Made(words.FINDINGS_TITLE, lambda _: words.findings_page()),
    "events": Made(words.EVENTS_TITLE, lambda _: words.events_page()),
    "commands": Made(commands.TITLE, lambda _: commands.page()),
    "http": Made(paths.TITLE, paths.page),
    "metrics": Made(words.METRICS_TITLE, lambda _: words.metrics_page()),
}
