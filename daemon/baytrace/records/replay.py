"""A recorded trace through any watches, as `judge` does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from baytrace.measure.verdict import Verdict
from baytrace.records.trace_csv import Trace
from baytrace.watches.follow import Follower


def replay(plan: Mapping[str, Mapping[str, Any]], trace: Trace) -> list[Verdict]:
    """One verdict a watch (`{watch: settings}`) over the whole trace, in the order asked. Raises BadInput."""
    followers = [Follower(name, settings, trace.channels) for name, settings in plan.items()]
    for item in trace.items:
        for follower in followers:
            follower.item(item)
    return [follower.verdict() for follower in followers]
