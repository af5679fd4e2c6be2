"""Sentences about a running loop, for people."""

from __future__ import annotations

import math
from typing import Any

from baytrace.measure.roles import FACTS, Quantity
from baytrace.watches.running.follow import ChannelState, Running

ATMOSPHERE_UNKNOWN = (
    "Neither barometer nor elevation is known: gauge pressures were taken at sea level, and may lie lower by what the air presses "
    "less at up to 3000 m. Enter the site's elevation (elevation_m) or read a barometer."
)
REFRIGERANT_UNKNOWN = "No refrigerant is set, so every figure that depends on it spans R134a and R1234yf: enter what is in the loop (refrigerant)."


def span(seconds: float) -> str:
    """`40 s`, `3 min`, `1 h 05 min`."""
    if seconds < 90.0:
        return f"{max(seconds, 0.0):.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def not_settled(channel: ChannelState) -> str:
    """What keeps one channel from being settled."""
    label = FACTS[channel.role].label.lower()
    if channel.stale:
        return f"{label}: no reading for {span(channel.silent_s)}"
    settling = channel.settling
    wait = f", about {span(settling.expected_s)} more" if settling.expected_s is not None else ""
    if not math.isfinite(settling.remaining_bound):
        return f"{label}: not watched for long enough{wait}"
    pressure = FACTS[channel.role].quantity is Quantity.PRESSURE
    amount = f"{settling.remaining_bound / 1e3:.0f} kPa" if pressure else f"{settling.remaining_bound:.1f} K"
    return f"{label} still moving, up to {amount} to come{wait}"


def settled_sentence(running: Running) -> str:
    at = running.settled_at_s or 0.0
    text = f"settled {span(at - running.stretch.start_s)} after the start of running ({span(at)} into the trace)"
    if running.cycles is not None:
        text += f", in the mean of cycles of {running.cycles.period_s:.0f} s"
        if math.isfinite(running.cycles.duty):
            text += f" with {100 * running.cycles.duty:.0f} % duty"
    return text


def channel_details(running: Running) -> list[dict[str, Any]]:
    """JSON for the page, one entry a needed channel; SI values."""
    entries = []
    for role, channel in running.channels.items():
        settling = channel.settling
        entry: dict[str, Any] = {
            "role": str(role),
            "label": FACTS[role].label,
            "settled": channel.settled,
            "mean": settling.mean,
            "said": "settled" if channel.settled else not_settled(channel),
        }
        if math.isfinite(settling.remaining_bound):
            entry["still_to_come"] = settling.remaining_bound
        if settling.since_s is not None:
            entry["since_s"] = settling.since_s
        if settling.expected_s is not None:
            entry["expected_s"] = settling.expected_s
        entries.append(entry)
    return entries
