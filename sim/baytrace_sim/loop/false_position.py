"""Closing in on a root by false position (Illinois: the end that stays is given half its weight). Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import islice
from typing import Protocol, TypeVar

_TRIES = 40


class Tried(Protocol):
    """What came of a pressure (Pa), and how far that is from what it should be; at a root the sign changes."""

    @property
    def pressure_pa(self) -> float: ...

    @property
    def wrong(self) -> float: ...


T = TypeVar("T", bound=Tried)


def closing_in(tried: Callable[[float], T], first: T, other: T) -> Iterator[T]:
    """Ever better ones, at most 40, between two that are wrong to opposite sides; the caller stops when one is good enough."""
    return islice(_closing_in(tried, first, other), _TRIES)


def _closing_in(tried: Callable[[float], T], first: T, other: T) -> Iterator[T]:
    weight = [first.wrong, other.wrong]
    while True:
        found = tried((weight[1] * first.pressure_pa - weight[0] * other.pressure_pa) / (weight[1] - weight[0]))
        yield found
        if found.wrong * other.wrong < 0.0:
            first, weight = other, [other.wrong, found.wrong]
        else:
            weight = [0.5 * weight[0], found.wrong]
        other = found
