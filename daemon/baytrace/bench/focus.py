"""Which part of the job the bench is busy with, from what its watches say; the page shows that one large.

Rules of this file:
- A watch is *before* its work (it waits and has got nowhere), *at* it, or *after* it (all done, waiting for nothing).
- Of those at work, the one that took a step last has the focus; on the same step, the one named first in the plan.
- One that was only touched for a moment (a coil between two contacts) keeps the focus for `LINGER_S`, then what else is at
  work has it again: a hold must not be out of sight because somebody lifted a probe.
- When none is at work, the one that was last keeps the focus with its result; `next` names what waits to begin.
- A watch that waits for nothing and shows no progress (a session's own limits) is never at work: its alarms call by themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from baytrace.bench.session import JOB_WATCHES

LINGER_S = 90.0
BEFORE, AT, AFTER, ASIDE = "before", "at work", "after", "aside"


def job_order(watch: str) -> tuple[int, str]:
    """Sorts the job's usual watches first, in the order of the job, then the others by name."""
    return (JOB_WATCHES.index(watch) if watch in JOB_WATCHES else len(JOB_WATCHES)), watch


def stage(status: Mapping[str, Any]) -> str:
    """Where a watch stands with its work."""
    progress, waiting = status.get("progress"), status.get("waiting_for") or ""
    if progress is not None and progress >= 1.0 and not waiting:
        return AFTER
    if status.get("phase") == "waiting" and not progress:
        return BEFORE
    if progress is None and not waiting and status.get("time_left_s") is None and not status.get("caution"):
        return ASIDE
    return AT


def _lingers(status: Mapping[str, Any]) -> bool:
    """Between two contacts: it waits to be touched again, and nothing runs by itself meanwhile."""
    return status.get("phase") == "waiting"


class Focus:
    """Keeps the order in which the watches took their steps. `time_ns` is any time that only goes forward."""

    def __init__(self) -> None:
        self._steps: dict[str, tuple[str, str]] = {}
        self._moved_ns: dict[str, int] = {}
        self._last = ""

    def of(self, statuses: Sequence[Mapping[str, Any]], time_ns: int) -> dict[str, Any]:
        """`{"watch", "why": "at work" | "last" | "first", "next"}`; an empty dict without watches."""
        if not statuses:
            self._steps, self._moved_ns, self._last = {}, {}, ""
            return {}
        stages = {status["watch"]: stage(status) for status in statuses}
        for status in statuses:
            name, step = status["watch"], (stages[status["watch"]], str(status.get("phase")))
            if self._steps.get(name) != step:
                self._steps[name] = step
                self._moved_ns[name] = time_ns
        busy = [status for status in statuses if stages[status["watch"]] == AT]
        steady = [status for status in busy if not _lingers(status) or self._recent(status["watch"], time_ns)]
        waiting = next((name for name, at in stages.items() if at == BEFORE), "")
        if busy:
            chosen = max(steady or busy, key=lambda status: self._moved_ns[status["watch"]])
            self._last = chosen["watch"]
            return {"watch": self._last, "why": "at work", "next": waiting}
        if self._last in stages:
            return {"watch": self._last, "why": "last", "next": waiting}
        over = [name for name, at in stages.items() if at == AFTER]
        if over:
            return {"watch": over[-1], "why": "last", "next": waiting}
        return {"watch": waiting or statuses[0]["watch"], "why": "first", "next": ""}

    def _recent(self, name: str, time_ns: int) -> bool:
        return time_ns - self._moved_ns[name] < LINGER_S * 1e9
