"""The tank scale as the charge watch follows it: what is kept of its record, and the mass that went in so far.

Rules of this file:
- A charge that is over (its end was marked, or its flow stopped, a good while ago) is weighed once for all; then its readings are
  let go. What went in later is added to it.
- Before a charge, only the last readings are kept: its quiet stretch needs no more.
- While one goes on and on, every second reading is let go whenever there are too many.
- When this happens depends on the readings and marks alone, so a replay says the same.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import replace

import numpy as np

from baytrace.watches.charge.mass import QUIET_S, Charged, MassRules, charged, together
from baytrace.watches.charge.scale_record import resolution_of
from baytrace.watches.watch import View

MOST = 4096  # readings kept one by one
_RECENT = 64  # readings show the display's step
_BEFORE_S = 2.0 * QUIET_S  # of the record are kept before a charge
_AFTER_S = 3.0 * QUIET_S  # beyond the end nothing of a charge is left to see
_LATER_S = 20.0  # a flow after the end lasts at least so long; a hose taken off is over sooner
_SILENT_S = 10.0  # a shorter silence at the end of the record changes nothing


class Tank:
    """One scale's record, kg against seconds from the start of the trace, between the marks of a charge."""

    def __init__(self, view: View, rules: MassRules) -> None:
        self.start: float | None = None
        self.end: float | None = None
        self._view, self._rules = view, rules
        self._scale: str | None = None
        self._times, self._values = array("d"), array("d")
        self._weighed: list[Charged] = []
        self._every, self._skipped = 1, 0
        self._from: float | None = None
        self._ended = False
        self._past_end: list[Charged] = []
        self._unmarked = 0.0
        self._changes = 0
        self._cache: tuple[tuple[int, float], Charged | None] = (-1, 0.0), None

    @property
    def charging(self) -> bool:
        """Between the marks."""
        return self.start is not None and self.end is None

    @property
    def heard(self) -> bool:
        """Whether a scale has said anything."""
        return self._scale is not None

    @property
    def resolution_kg(self) -> float:
        """The display's last step as far as it was seen; 0 where it was not."""
        seen = np.array(self._values[-_RECENT:])
        return resolution_of(seen) if len(seen) >= 8 else 0.0

    def reading(self, scale: str, time_s: float, value: float) -> None:
        """Take a reading of a scale, kg; the first one heard counts. Of several with one stamp the last counts, and one older
        than the newest is left out.
        """
        self._scale = self._scale or scale
        if scale != self._scale or not math.isfinite(value) or (self._times and time_s < self._times[-1]):
            return
        self._changes += 1
        if self._times and time_s == self._times[-1]:
            self._values[-1] = value
            return
        self._skipped += 1
        if self._skipped < self._every:
            return
        self._skipped = 0
        self._times.append(time_s)
        self._values.append(value)
        if self.end is not None and not self._ended and time_s > self.end + _AFTER_S:
            self._conclude(self._found(time_s))
        elif len(self._times) > MOST:
            self._make_room()

    def started(self, time_s: float) -> None:
        """Charging begins (a mark): what went in between the marks before is added to, what went before any mark is not counted."""
        if self.charging:
            return  # said twice
        if self.start is None:
            self._weighed = []
        elif not self._ended and self._times:
            self._conclude(self._found(time_s))
        later = self._later()
        self._unmarked += sum(one.mass_kg for one in (*self._past_end, *([later] if later is not None else [])))
        self._ended, self._past_end = False, []
        self.start, self.end, self._from = time_s, None, time_s
        self._let_go(time_s - _BEFORE_S)
        self._changes += 1

    def stopped(self, time_s: float) -> None:
        """Charging is over (a mark)."""
        self._weighed, self._past_end = [*self._weighed, *self._past_end], []
        self.end, self._ended = time_s, False
        self._changes += 1

    def mass(self, now_s: float) -> Charged | None:
        """What went in so far; None when no charging was seen. `now_s` is how far the whole record goes."""
        if not self._times:
            return None
        quiet = now_s if now_s - self._times[-1] > _SILENT_S and not self._ended else self._times[-1]
        if self._cache[0] != (self._changes, quiet):
            found = None if self._ended else self._found(quiet)
            mass, later = together([*self._weighed, *([found] if found is not None else [])]), self._later()
            after = self._unmarked + sum(
                one.mass_kg for one in (*self._past_end, *([later] if later is not None else []))
            )
            mass = replace(mass, later_kg=after) if mass is not None and after > 0.0 else mass
            self._cache = (self._changes, quiet), mass
        return self._cache[1]

    def _later(self) -> Charged | None:
        """A flow in what is kept of the record after the marked end; None when there was none."""
        if self.end is None:
            return None
        first = int(np.searchsorted(np.array(self._times), self.end + _SILENT_S))
        times, values = np.array(self._times[first:]), np.array(self._values[first:])
        channel = self._view.channels.get(self._scale or "")
        found = charged(times, values, self._rules.without_hose(), channel, start=None, end=None)
        return found if found is not None and found.end_s - found.start_s >= _LATER_S else None

    def _found(self, now_s: float) -> Charged | None:
        """The mass in the record that is kept; the hose was filled by the first of several charges."""
        rules = self._rules if not self._weighed else self._rules.without_hose()
        times, values = np.array(self._times), np.array(self._values)
        channel = self._view.channels.get(self._scale or "")
        return charged(times, values, rules, channel, start=self._from, end=self.end, now_s=now_s)

    def _make_room(self) -> None:
        found = self._later() if self._ended else self._found(self._times[-1])
        if found is None and self._from is None:
            self._let_go(self._times[-MOST // 2])
        elif found is not None and not found.flowing and self._times[-1] - found.end_s > _AFTER_S:
            if self._ended:
                self._past_end.append(found)
                self._let_go(self._times[-1] - QUIET_S)
            else:
                self._conclude(found)
        else:
            self._every *= 2
            self._times, self._values = self._times[::2], self._values[::2]

    def _conclude(self, found: Charged | None) -> None:
        if found is not None:
            self._weighed.append(found)
            self._weighed = [one for one in (together(self._weighed),) if one is not None]
        self._from, self._ended = None, self.end is not None
        self._let_go(self._times[-1] - QUIET_S)

    def _let_go(self, before_s: float) -> None:
        """Forget the readings before an instant; what comes is kept one by one again."""
        first = int(np.searchsorted(np.array(self._times), before_s))
        self._times, self._values = self._times[first:], self._values[first:]
        self._every, self._skipped = 1, 0
