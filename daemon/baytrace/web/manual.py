"""The manual: every Markdown file of the dashboards' `manual/` folder is a page, found by walking the folder, and beside them
stand the pages that `baytrace.web.reference` makes from the code. One search looks through all of them.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Annotated, NamedTuple

from fastapi import APIRouter, FastAPI, Query, Request
from fastapi.responses import FileResponse, HTMLResponse
from markdown_it import MarkdownIt

from baytrace.web.problems import not_found
from baytrace.web.reference import PAGES as MADE

FOLDER = Path(str(files("baytrace_dashboards"))) / "manual"
GROUPS: dict[str, tuple[str, ...]] = {
    "At the bench": (
        "start",
        "safety",
        "instruments",
        "hold",
        "charge",
        "own",
        "coils",
        "trust",
        "sheet",
        "faults",
        "glossary",
    ),
    "The record": ("packs", "quality", "journal", "versions"),
    "Running it": ("service", "server", "floor", "alarms", "simulator"),
    "Reference": tuple(MADE),
}
"""Pages in the order a reader wants them; others stand with those on running it, by name."""
MOST_FOUND = 60
_SMALL = frozenset(
    {
        "a",
        "an",
        "and",
        "at",
        "do",
        "does",
        "for",
        "how",
        "i",
        "in",
        "is",
        "it",
        "my",
        "of",
        "on",
        "or",
        "the",
        "to",
        "what",
        "why",
    }
)
"""Words of a question that say nothing about its answer."""


class ManualPage(NamedTuple):
    name: str
    title: str
    body: str


class Passage(NamedTuple):
    """A heading with what stands under it, or one row of a table within it. `anchor` is `page#id`."""

    anchor: str
    title: str
    heading: str
    within: str
    text: str


@cache
def written() -> dict[str, ManualPage]:
    """The pages that people wrote, by name, in reading order."""
    there = {file.stem: _page(file.stem, file.read_text(encoding="utf-8")) for file in FOLDER.glob("*.md")}
    return {name: there[name] for names in groups(there).values() for name in names if name in there}


def groups(there: Iterable[str]) -> dict[str, list[str]]:
    """Names of pages by group, those of nobody's group with those on running it."""
    placed = {name for names in GROUPS.values() for name in names}
    rest = sorted(set(there) - placed)
    return {group: [*names, *(rest if group == "Running it" else ())] for group, names in GROUPS.items()}


def _page(name: str, text: str) -> ManualPage:
    heading = re.search(r"^# (.+)$", text, re.MULTILINE)
    body = MarkdownIt("commonmark", {"html": False}).enable("table").render(text)
    return ManualPage(name, heading[1] if heading else name, _with_anchors(body))


def slug(text: str) -> str:
    plain = html.unescape(re.sub(r"<[^>]+>", "", text))
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")


def _with_anchors(body: str) -> str:
    """Headings and rows that can be linked to, pictures that open in full, and tables that scroll.

    A row's id is its heading's and the code, or the bold word, in its first cell: `#web-port`.
    """
    taken: dict[str, int] = {}
    section = ""

    def unique(name: str) -> str:
        taken[name] = taken.get(name, 0) + 1
        return name if taken[name] == 1 else f"{name}-{taken[name]}"

    def anchor(match: re.Match[str]) -> str:
        nonlocal section
        if match["level"]:
            section = unique(slug(match["words"]))
            return f'<h{match["level"]} id="{section}">{match["words"]}</h{match["level"]}>'
        row = unique(slug(f"{section} {match['code']}"))
        return f'<tr id="{row}">\n<td><{match["tag"]}>{match["code"]}</{match["tag"]}>'

    body = re.sub(
        r"<h(?P<level>[1-4])>(?P<words>.*?)</h\1>|<tr>\n<td><(?P<tag>code|strong)>(?P<code>.*?)</(?P=tag)>",
        anchor,
        body,
        flags=re.DOTALL,
    )
    body = re.sub(r'(<img src="(/manual/pictures/[^"]+)"[^>]*>)', r'<a class="picture" href="\2">\1</a>', body)
    body = re.sub(r"<table>.*?</table>", _with_heads, body, flags=re.DOTALL).replace("<pre>", '<pre tabindex="0">')
    return body.replace("<table>", '<div class="wide" tabindex="0"><table>').replace("</table>", "</table></div>")


