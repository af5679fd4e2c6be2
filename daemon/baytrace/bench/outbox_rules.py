"""When a letter is tried, and what becomes of it: the state of one target. Pure; the caller tells monotonic seconds and chance.

Rules of this file:
- Letters go in the order they were written. A target that does not take one is left alone for a while: 1 s, 2 s, 4 s, ... up
  to the longest, spread by a quarter either way, and never sooner than the target asked for (`Retry-After`).
- Silence is never the letter's fault: unreachable targets are tried for ever, and no letter is given up for them.
- A letter the target calls unfit is dead at once.
- A letter answered with "not now" five times in a row steps aside, so that it holds up nobody. If a later one is then taken
  and this one is refused again, the fault is its own: it is dead. If none is taken, the fault is the target's: it waits on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

FIRST_S = 1.0
LONGEST_ASKED_S = 3_600.0
"""A target that asks for more than this is tried sooner: a wrong header must not silence alarms for a day."""
PATIENCE = 5
_SPREAD = 0.25


class Letter(NamedTuple):
    """`key` is the same in every attempt, so that a receiver can drop what comes twice."""

    key: str
    body: bytes
    kind: str


class Outcome(StrEnum):
    TAKEN = "taken"
    UNFIT = "unfit"
    """Refused for what it says: trying again cannot help."""
    BUSY = "busy"
    """Answered, but not taken now."""
    AWAY = "away"
    """No answer."""


class Answer(NamedTuple):
    """What came of an attempt. `retry_after_s` as the target asked, 0 when it asked nothing."""

    outcome: Outcome
    detail: str = ""
    retry_after_s: float = 0.0


class Fate(StrEnum):
    DELIVERED = "delivered"
    WAITING = "waiting"
    DEAD = "dead"


@dataclass
class _Strikes:
    count: int = 0
    others_passed: bool = False

    @property
    def aside(self) -> bool:
        return self.count >= PATIENCE


class DeliveryRules:
    """One target's state. `longest_s` bounds the back-off."""

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._strikes: dict[str, _Strikes] = {}
        self._not_before_s = 0.0
        self.failures = 0
        """Attempts in a row that were not taken."""
        self.failing_since_s: float | None = None

    def wait_s(self, now_s: float) -> float:
        """How long the target is to be left alone yet."""
        return max(0.0, self._not_before_s - now_s)

    def reopen(self) -> None:
        """The way is open again (a connection came up): try at once."""
        self._not_before_s = 0.0

    def choose(self, waiting: Sequence[Letter], most: int) -> list[Letter]:
        """What is to be tried next, in order; one alone while the target is in doubt."""
        fit = [letter for letter in waiting if not self._aside(letter)]
        return (fit or list(waiting))[: most if not self.failures else 1]

    def after(self, letter: Letter, answer: Answer, now_s: float, chance: float) -> Fate:
        """Take an attempt's answer; `chance` in [0, 1)."""
        match answer.outcome:
            case Outcome.TAKEN:
                self._strikes.pop(letter.key, None)
                for strikes in self._strikes.values():
                    strikes.others_passed = strikes.others_passed or strikes.aside
                self._well()
                return Fate.DELIVERED
            case Outcome.UNFIT:
                self._strikes.pop(letter.key, None)
                self._well()
                return Fate.DEAD
            case Outcome.BUSY:
                strikes = self._strikes.setdefault(letter.key, _Strikes())
                strikes.count += 1
                if strikes.others_passed:
                    del self._strikes[letter.key]
                    return Fate.DEAD
        self._leave_alone(answer.retry_after_s, now_s, chance)
        return Fate.WAITING

    def forget(self, key: str) -> None:
        """The letter is gone for another reason."""
        self._strikes.pop(key, None)

    def _aside(self, letter: Letter) -> bool:
        strikes = self._strikes.get(letter.key)
        return strikes is not None and strikes.aside

    def _well(self) -> None:
        self.failures, self.failing_since_s, self._not_before_s = 0, None, 0.0

    def _leave_alone(self, asked_s: float, now_s: float, chance: float) -> None:
        if self.failing_since_s is None:
            self.failing_since_s = now_s
        own_s = min(self._longest_s, FIRST_S * 2.0 ** min(self.failures, 30)) * (1.0 + _SPREAD * (2.0 * chance - 1.0))
        self.failures += 1
        self._not_before_s = now_s + max(own_s, min(asked_s, LONGEST_ASKED_S))
