"""Carries one target's letters: asks the rules what to try and when, tries it, and tells the outbox what came of it."""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections.abc import Awaitable, Callable
from typing import Any

from baytrace.bench.outbox import Outbox, Recorder
from baytrace.bench.outbox_rules import Answer, DeliveryRules, Fate, Letter, Outcome

log = logging.getLogger(__name__)

TROUBLE_S = 60.0
"""A target that took nothing for so long, with letters waiting, is an alarm (common practice, no source)."""


class Courier:
    """`send` tries one letter and never raises but CancelledError; up to `window` are tried side by side, started in order."""

    def __init__(
        self,
        target: str,
        outbox: Outbox,
        recorder: Recorder,
        send: Callable[[Letter], Awaitable[Answer]],
        *,
        window: int = 1,
        longest_s: float = 300.0,
    ) -> None:
        self.target, self._outbox, self._recorder, self._send, self._window = target, outbox, recorder, send, window
        self._box = outbox.boxes[target]
        self._rules = DeliveryRules(longest_s)
        self._hurry = asyncio.Event()
        self.attempts = 0
        self.last_error = ""

    def reopened(self) -> None:
        """The way to the target is open again."""
        self._rules.reopen()
        self._hurry.set()

    async def run(self) -> None:
        """Carry until cancelled."""
        while True:
            if not self._box.waiting:
                self._box.arrived.clear()
                await self._box.arrived.wait()
            await self._rest()
            letters = self._rules.choose(tuple(self._box.waiting.values()), self._window)
            answers = await asyncio.gather(*(self._send(letter) for letter in letters))
            await self._settle(letters, answers)

    async def _rest(self) -> None:
        while (wait := self._rules.wait_s(time.monotonic())) > 0.0:
            self._hurry.clear()
            try:
                async with asyncio.timeout(wait):
                    await self._hurry.wait()
            except TimeoutError:
                return

    async def _settle(self, letters: list[Letter], answers: list[Answer]) -> None:
        now, taken = time.monotonic(), []
        for letter, answer in zip(letters, answers, strict=True):
            self.attempts += 1
            fate = self._rules.after(letter, answer, now, random.random())  # noqa: S311 - spreads attempts
            if fate is Fate.DELIVERED:
                taken.append(letter)
            elif fate is Fate.DEAD:
                await self._outbox.dead(self.target, letter, answer.detail, self._recorder)
            else:
                await self._outbox.failed(self.target, letter, answer.detail)
            if answer.outcome is not Outcome.TAKEN:
                if answer.detail != self.last_error:
                    log.warning("%s: %s", self.target, answer.detail)
                self.last_error = answer.detail
        if taken:
            if self._rules.failures == 0:
                self.last_error = ""
            await self._outbox.delivered(self.target, taken)

    @property
    def troubled(self) -> bool:
        """Whether people should look: nothing taken for a while, or dead letters nobody dealt with."""
        since = self._rules.failing_since_s
        late = bool(self._box.waiting) and since is not None and time.monotonic() - since >= TROUBLE_S
        return late or bool(self._box.dead)

    def to_json(self) -> dict[str, Any]:
        return {
            "target": self.target,
            "state": "failing" if self._rules.failures else "waiting" if self._box.waiting else "idle",
            "waiting": len(self._box.waiting),
            "dead": len(self._box.dead),
            "delivered": self._box.delivered,
            "attempts": self.attempts,
            "next_try_s": round(self._rules.wait_s(time.monotonic()), 1),
            "last_error": self.last_error,
        }
