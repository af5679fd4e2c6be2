"""JSON from a pack, read with suspicion: no depth, weight or number that costs more than its bytes say, no name twice, no NaN."""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn

from baytrace.records.limits import MOST_DEPTH, weight


def read_json(text: bytes, most_weight: int) -> Any:
    """What the text says. Raises ValueError for what no pack holds."""
    if weight(text) > most_weight:
        raise ValueError("it says more than a pack may")
    try:
        document = json.loads(text, object_pairs_hook=_once, parse_constant=_no_number, parse_float=_finite)
    except RecursionError:
        raise ValueError("lists within lists without end") from None
    if text.count(b"[") + text.count(b"{") > MOST_DEPTH:
        check_depth(document)
    return document


def check_depth(document: Any) -> None:
    """Raises ValueError beyond `MOST_DEPTH`."""
    level, depth = [document], 0
    while level:
        if depth > MOST_DEPTH:
            raise ValueError(f"more than {MOST_DEPTH} lists or objects within each other")
        depth += 1
        inner: list[Any] = []
        for each in level:
            if isinstance(each, dict):
                inner.extend(value for value in each.values() if isinstance(value, (dict, list)))
            elif isinstance(each, list):
                inner.extend(value for value in each if isinstance(value, (dict, list)))
        level = inner


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name comes twice")
    return found


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]} is too large a number")
    return value
