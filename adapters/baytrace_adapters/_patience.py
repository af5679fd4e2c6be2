"""How long to wait, on a bench clock that may run faster than the machine's."""

from __future__ import annotations

import random

from baytrace.measure.clock import Clock

_LEAST_REAL_S = 0.5


def real_timeout(clock: Clock, seconds: float) -> float:
    """Real seconds to wait for an answer that may take `seconds` of bench time.

    A real wire does not answer faster because the bench clock does, so a fast clock never shortens a wait below
    half a real second (or below `seconds`, where that is less).
    """
    return max(clock.real_seconds(seconds), min(seconds, _LEAST_REAL_S))


class Backoff:
    """Growing waits between attempts (s), with jitter so that many clients do not return at the same instant."""

    def __init__(self, first_s: float, most_s: float) -> None:
        self._first_s, self._most_s = first_s, most_s
        self._next_s = first_s

    def next_s(self) -> float:
        wait, self._next_s = self._next_s, min(self._next_s * 2.0, self._most_s)
        return wait * random.uniform(0.8, 1.2)  # noqa: S311 - jitter, no secret

    def reset(self) -> None:
        self._next_s = self._first_s
