"""Line pictures as SVG text: axes, lines, bands, marks. Colour never speaks alone: each line has its own dash and its name.

A picture is 720 units wide; letters are 14 units high, so that they are 9 pt or more on the width of a printed page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

WIDTH, LETTER = 720, 14
HEIGHT = 232
"""Three pictures with their titles fill a printed page."""
_LEFT, _RIGHT, _TOP, _BOTTOM = 78, 14, 12, 46
_LEVEL_COLOUR, _LEVEL_DASHES = "#555555", ("9 5", "3 3", "14 3", "9 3 3 3")
_COUNTED = 24
"""Up to so many things are each numbered at the axis."""
FONT = "Libertinus Serif, Georgia, serif"


@dataclass(frozen=True, slots=True)
class Line:
    """Points in the units shown; nan breaks the line."""

    name: str
    x: Sequence[float]
    y: Sequence[float]
    colour: str = "#222222"
    dash: str = ""
    width: float = 1.6
    dots: bool = False
    """Points instead of a line."""


@dataclass(frozen=True, slots=True)
class Band:
    """Filled between `low` and `high`."""

    name: str
    x: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    colour: str = "#888888"


@dataclass(frozen=True, slots=True)
class Level:
    """A limit: a straight line across; its name stands in the legend, where it covers nothing."""

    name: str
    y: float


@dataclass(frozen=True, slots=True)
class Note:
    """Words beside a point, or at the foot of the picture where `y` is None."""

    x: float
    y: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    title: str
    x_label: str
    y_label: str
    lines: Sequence[Line] = ()
    bands: Sequence[Band] = ()
    levels: Sequence[Level] = ()
    marks: Sequence[tuple[float, str]] = field(default_factory=tuple)
    """Instants with the number under which the marks are listed."""
    log: bool = False
    height: int = HEIGHT
    notes: Sequence[Note] = ()
    whole: bool = False
    """The x axis counts things: only whole numbers stand at it."""
    bare: bool = False
    """The x axis means nothing and has no numbers."""


class _Scale:
    def __init__(self, low: float, high: float, begin: float, end: float, *, log: bool = False) -> None:
        self.low, self.high, self._begin, self._end, self.log = low, high, begin, end, log

    def __call__(self, value: float) -> float:
        if self.log:
            share = (math.log10(max(value, self.low)) - math.log10(self.low)) / (
                math.log10(self.high) - math.log10(self.low)
            )
        else:
            share = (value - self.low) / (self.high - self.low)
        return self._begin + min(1.02, max(-0.02, share)) * (self._end - self._begin)

    def ticks(self) -> list[float]:
        if self.log:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            steps = (1, 2, 5) if math.log10(self.high / self.low) < 2.5 else (1,)
            return [s * 10.0**d for d in decades for s in steps if self.low <= s * 10.0**d <= self.high * 1.0001]
        return nice_ticks(self.low, self.high)


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values in the range."""
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _range(values: Sequence[float], *, log: bool) -> tuple[float, float]:
    good = [value for value in values if math.isfinite(value) and (not log or value > 0.0)]
    if not good:
        return (1.0, 10.0) if log else (0.0, 1.0)
    low, high = min(good), max(good)
    if log:
        return low / 1.3, max(high * 1.3, low * 3.0)
    pad = (high - low) * 0.06 or abs(high) * 0.05 or 1.0
    return low - pad, high + pad


def drawn(picture: Picture) -> str:
    """The picture as an SVG document without declaration, to stand in HTML or in a file."""
    ys = [v for line in picture.lines for v in line.y] + [v for band in picture.bands for v in (*band.low, *band.high)]
    ys += [level.y for level in picture.levels]
    xs = [v for line in picture.lines for v in line.x] or [0.0, 1.0]
    x_low, x_high = min(xs), max(xs)
    rows = _legend_rows(picture)
    top = _TOP + 20 * len(rows)
    height = picture.height + 20 * len(rows)
    x = _Scale(x_low, x_high if x_high > x_low else x_low + 1.0, _LEFT, WIDTH - _RIGHT)
    low, high = _range(ys, log=picture.log)
    y = _Scale(low, high, height - _BOTTOM, top, log=picture.log)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" aria-label="{escape(picture.title)}" font-family="{FONT}" font-size="{LETTER}">'
    )
    parts = [
        head,
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        *_legend(rows),
        *_axes(x, y, picture, height, top),
        *(_band(band, x, y) for band in picture.bands),
        *(_level(level, y, number) for number, level in enumerate(picture.levels)),
        *_mark_lines(picture.marks, x, height, top),
        *(_line(line, x, y) for line in picture.lines),
        *_mark_numbers(picture.marks, x, top),
        *(_note(note, x, y, height) for note in picture.notes),
        "</svg>",
    ]
    return "\n".join(parts)


def _legend_rows(picture: Picture) -> list[list[tuple[int, Line | Band]]]:
    """Names above the picture, as many in a row as fit."""
    rows: list[list[tuple[int, Line | Band]]] = []
    at = WIDTH
    levels = [Line(level.name, (), (), _LEVEL_COLOUR, _level_dash(n)) for n, level in enumerate(picture.levels)]
    named: list[Line | Band] = [*picture.lines, *picture.bands, *levels]
    for each in named:
        if not each.name:
            continue
        need = 44 + int(len(each.name) * LETTER * 0.6)
        if at + need > WIDTH - _RIGHT:
            rows.append([])
            at = _LEFT
        rows[-1].append((at, each))
        at += need
    return rows