def _with_heads(match: re.Match[str]) -> str:
    """Each cell tells the head of its column, so that a phone can show a row as a few lines."""
    heads = [_plain(head) for head in re.findall(r"<th[^>]*>(.*?)</th>", match[0], re.DOTALL)]

    def row(cells: re.Match[str]) -> str:
        columns = iter(heads)
        return re.sub(r"<td(?=[ >])", lambda _: f'<td data-head="{html.escape(next(columns, ""))}"', cells[0])

    return re.sub(r"<tr.*?</tr>", row, match[0], flags=re.DOTALL)


class Manual:
    """All pages as one app shows them; those made from the code are made once, when first asked for."""

    def __init__(self, app: FastAPI) -> None:
        self._app = app
        self._made: dict[str, ManualPage] = {}
        self._passages: list[Passage] = []
        self.home = "Bench" if any(getattr(route, "path", "") == "/sessions" for route in app.routes) else "Floor"

    def titles(self) -> dict[str, str]:
        return {page.name: page.title for page in written().values()} | {
            name: made.title for name, made in MADE.items()
        }

    def page(self, name: str) -> ManualPage:
        """Raises the 404 problem for an unknown page."""
        if name in written():
            return written()[name]
        if name not in MADE:
            raise not_found(f"manual page {name!r}")
        if name not in self._made:
            self._made[name] = _page(name, MADE[name].text(self._app))
        return self._made[name]

    def passages(self) -> list[Passage]:
        if not self._passages:
            named = self.titles().items()
            self._passages = [each for name, title in named for each in _passages(name, title, self.page(name).body)]
        return self._passages

    def search(self, asked: str) -> list[Passage]:
        """Passages that hold all words asked for, or as many as any does, or one less; those that are named so first."""
        words = [word for word in asked.casefold().split() if word not in _SMALL] or asked.casefold().split()
        ranked = [(_hits(passage, words), passage) for passage in self.passages()]
        most = max((hits for (hits, _), _ in ranked), default=0)
        if most * 2 < len(words) or not most:
            return []
        least = max(most - 1, 1) if len(words) > 1 else most
        found = [((-hits, *rank), passage) for (hits, rank), passage in ranked if hits >= least]
        return [passage for _, passage in sorted(found, key=lambda each: each[0])[:MOST_FOUND]]


def _hits(passage: Passage, words: list[str]) -> tuple[int, tuple[bool, int]]:
    """How many of the words it holds, and its rank among those that hold as many: low is first."""
    named, text = passage.heading.casefold(), " ".join(passage[2:]).casefold()
    hits = sum(word in text for word in words)
    return hits, (named != " ".join(words), -sum(word in named for word in words))


def _passages(name: str, title: str, body: str) -> Iterator[Passage]:
    """Each row that can be linked to is a passage of its own; the rest belongs to its heading."""
    for part in re.split(r"(?=<h[1-4] id=)", re.sub(r"<thead>.*?</thead>", "", body, flags=re.DOTALL)):
        heading = re.match(r'<h[1-4] id="([^"]*)">(.*?)</h[1-4]>', part, re.DOTALL)
        if not heading:
            continue
        rows = r'<tr id="([^"]*)">(.*?)</tr>'
        for row in re.finditer(rows, part, re.DOTALL):
            first, _, rest = row[2].partition("</td>")
            yield Passage(f"{name}#{row[1]}", title, _plain(first), _plain(heading[2]), _plain(rest))
        text = re.sub(rows, " ", part[heading.end() :], flags=re.DOTALL)
        yield Passage(f"{name}#{heading[1]}", title, _plain(heading[2]), "", _plain(text))


