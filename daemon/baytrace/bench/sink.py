"""One instrument's way into the bench: counts what goes wrong and turns changes of its wire into events."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from baytrace.adapter import LinkState
from baytrace.bench.delivered import is_lasting
from baytrace.measure.clock import Clock
from baytrace.measure.reading import Raw
from baytrace.records.vocabulary import Kind

MOST_FRAME = 4096
"""Bytes of a rejected frame that are kept."""
REJECTS_KEPT_A_SECOND = 5.0
"""Beyond this rate rejected frames are counted, not kept: a babbling wire must not fill the disk. Nor the memory: none is kept
while the journal cannot store."""


class Recorder(Protocol):
    """What a sink needs of the bench."""

    clock: Clock

    async def take(
        self, instrument: str, samples: Sequence[Raw], committed: Callable[[], None] | None, keys: Sequence[bytes]
    ) -> None: ...
    def remembered(self, instrument: str) -> Sequence[bytes]: ...
    async def forget(self, instrument: str) -> None: ...
    def record(self, kind: str, data: Mapping[str, Any], committed: Callable[[], None] | None = None) -> None: ...
    @property
    def holding(self) -> bool:
        """Whether what is recorded waits in memory, for a disk that refuses it."""
        ...

    def changed(self) -> None: ...


class InstrumentSink:
    """The `Sink` an adapter is given."""

    def __init__(self, instrument: str, adapter: str, recorder: Recorder) -> None:
        self.instrument, self.adapter = instrument, adapter
        self._recorder = recorder
        self.clock: Clock = recorder.clock
        self.state = LinkState.OPENING
        self.detail = ""
        self.facts: dict[str, str] = {}
        self.counts: Counter[str] = Counter()
        self._reported: Counter[str] = Counter()
        self._reject_credit = REJECTS_KEPT_A_SECOND
        self._reject_at = recorder.clock.mono_ns()
        self._keys: list[bytes] = []

    async def samples(self, samples: Sequence[Raw], committed: Callable[[], None] | None = None) -> None:
        self.counts["readings"] += len(samples)
        keys, self._keys = self._keys, []
        await self._recorder.take(self.instrument, samples, committed, keys)

    def remember(self, keys: Sequence[bytes]) -> None:
        """Keep these keys of messages durable together with the next batch of samples."""
        self._keys.extend(keys)

    def remembered(self) -> Sequence[bytes]:
        """Keys kept last, by this run or an earlier one; oldest first."""
        return self._recorder.remembered(self.instrument)

    async def forget(self) -> None:
        """Keys of packet identifiers are void: the broker began a new session. Returns once that is durable."""
        self._keys = [key for key in self._keys if is_lasting(key)]
        await self._recorder.forget(self.instrument)

    async def reject(self, frame: bytes, why: str, committed: Callable[[], None] | None = None) -> None:
        self.counts["rejected"] += 1
        if not self._keep_reject():
            self.counts["rejected unkept"] += 1
            if committed is not None:
                committed()
            return
        kept = base64.b64encode(frame[:MOST_FRAME]).decode("ascii")
        data = {"instrument": self.instrument, "why": why, "frame": kept, "size": len(frame)}
        self._recorder.record(Kind.REJECTED, data, committed)

    def _keep_reject(self) -> bool:
        now = self.clock.mono_ns()
        self._reject_credit = min(20.0, self._reject_credit + (now - self._reject_at) / 1e9 * REJECTS_KEPT_A_SECOND)
        self._reject_at = now
        if self._reject_credit < 1.0 or self._recorder.holding:
            return False
        self._reject_credit -= 1.0
        return True

    def count(self, what: str, times: int = 1) -> None:
        self.counts[what] += times

    def report_counts(self) -> None:
        """Journal what was counted since the last report (readings and rejects have their own records)."""
        for what, total in self.counts.items():
            new = total - self._reported[what]
            if new and what not in ("readings", "rejected"):
                self._recorder.record(Kind.COUNTED, {"instrument": self.instrument, "what": what, "times": new})
        self._reported = Counter(self.counts)

    def link(self, state: LinkState, detail: str = "") -> None:
        if (state, detail) == (self.state, self.detail):
            return
        changed, self.state, self.detail = state != self.state, state, detail
        if changed:
            self._recorder.record(
                Kind.INSTRUMENT, {"instrument": self.instrument, "state": str(state), "detail": detail}
            )
        self._recorder.changed()

    def identity(self, facts: Mapping[str, str]) -> None:
        if all(self.facts.get(name) == value for name, value in facts.items()):
            return
        self.facts.update(facts)
        self._recorder.record(Kind.IDENTITY, {"instrument": self.instrument, "facts": dict(self.facts)})

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.instrument,
            "adapter": self.adapter,
            "state": str(self.state),
            "detail": self.detail,
            "facts": dict(self.facts),
            "counts": dict(self.counts),
        }
