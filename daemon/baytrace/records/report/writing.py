"""Reports written: one self-contained HTML file, and a PDF. Both from the same document and the same pictures."""

from __future__ import annotations

import json
import re
import tempfile
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from textwrap import wrap
from typing import Any

import jinja2
from markupsafe import Markup, escape

from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.later import Later
from baytrace.records.report.document import document
from baytrace.records.report.pictures import pictures
from baytrace.records.report.svg import drawn
from baytrace.records.report.trends import Trends
from baytrace.records.report.units_shown import System, system_named
from baytrace.records.session import SessionRecord

typst = Later("typst")
PAPERS = {"a4": "a4", "letter": "us-letter"}
_LONG_WORD = 16
"""Letters that stay together."""


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """`units` is SI or US, `paper` is a4 or letter."""

    units: str = "SI"
    paper: str = "a4"

    def __post_init__(self) -> None:
        system_named(self.units)
        if self.paper.lower() not in PAPERS:
            raise BadInput(f"{self.paper!r} is no paper", where="paper", right="use a4 or letter")

    @property
    def system(self) -> System:
        return system_named(self.units)


def breakable(text: str) -> Markup:
    """The text with places to break in its long words, at their joints where they have any: no column is squeezed for one word."""
    return Markup(" ").join(_word(word) for word in text.split(" "))


def _word(word: str) -> Markup:
    if len(word) <= _LONG_WORD:
        return escape(word)
    parts = [part for joint in re.findall(r"[^-_./:]*[-_./:]?", word) for part in wrap(joint, _LONG_WORD)]
    return Markup("<wbr>").join(parts)


@cache
def _template(name: str) -> str:
    return (files("baytrace_dashboards") / "report" / name).read_text(encoding="utf-8")


def write_html(path: Path, record: SessionRecord, trends: Trends, options: ReportOptions) -> None:
    """One file that needs no other and asks for nothing from any network."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["breakable"] = breakable
    shown = [
        {"title": picture.title, "svg": Markup(drawn(picture))}  # noqa: S704 - our own SVG, its texts escaped
        for picture in pictures(trends, record, options.system)
    ]
    page = environment.from_string(_template("report.html.j2"))
    text = page.render(**document(record, options.system, trends.heard), pictures=shown, paper=options.paper.lower())
    path.write_text(text + "\n", encoding="utf-8")


def write_pdf(path: Path, record: SessionRecord, trends: Trends, options: ReportOptions) -> None:
    """Raises EnvironmentFailed when the typesetter fails."""
    said: dict[str, Any] = document(record, options.system, trends.heard) | {
        "paper": PAPERS[options.paper.lower()],
        "pictures": [],
    }
    with tempfile.TemporaryDirectory(prefix="report-", dir=path.parent) as folder:
        root = Path(folder)
        for number, picture in enumerate(pictures(trends, record, options.system)):
            (root / f"picture{number}.svg").write_text(drawn(picture), encoding="utf-8")
            said["pictures"].append({"title": picture.title, "file": f"picture{number}.svg"})
        (root / "report.json").write_text(json.dumps(said, ensure_ascii=False), encoding="utf-8")
        (root / "report.typ").write_text(_template("report.typ"), encoding="utf-8")
        try:
            typst.compile(str(root / "report.typ"), output=str(path), root=str(root), ignore_system_fonts=True)
        except (typst.TypstError, RuntimeError) as error:
            raise EnvironmentFailed(
                f"{path.name}: the report could not be typeset ({str(error).splitlines()[0]})"
            ) from None
