"""How long to wait before the next try of what failed."""

from __future__ import annotations

_BACKOFF_S = (1.0, 2.0, 5.0, 10.0, 30.0)


def rest_s(attempt: int) -> float:
    """Seconds after so many tries in vain before this one: short at first, half a minute in the end."""
    return _BACKOFF_S[min(attempt, len(_BACKOFF_S) - 1)]
