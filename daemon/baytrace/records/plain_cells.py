"""Text in a cell that a spreadsheet must not take for a formula.

A spreadsheet that opens a CSV works out a cell beginning with `=`, `+`, `-` or `@` (a tab or line end before it changes nothing), and a
mark is text from anyone. Such a cell begins with an apostrophe, which spreadsheets take for "this is text"; reading takes it off
again, so that the text comes back as it was. Source: OWASP, CSV injection (from memory).
"""

from __future__ import annotations

_LIVE = ("=", "+", "-", "@", "\t", "\r", "\n")


def _guarded(text: str) -> bool:
    """Whether a cell of this text needs the apostrophe: it is live, or looks as if it had been guarded."""
    return text.lstrip("'").lstrip().startswith(_LIVE) or text.lstrip("'").startswith(_LIVE)


def plain(text: str) -> str:
    """The cell for a text."""
    return f"'{text}" if _guarded(text) else text


def meant(cell: str) -> str:
    """The text of a cell, as it was before `plain`."""
    return cell[1:] if cell.startswith("'") and _guarded(cell[1:]) else cell