def _plain(body: str) -> str:
    words = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())
    return re.sub(r" (?=[.,;:)])", "", words)


def _framed(manual: Manual, name: str, title: str, body: str, asked: str = "") -> str:
    titles = manual.titles()

    def entry(each: str) -> str:
        here = " aria-current=page" if each == name else ""
        words = html.escape(titles[each].removeprefix("Reference: "))
        return f'<li><a href="/manual/{each}"{here}>{words}</a></li>'

    links = "".join(
        f"<h2>{html.escape(group)}</h2><ul>{''.join(entry(each) for each in names if each in titles)}</ul>"
        for group, names in groups(titles).items()
    )
    sessions = '<a href="/sessions">Sessions</a> ' if manual.home == "Bench" else ""
    words = {"title": html.escape(title), "asked": html.escape(asked, quote=True), "home": manual.home}
    return _FRAME.format(links=links, body=body, sessions=sessions, **words)


def _found(asked: str, passages: list[Passage]) -> str:
    if not asked.strip():
        return "<h1>Search the manual</h1><p>Type a setting, a command, a finding or any word.</p>"
    items = "".join(
        f'<li><a href="/manual/{each.anchor}">{html.escape(each.heading)}</a> <small>{html.escape(" · ".join(filter(None, [each.title, each.within])))}</small>'
        f"<p>{html.escape(each.text[:220])}{'…' if len(each.text) > 220 else ''}</p></li>"
        for each in passages
    )
    count = f"{len(passages)} places" if len(passages) != 1 else "1 place"
    nothing = "" if passages else "<p>Try fewer words, or a part of a word.</p>"
    return f'<h1>Search: {html.escape(asked)}</h1><p>{count}.</p>{nothing}<ul class="found">{items}</ul>'


_FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} · manual</title><link rel="icon" href="/static/icon.svg"><link rel="stylesheet" href="/static/look.css"><link rel="stylesheet" href="/static/manual.css"></head>
<body><a class="skip" href="#text">Skip to the text</a>
<header class="bar"><span class="name">Manual</span><nav aria-label="Pages"><a href="/">{home}</a> {sessions}<a href="/manual" aria-current="page">Manual</a></nav></header>
<main class="manual"><div class="aside"><form role="search" action="/manual/search"><label for="q">Search the manual</label><input id="q" name="q" type="search" value="{asked}" maxlength="100"><button>Search</button><a class="all" href="#pages">All pages</a></form>
<nav aria-label="Manual pages" id="pages">{links}</nav></div><article id="text" class="sheet">{body}</article></main></body></html>
"""


def routes() -> APIRouter:
    # plain functions: the first look at a page made from the code takes a moment, and runs beside the bench, not in its loop
    router = APIRouter(include_in_schema=False)
    manuals: dict[int, Manual] = {}

    def manual(request: Request) -> Manual:
        return manuals.setdefault(id(request.app), Manual(request.app))

    @router.get("/manual", response_class=HTMLResponse)
    def first(request: Request) -> HTMLResponse:
        return page(request, next(iter(written())))

    @router.get("/manual/search", response_class=HTMLResponse)
    def search(request: Request, q: Annotated[str, Query(max_length=100)] = "") -> HTMLResponse:
        every = manual(request)
        return HTMLResponse(_framed(every, "", "Search", _found(q, every.search(q)), q))

    @router.get("/manual/pictures/{name}")
    def picture(name: str) -> FileResponse:
        if name not in {file.name for file in (FOLDER / "pictures").iterdir()}:
            raise not_found(f"picture {name!r}")
        return FileResponse(FOLDER / "pictures" / name)

    @router.get("/manual/{name}", response_class=HTMLResponse)
    def page(request: Request, name: str) -> HTMLResponse:
        every = manual(request)
        shown = every.page(name)
        return HTMLResponse(_framed(every, name, shown.title, shown.body))

    return router
