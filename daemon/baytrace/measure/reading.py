"""What flows through the house: raw readings as they came, readings in SI, marks and events."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntFlag
from typing import Any, NamedTuple

from baytrace.measure.roles import Role


class Quality(IntFlag):
    """Why a reading may not be taken at face value; 0 is good. Stored as written here: never renumber."""

    GOOD = 0
    NOT_A_NUMBER = 1
    OVER_RANGE = 2
    UNDER_RANGE = 4
    SOURCE_TIME = 8
    """Stamped by the instrument or publisher instead of on arrival."""
    SUSPECT = 16
    """The instrument itself said so (status bit, error queue)."""
    OUT_OF_ORDER = 32
    NO_ATMOSPHERE = 64
    """A gauge pressure without barometer or elevation: made absolute with the standard atmosphere."""
    OPEN_CIRCUIT = 128
    """A resistance beyond the meter's range: nothing is connected."""
    IMPOSSIBLE = 256
    """What no instrument in order reads (`measure.possible`); always with `UNDER_RANGE` or `OVER_RANGE` beside it."""

    @property
    def usable(self) -> bool:
        """Whether the number means the quantity. OPEN_CIRCUIT readings carry inf and are usable as 'open'."""
        return usable(int(self))


_NEVER = int(Quality.NOT_A_NUMBER | Quality.UNDER_RANGE)
_OVER, _OPEN = int(Quality.OVER_RANGE), int(Quality.OPEN_CIRCUIT)


def usable(quality: int) -> bool:
    """`Quality.usable` of plain bits: making a flag of each reading costs more than the rest of following it."""
    return not quality or (not quality & _NEVER and not (quality & _OVER and not quality & _OPEN))


class Raw(NamedTuple):
    """One value as the instrument sent it, in the channel's own unit."""

    channel: str
    value: float
    wall_ns: int
    mono_ns: int
    quality: int = 0


class Reading(NamedTuple):
    """One value of one channel at one instant, in SI; pressures absolute.

    `value` is in Pa, K, kg, ohm or 1 by the role's quantity; inf for an open circuit, nan when not usable.
    `time_ns` is UTC ns and never decreases within a channel.
    """

    time_ns: int
    channel: str
    role: Role
    value: float
    quality: int = 0
    seq: int = 0


class Mark(NamedTuple):
    """Something a person or a rule said happened at an instant."""

    time_ns: int
    text: str
    who: str = ""
    seq: int = 0


class Event(NamedTuple):
    """Anything but a reading that the journal keeps. `data` is JSON; `session` is '' outside a session."""

    time_ns: int
    mono_ns: int
    kind: str
    session: str
    data: Mapping[str, Any]
    seq: int = 0
