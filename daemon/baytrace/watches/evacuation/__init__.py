"""The evacuation watch: pull-down, deep vacuum, isolation, hold, and what the hold says."""

from baytrace.watches.evacuation.watch import Evacuation

WATCH = Evacuation

__all__ = ["WATCH", "Evacuation"]