def _legend(rows: list[list[tuple[int, Line | Band]]]) -> list[str]:
    parts = []
    for index, row in enumerate(rows):
        middle = 14 + 20 * index
        for at, each in row:
            if isinstance(each, Line):
                dash = f' stroke-dasharray="{each.dash}"' if each.dash else ""
                dash = ' stroke-dasharray="0 6" stroke-linecap="round"' if each.dots else dash
                parts.append(
                    f'<path d="M{at} {middle}h30" stroke="{each.colour}" stroke-width="2.2"{dash} fill="none"/>'
                )
            else:
                parts.append(
                    f'<rect x="{at}" y="{middle - 6}" width="30" height="12" fill="{each.colour}" fill-opacity="0.25"/>'
                )
            parts.append(f'<text x="{at + 36}" y="{middle + 5}" fill="#111111">{escape(each.name)}</text>')
    return parts


def _axes(x: _Scale, y: _Scale, picture: Picture, height: int, top: int) -> list[str]:
    bottom, right = height - _BOTTOM, WIDTH - _RIGHT
    parts = []
    for tick in y.ticks():
        at = y(tick)
        parts.append(f'<path d="M{_LEFT} {at:.1f}H{right}" stroke="#dddddd"/>')
        parts.append(f'<text x="{_LEFT - 6}" y="{at + 5:.1f}" text-anchor="end" fill="#222222">{_tick(tick)}</text>')
    for tick in _x_ticks(x, picture):
        at = x(tick)
        parts.append(f'<path d="M{at:.1f} {bottom}v5" stroke="#222222"/>')
        parts.append(f'<text x="{at:.1f}" y="{bottom + 19}" text-anchor="middle" fill="#222222">{_tick(tick)}</text>')
    parts.append(f'<path d="M{_LEFT} {top}V{bottom}H{right}" stroke="#222222" fill="none"/>')
    middle = (top + bottom) / 2
    parts.append(
        f'<text x="{(_LEFT + right) / 2}" y="{height - 8}" text-anchor="middle" fill="#111111">{escape(picture.x_label)}</text>'
    )
    parts.append(
        f'<text transform="translate(15 {middle}) rotate(-90)" text-anchor="middle" fill="#111111">{escape(picture.y_label)}</text>'
    )
    return parts


def _x_ticks(x: _Scale, picture: Picture) -> list[float]:
    if picture.bare:
        return []
    if picture.whole and x.high - x.low <= _COUNTED:
        return [float(n) for n in range(math.ceil(x.low), math.floor(x.high) + 1)]
    return [tick for tick in x.ticks() if not picture.whole or tick == round(tick)]


def _tick(value: float) -> str:
    return f"{value:.10g}".replace("-", "−")


def _line(line: Line, x: _Scale, y: _Scale) -> str:
    steps: list[str] = []
    pen = "M"
    for px, py in zip(line.x, line.y, strict=True):
        if not math.isfinite(py):
            pen = "M"
            continue
        steps.append(f"{pen}{x(px):.1f} {y(py):.1f}")
        pen = "L"
    if line.dots:
        dots = "".join(f"M{step[1:]}h0" for step in steps)
        return f'<path d="{dots}" fill="none" stroke="{line.colour}" stroke-width="{max(3.0, line.width):g}" stroke-linecap="round"/>'
    dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
    return f'<path d="{"".join(steps)}" fill="none" stroke="{line.colour}" stroke-width="{line.width}"{dash} stroke-linejoin="round"/>'


def _band(band: Band, x: _Scale, y: _Scale) -> str:
    there = [f"{x(px):.1f} {y(py):.1f}" for px, py in zip(band.x, band.high, strict=True)]
    back = [f"{x(px):.1f} {y(py):.1f}" for px, py in zip(reversed(band.x), reversed(band.low), strict=True)]
    return (
        f'<path d="M{"L".join(there + back)}Z" fill="{band.colour}" fill-opacity="0.25" stroke="none"/>'
        if there
        else ""
    )


def _level_dash(number: int) -> str:
    return _LEVEL_DASHES[number % len(_LEVEL_DASHES)]


def _level(level: Level, y: _Scale, number: int) -> str:
    across = f"M{_LEFT} {y(level.y):.1f}H{WIDTH - _RIGHT}"
    return f'<path d="{across}" stroke="{_LEVEL_COLOUR}" stroke-dasharray="{_level_dash(number)}" stroke-width="1.3"/>'


def _text(x: float, y: float, anchor: str, text: str) -> str:
    """Letters on a white ground, so that lines behind them do not cross them."""
    wide = len(text) * LETTER * 0.5
    left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
    ground = f'<rect x="{left - 1:.1f}" y="{y - 11:.1f}" width="{wide + 2:.1f}" height="14" fill="#ffffff" fill-opacity="0.8"/>'
    return f'{ground}<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#222222">{escape(text)}</text>'


def _note(note: Note, x: _Scale, y: _Scale, height: int) -> str:
    if note.y is None:
        return _text(x(note.x), height - _BOTTOM - 6, "middle", note.text)
    return _text(x(note.x) + 7, y(note.y) - 7, "start", note.text)


def _mark_lines(marks: Sequence[tuple[float, str]], x: _Scale, height: int, top: int) -> list[str]:
    return [
        f'<path d="M{x(at):.1f} {top}V{height - _BOTTOM}" stroke="#777777" stroke-dasharray="2 4"/>'
        for at, _ in marks
        if x.low <= at <= x.high
    ]


def _mark_numbers(marks: Sequence[tuple[float, str]], x: _Scale, top: int) -> list[str]:
    """A number is left out where it would cover its neighbour; the list of marks has them all."""
    parts, free = [], -math.inf
    for at, text in marks:
        px, wide = x(at), 6 + 8 * len(text)
        if x.low <= at <= x.high and px >= free and px + wide <= WIDTH:
            parts.append(_text(px + 3, top + 12, "start", text))
            free = px + wide
    return parts
