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
"""The second argument is the gauge's resolution in Pa."""
Ahead = Callable[[Assessment], Outlook | None]
"""A look ahead from a hold as weighed; None for one that is decided, or that even a day would not decide."""
_FIRST_S, _NEXT = 10.0, 1.05
_NEAR = 4.0
"""A decision is near when it was foretold within so many times the time since."""


class Foresight:
    """Of one hold."""

    def __init__(self, ahead: Ahead, weigh: Weigh) -> None:
        self._ahead, self._weigh = ahead, weigh
        self._next_s = _FIRST_S
        self._aside: tuple[Hold, float] | None = None
        self._then: tuple[Assessment, Outlook | None] | None = None

    def look(self, hold: Hold, resolution: float) -> None:
        """Called as the hold goes on."""
        if hold.seconds >= self._next_s:
            self._next_s = hold.seconds * _NEXT
            self._aside, self._then = (hold.copy(), resolution), None

    def more(self, now: Assessment) -> Outlook | None:
        """Of the hold weighed as it is `now`; None when that is decided, or even a day would not do."""
        if self._aside is not None and now.cause is Cause.UNDECIDED and now.fit is not None:
            if self._then is None:
                aside = self._weigh(*self._aside)
                self._then = aside, self._ahead(aside)
            then, more = self._then
            since_s = now.seconds - then.seconds
            if then.cause is Cause.UNDECIDED and then.fit is not None:
                if more is None:
                    return None
                if more.middle_s >= _NEAR * since_s:
                    return _less(more, since_s)
        return self._ahead(now)


def _less(more: Outlook, since_s: float) -> Outlook:
    return Outlook(more.middle_s - since_s, max(more.low_s - since_s, 0.0), more.high_s - since_s, more.sure)
