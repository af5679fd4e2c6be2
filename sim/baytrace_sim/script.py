"""The technician's script: steps as written in a scenario, worked out into timed deeds with marks.

A step does something and then lets `for_s` seconds pass. Times count from the start of the script.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from baytrace_sim.coils import Contact


class Deed(StrEnum):
    WAIT = "wait"
    PUMP_ON = "pump on"
    ISOLATE = "isolate"
    NITROGEN = "nitrogen"
    CHARGE = "charge"
    ENGINE_ON = "engine on"
    ENGINE_FAST = "engine fast"
    ENGINE_IDLE = "engine idle"
    ENGINE_OFF = "engine off"
    LEADS = "leads together"
    COIL = "coil"


_MARKS = {
    Deed.WAIT: "",
    Deed.PUMP_ON: "pump on",
    Deed.ISOLATE: "isolated",
    Deed.NITROGEN: "hold start",
    Deed.CHARGE: "charge start",
    Deed.ENGINE_ON: "engine on",
    Deed.ENGINE_FAST: "engine fast",
    Deed.ENGINE_IDLE: "engine idle",
    Deed.ENGINE_OFF: "engine off",
    Deed.LEADS: "leads together",
}


class Step(BaseModel):
    """One line of the script."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Deed
    for_s: float = Field(default=0.0, ge=0.0)
    """How long until the next step. A charge ends when its grams are in; `for_s` then follows its end."""
    mark: str | None = None
    """What is said at this instant; left out: the deed's own word; empty: nothing."""
    grams: float = Field(default=0.0, ge=0.0)
    rate_g_s: float = Field(default=4.0, gt=0.0)
    coil: int = Field(default=0, ge=0)
    """Which coil, counted from 1."""
    gap_s: float = Field(default=4.0, ge=0.0)
    """Leads open after a coil, on the way to the next."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.do is Deed.CHARGE and not self.grams:
            raise ValueError("a charge needs grams")
        if self.do is Deed.COIL and not self.coil:
            raise ValueError("a coil step needs coil = 1, 2, ...")
        return self


class Timed(NamedTuple):
    """A step at its instant; `mark` may be empty. `do` None: only a mark."""

    at_s: float
    do: Deed | None
    mark: str
    step: Step


class Script:
    """`deeds` in time order, `contacts` of the ohmmeter's leads, and the length in seconds."""

    def __init__(self, steps: Sequence[Step]) -> None:
        self.deeds: list[Timed] = []
        self.contacts: list[Contact] = []
        now = 0.0
        for step in steps:
            mark = step.mark if step.mark is not None else _MARKS.get(step.do, f"coil {step.coil}")
            if step.do is Deed.CHARGE:
                # the mark is said first, then the valve is opened
                self.deeds.append(Timed(now, None, mark, step))
                now += _OPENING_S
                mark = ""
            self.deeds.append(Timed(now, step.do, mark, step))
            if step.do is Deed.CHARGE:
                now += step.grams / step.rate_g_s + _CLOSING_S
                self.deeds.append(Timed(now, None, "charge end", step))
            if step.do in (Deed.COIL, Deed.LEADS):
                # the mark is said first, then the leads go on
                self.contacts.append(Contact(step.coil - 1, now + _REACH_S, now + _REACH_S + step.for_s))
                now += _REACH_S + step.for_s + step.gap_s
            else:
                now += step.for_s
        self.length_s = now

    def contact_at(self, time_s: float) -> Contact | None:
        return next((one for one in self.contacts if one.start_s <= time_s < one.end_s), None)


_REACH_S, _OPENING_S, _CLOSING_S = 6.0, 15.0, 20.0
"""Seconds from a mark to the leads on the coil, to the open valve; from the shut valve to its mark."""
