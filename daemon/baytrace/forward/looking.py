"""What a VictoriaMetrics server says of itself in `/metrics` that would cost readings. Pure.

Such a server answers 204 to rows outside its retention and to rows it cannot read, and drops them; only its counters tell.
"""

from __future__ import annotations

import re

_FLAG = re.compile(r'^flag\{name="([^"]+)", ?value="([^"]*)"', re.MULTILINE)
_RUN = re.compile(r"^vm_app_start_timestamp (\S+)$", re.MULTILINE)
_DROPPED = re.compile(r"^(vm_rows_ignored_total|vm_rows_invalid_total)(\{[^}]*\})? (\S+)$", re.MULTILINE)
_DAYS = {"h": 1 / 24, "d": 1.0, "w": 7.0, "y": 365.0, "": 31.0}
"""A retention without a letter is in months of 31 days."""
_NS_A_DAY = 86_400_000_000_000


def run_of(metrics: str) -> str:
    """What identifies this run of the server; '' for a server of another kind."""
    found = _RUN.search(metrics)
    return found[1] if found else ""


def retention_days(metrics: str) -> float | None:
    value = dict(_FLAG.findall(metrics)).get("retentionPeriod", "")
    found = re.fullmatch(r"([0-9.]+)([hdwy]?)", value)
    return float(found[1]) * _DAYS[found[2]] if found else None


def dropped(metrics: str) -> dict[str, int]:
    """Rows the server took and dropped since its start, by the counter's name and labels."""
    return {f"{name}{labels}": int(float(count)) for name, labels, count in _DROPPED.findall(metrics) if float(count)}


def warnings(metrics: str, oldest_ns: int | None, now_ns: int) -> list[str]:
    """What a person should mend, one sentence each; `oldest_ns` is the time of the oldest thing yet to be sent."""
    if not run_of(metrics):
        return []
    found = []
    flags = dict(_FLAG.findall(metrics))
    if flags.get("dedup.minScrapeInterval", "0s") in ("", "0s"):
        found.append("the server keeps what is sent twice twice; start it with -dedup.minScrapeInterval=1ms")
    days = retention_days(metrics)
    if days is not None and oldest_ns is not None and now_ns - oldest_ns > days * _NS_A_DAY:
        age = (now_ns - oldest_ns) / _NS_A_DAY
        found.append(
            f"the server keeps {days:.0f} days and the oldest readings to send are {age:.0f} days old; it would drop "
            "them: raise -retentionPeriod"
        )
    return found


def growth(before: dict[str, int], after: dict[str, int]) -> list[str]:
    """Counters of dropped rows that grew."""
    return [
        f"the server dropped {count - before.get(name, 0)} rows ({name})"
        for name, count in sorted(after.items())
        if count > before.get(name, 0)
    ]
