"""Which MQTT messages were taken already, and which wait for the journal. Pure.

A message is delivered again when its acknowledgement did not reach the broker. What makes two deliveries one message:
- a payload in which every reading carries the publisher's own time: topic and payload, whoever delivers it how often;
- any other payload: topic, payload and packet identifier, and only when the broker marks the delivery as repeated (DUP).
  Two equal plain numbers in a row are two readings.

Packet identifiers run from 1 to 65535, come again after that, and start over when the broker begins a new session. A repeated
delivery must therefore never meet the key of an older message under its identifier:
- a delivery that is not repeated makes what was stored under its identifier void (`fresh`);
- a new session makes all of it void (`forget`), also what is still on its way to the journal;
- what is remembered over a restart reaches `MOST_REMEMBERED` messages back, and no more than that are on their way at once
  (`receive_maximum`): together fewer than the identifiers, so each repeated delivery is recognised and none wrongly.
Limit: a broker that crashes and comes back with an older state of the same session counts on from there without a word; should
the bench die, too, before it stored what then came, an equal plain number may be taken for its older namesake. Messages with
their own time are safe from that.
"""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import blake2b
from typing import Generic, TypeVar

MOST_REMEMBERED = 32_000
T = TypeVar("T")
NOTHING = bytes(10)
"""Stands for a message that took an identifier and left nothing to be remembered."""


def key_of(topic: str, payload: bytes, packet: int | None) -> bytes:
    """10 bytes that stand for a message: its packet identifier (0 for a payload with its own times) and a digest."""
    digest = blake2b(payload, digest_size=8)
    digest.update(b"\0" + topic.encode())
    return (packet or 0).to_bytes(2, "big") + digest.digest()


def packet_of(key: bytes) -> int:
    """0 for a payload with its own times."""
    return int.from_bytes(key[:2], "big")


class Ledger(Generic[T]):
    """`T` is what acknowledges a delivery."""

    def __init__(self, remembered: Iterable[bytes] = ()) -> None:
        self.session = 0
        """Counts what `forget` was told."""
        self._timed: dict[bytes, None] = {}
        self._by_packet: dict[int, bytes] = {}
        self._pending: dict[bytes, list[T]] = {}
        for key in remembered:
            self._remember(key)

    def fresh(self, packet: int) -> None:
        """A delivery that is not repeated uses this identifier."""
        self._by_packet.pop(packet, None)

    def known(self, key: bytes) -> bool:
        packet = packet_of(key)
        return key in self._pending or (self._by_packet.get(packet) == key if packet else key in self._timed)

    def taken(self, key: bytes, delivery: T) -> None:
        """The message is on its way to the journal."""
        self._pending.setdefault(key, []).append(delivery)

    def repeated(self, key: bytes, delivery: T) -> list[T]:
        """A known message came again: what can be acknowledged now (nothing while it is not yet durable)."""
        if key in self._pending:
            self._pending[key].append(delivery)
            return []
        return [delivery]

    def stored(self, key: bytes, session: int) -> list[T]:
        """The message taken in that session is durable: every delivery of it that can now be acknowledged."""
        if packet_of(key) and session != self.session:
            return []
        self._remember(key)
        return self._pending.pop(key, [])

    def forget(self) -> None:
        """The broker began a new session: packet identifiers start over."""
        self.session += 1
        self._by_packet.clear()
        self._pending = {key: some for key, some in self._pending.items() if not packet_of(key)}

    def _remember(self, key: bytes) -> None:
        if key == NOTHING:
            return
        if packet := packet_of(key):
            self._by_packet[packet] = key
            return
        self._timed.pop(key, None)
        self._timed[key] = None
        while len(self._timed) > MOST_REMEMBERED:
            del self._timed[next(iter(self._timed))]
