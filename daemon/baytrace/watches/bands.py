"""The limits a channel is judged by, as bands that can be drawn beside its value.

A band is JSON: `name`, `kind` ("limit", "target" that is still to be reached, or "expected"), `low` and `high` in SI (None
where open), and the `channel` or the `role` it is for. Any watch may show
the bands it judges by in `Status.details["bands"]`; the rules a user wrote are turned into bands here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from baytrace.measure.roles import Role
from baytrace.measure.units import Against, Unit
from baytrace.watches.limit_engine import Follower

Band = dict[str, Any]


def band(role: Role | str, name: str, low: float | None, high: float | None, kind: str = "limit") -> Band:
    """`low` and `high` in SI, absolute."""
    return {"role": str(role), "name": name, "kind": kind, "low": low, "high": high}


def rule_bands(followers: Iterable[Follower], atmosphere_pa: float) -> list[Band]:
    """One band for each user-written rule that has a high or low limit; gauge limits counted from `atmosphere_pa`."""
    bands: list[Band] = []
    for follower in followers:
        rule, unit = follower.rule, follower.unit
        if rule.low is None and rule.high is None:
            continue
        low, high = _si(unit, rule.low, atmosphere_pa), _si(unit, rule.high, atmosphere_pa)
        if unit.scale < 0.0:
            low, high = high, low  # a vacuum unit counts the other way from SI
        named = {"channel": follower.channel.name, "name": rule.name or "limit", "kind": "limit"}
        bands.append(named | {"low": low, "high": high})
    return bands


def _si(unit: Unit, level: float | None, atmosphere_pa: float) -> float | None:
    if level is None:
        return None
    value = unit.to_si(level)
    return value + atmosphere_pa if unit.against in (Against.GAUGE, Against.VACUUM) else value


def bands_for(channel: str, role: str, bands: Iterable[Band]) -> list[Band]:
    """Those of `bands` that are for this channel."""
    return [each for each in bands if each.get("channel", channel) == channel and each.get("role", role) == role]
