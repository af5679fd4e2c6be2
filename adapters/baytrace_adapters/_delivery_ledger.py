"""Which MQTT messages were taken already, and which wait for the journal. Pure.

A message is delivered again when its acknowledgement did not reach the broker. What makes two deliveries one message:
- a payload in which every reading carries the publisher's own time: topic and payload;
- any other payload: topic, payload and packet identifier, and only when the broker marks the delivery as repeated (DUP).
  Two equal plain numbers in a row are two readings.
Packet identifiers run from 1 to 65535 and come again after that, so fewer than 65535 keys are remembered.
"""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import blake2b
from typing import Generic, TypeVar

MOST_REMEMBERED = 60_000
T = TypeVar("T")


def key_of(topic: str, payload: bytes, packet: int | None) -> bytes:
    """8 bytes that stand for a message; `packet` is None for a payload with its own times."""
    digest = blake2b(payload, digest_size=8)
    digest.update(b"\0" + topic.encode() + (b"" if packet is None else b"\0" + packet.to_bytes(2, "big")))
    return digest.digest()


class Ledger(Generic[T]):
    """`T` is what acknowledges a delivery."""

    def __init__(self, remembered: Iterable[bytes] = ()) -> None:
        self._stored: dict[bytes, None] = dict.fromkeys(remembered)
        self._pending: dict[bytes, list[T]] = {}

    def known(self, key: bytes) -> bool:
        return key in self._pending or key in self._stored

    def taken(self, key: bytes, delivery: T) -> None:
        """The message is on its way to the journal."""
        self._pending.setdefault(key, []).append(delivery)

    def repeated(self, key: bytes, delivery: T) -> list[T]:
        """A known message came again: what can be acknowledged now (nothing while it is not yet durable)."""
        if key in self._pending:
            self._pending[key].append(delivery)
            return []
        return [delivery]

    def stored(self, key: bytes) -> list[T]:
        """The message is durable: every delivery of it that can now be acknowledged."""
        self._stored.pop(key, None)
        self._stored[key] = None
        while len(self._stored) > MOST_REMEMBERED:
            del self._stored[next(iter(self._stored))]
        return self._pending.pop(key, [])

    def forget(self) -> None:
        """The broker began a new session: packet identifiers start over."""
        self._stored.clear()
