"""The manual: every Markdown file of the dashboards' `manual/` folder is a page, found by walking the folder."""

from __future__ import annotations

import html
import re
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from markdown_it import MarkdownIt

from baytrace.web.problems import not_found

FIRST = ("start", "instruments", "hold", "charge", "coils", "sheet", "packs", "journal", "trust")
"""Pages a reader wants in this order; others follow by name."""


class ManualPage(NamedTuple):
    name: str
    title: str
    body: str


@cache
def pages() -> dict[str, ManualPage]:
    """By name, in reading order."""
    folder = files("baytrace_dashboards").joinpath("manual")
    found = {}
    renderer = MarkdownIt("commonmark", {"html": False}).enable("table")
    for entry in folder.iterdir():
        if entry.name.endswith(".md"):
            name = entry.name.removesuffix(".md")
            text = entry.read_text(encoding="utf-8")
            heading = re.search(r"^# (.+)$", text, re.MULTILINE)
            found[name] = ManualPage(name, heading[1] if heading else name, _with_anchors(renderer.render(text)))
    order = {name: index for index, name in enumerate(FIRST)}
    return {name: found[name] for name in sorted(found, key=lambda name: (order.get(name, len(FIRST)), name))}


def _with_anchors(body: str) -> str:
    """Headings that can be linked to, and tables that scroll on a phone."""

    def anchor(match: re.Match[str]) -> str:
        plain = re.sub(r"<[^>]+>", "", match[2])
        slug = re.sub(r"[^a-z0-9]+", "-", html.unescape(plain).lower()).strip("-")
        return f'<h{match[1]} id="{slug}">{match[2]}</h{match[1]}>'

    body = re.sub(r"<h([1-4])>(.*?)</h\1>", anchor, body, flags=re.DOTALL)
    return body.replace("<table>", '<div class="wide" tabindex="0"><table>').replace("</table>", "</table></div>")


def page_html(name: str) -> str:
    """Raises the 404 problem for an unknown page."""
    known = pages()
    if name not in known:
        raise not_found(f"manual page {name!r}")
    links = "".join(
        f'<li><a href="/manual/{each.name}"{" aria-current=page" if each.name == name else ""}>{html.escape(each.title)}</a></li>'
        for each in known.values()
    )
    return _FRAME.format(title=html.escape(known[name].title), links=links, body=known[name].body)


_FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} · manual</title><link rel="icon" href="/static/icon.svg"><link rel="stylesheet" href="/static/look.css"><link rel="stylesheet" href="/static/manual.css"></head>
<body><a class="skip" href="#text">Skip to the text</a>
<header class="bar"><span class="name">Manual</span><nav aria-label="Pages"><a href="/">Bench</a> <a href="/sessions">Sessions</a> <a href="/manual" aria-current="page">Manual</a></nav></header>
<main class="manual"><nav aria-label="Manual pages"><ul>{links}</ul></nav><article id="text" class="sheet">{body}</article></main></body></html>
"""


def routes() -> APIRouter:
    router = APIRouter(include_in_schema=False)

    @router.get("/manual", response_class=HTMLResponse)
    async def first() -> HTMLResponse:
        return HTMLResponse(page_html(next(iter(pages()))))

    @router.get("/manual/{name}", response_class=HTMLResponse)
    async def page(name: str) -> HTMLResponse:
        return HTMLResponse(page_html(name))

    return router
