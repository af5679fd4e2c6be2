"""How long an undecided hold has yet to go on, without looking ahead afresh for whoever asks.

A look ahead costs some fifteen times a fit. So the hold is set aside at set lengths, each a twentieth longer than the one before,
and looked ahead from there when first asked; until the next, that answer is told less the time since. Where the decision is so
near that the time since matters, and where the hold was decided then and is not now, the look is made afresh. What is told
follows from the readings alone, never from who asked when.
"""

from __future__ import annotations

from collections.abc import Callable

from baytrace.physics.outlook import Outlook
from baytrace.watches.evacuation.assess import Assessment
from baytrace.watches.evacuation.decision import Cause
from baytrace.watches.evacuation.hold import Hold

Weigh = Callable[[Hold, float], Assessment]
"""Looks ahead; the second argument is the gauge's resolution in Pa."""
_FIRST_S, _NEXT = 10.0, 1.05
_NEAR = 4.0
"""A decision is near when it was foretold within so many times the time since."""


class Foresight:
    """Of one hold."""

    def __init__(self) -> None:
        self._next_s = _FIRST_S
        self._aside: tuple[Hold, float] | None = None
        self._then: Assessment | None = None

    def look(self, hold: Hold, resolution: float) -> None:
        """Called as the hold goes on."""
        if hold.seconds >= self._next_s:
            self._next_s = hold.seconds * _NEXT
            self._aside, self._then = (hold.copy(), resolution), None

    def more(self, hold: Hold, resolution: float, weigh: Weigh) -> Outlook | None:
        """Of `hold` as it is now, which is undecided; None when even a day would not do."""
        if self._aside is not None:
            if self._then is None:
                self._then = weigh(*self._aside)
            then = self._then
            since_s = hold.seconds - then.seconds
            if then.cause is Cause.UNDECIDED and then.fit is not None:
                if then.more is None:
                    return None
                if then.more.middle_s >= _NEAR * since_s:
                    return _less(then.more, since_s)
        return weigh(hold, resolution).more


def _less(more: Outlook, since_s: float) -> Outlook:
    return Outlook(more.middle_s - since_s, max(more.low_s - since_s, 0.0), more.high_s - since_s, more.sure)
