"""RFC 3339 instants as UTC nanoseconds since 1970, exactly and both ways."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone

from baytrace.measure.faults import BadInput

NS = 1_000_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FURTHEST_S = 2**63 // NS - 1
"""Nanoseconds are kept in 64 bits."""
_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d{1,9})\d*)?(?:([Zz])|([+-])(\d\d):(\d\d))",
    re.ASCII,
)


def parse_instant(text: str) -> int:
    """UTC ns of an RFC 3339 instant. Raises BadInput; an instant without an offset is refused, not guessed."""
    found = _RFC3339.fullmatch(text.strip())
    if found is None:
        raise BadInput(f"{text!r} is no RFC 3339 instant", right="write it as 2026-11-25T09:30:00.5Z")
    year, month, day, hour, minute, second, fraction, _, sign, off_h, off_m = found.groups()
    offset = timedelta(hours=int(off_h or 0), minutes=int(off_m or 0)) * (-1 if sign == "-" else 1)
    leap = second == "60"
    try:
        stamp = datetime(
            int(year),
            int(month),
            int(day),
            int(hour),
            int(minute),
            59 if leap else int(second),
            tzinfo=timezone(offset),
        )
        whole = (stamp - _EPOCH) // timedelta(seconds=1) + (1 if leap else 0)
    except ValueError as error:
        raise BadInput(f"{text!r} is no instant of the calendar ({error})") from None
    if abs(whole) > _FURTHEST_S:
        raise BadInput(f"{text!r} is out of reach", right="an instant of the years 1678 to 2261")
    return whole * NS + int((fraction or "0").ljust(9, "0"))


def format_instant(ns: int, digits: int = 9) -> str:
    """RFC 3339 in UTC with `digits` decimals; 0 leaves the fraction out."""
    whole, rest = divmod(ns, NS)
    text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=whole)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{rest:09d}"[: len(text) + 1 + digits] + "Z" if digits else text + "Z"


def utc_day(ns: int) -> date:
    """The day of the calendar, in UTC, on which an instant falls."""
    return datetime.fromtimestamp(ns // NS, UTC).date()
