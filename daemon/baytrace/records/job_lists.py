"""The job's lists as a shop can edit them: the steps, and what the sheet asks for.

The lists that come with the package are `job/steps.toml` and `job/sheet.toml`. A session that carries its own (`job` in its
`session_started`: an object with `steps` and/or `sheet`, each as the parsed file) is told by those, so that its record does
not change when the shop edits its lists later. A session that follows one watch alone, such as a field check, goes by
`job/steps_<watch>.toml` where there is such a file: it is no compressor job.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Event
from baytrace.records.vocabulary import Kind

COMPRESSOR = "compressor"
DRIVES = ("belt", "electric")


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


def _plain(refrigerant: str) -> str:
    """`R-1234yf`, `r1234yf`, `HFO-1234yf` and `1234yf` are one spelling; so are CO2 and R744."""
    key = re.sub(r"[^a-z0-9]", "", refrigerant.casefold())
    key = re.sub(r"^(?:hfc|hfo|hc|r)?(?=\d)", "r", key)
    return "r744" if key in ("co2", "carbondioxide") else key


class Car(NamedTuple):
    """What a step may depend on; empty is not known."""

    refrigerant: str = ""
    drive: str = ""
    """What turns the compressor: `belt` or `electric`."""


class When(_Row):
    """Of which cars something holds. What is not known of a car might be so: it holds then too."""

    refrigerant: tuple[str, ...] = ()
    other_than: tuple[str, ...] = ()
    drive: tuple[Literal["belt", "electric"], ...] = ()

    def holds(self, car: Car) -> bool:
        fluid = _plain(car.refrigerant)
        if fluid and self.refrigerant and fluid not in map(_plain, self.refrigerant):
            return False
        if fluid and fluid in map(_plain, self.other_than):
            return False
        return not (car.drive in DRIVES and self.drive and car.drive not in self.drive)


class Caution(_Row):
    """What can hurt, with cars of one kind."""

    text: str = Field(min_length=1)
    when: When = When()


class Step(_Row):
    """One step of the job; see the comments in `job/steps.toml`."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    text: str = Field(min_length=1)
    caution: str = ""
    cautions: tuple[Caution, ...] = ()
    when: When = When()
    watch: str = ""
    findings: tuple[str, ...] = ()
    planned: bool = False
    asks: tuple[str, ...] = ()

    def cautioned(self, car: Car) -> str:
        """Every caution that holds for this car, one behind the other."""
        found = [self.caution, *(each.text for each in self.cautions if each.when.holds(car))]
        return " ".join(text for text in found if text)


class SheetEntry(_Row):
    """One figure the sheet knows. `unit` is the one it is worked out in: g, mL, N m or pieces."""

    text: str
    unit: Literal["g", "mL", "N m", "pieces"]
    adds: bool = False


class PartOil(_Row):
    """The oil that goes back in for one replaced part, mL, and where the figure is from."""

    text: str
    oil_ml: float = Field(ge=0.0, le=1000.0)
    source: str = Field(min_length=1)


class SheetList(_Row):
    entries: dict[str, SheetEntry]
    parts: dict[str, PartOil] = Field(default_factory=dict)

    @property
    def known(self) -> dict[str, SheetEntry]:
        """Every entry, with one `replaced_<part>` count for the compressor and each part that has an allowance."""
        parts = {COMPRESSOR: "Compressor"} | {name: part.text for name, part in self.parts.items()}
        counts = {
            f"replaced_{name}": SheetEntry(text=f"{text}, replaced", unit="pieces", adds=True)
            for name, text in parts.items()
        }
        return self.entries | counts


class _StepFile(_Row):
    step: tuple[Step, ...] = Field(min_length=1)


def _parsed(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"not TOML: {error}", where=where) from None


def _first(error: ValidationError, where: str) -> BadInput:
    told = error.errors()[0]
    return BadInput(f"{'.'.join(map(str, told['loc']))}: {told['msg']}", where=where)


def steps_from(data: Mapping[str, Any], where: str = "steps") -> tuple[Step, ...]:
    """Steps from a parsed file. Raises BadInput for a wrong key, no step, or an id given twice."""
    try:
        steps = _StepFile.model_validate(data).step
    except ValidationError as error:
        raise _first(error, where) from None
    seen: set[str] = set()
    for step in steps:
        if step.id in seen:
            raise BadInput(f"step id {step.id!r} appears twice", where=where, right="each step needs an id of its own")
        seen.add(step.id)
        if (step.findings or step.planned) and not step.watch:
            raise BadInput(
                f"step {step.id!r} has findings or planned but no watch", where=where, right="name its watch"
            )
    return steps


def sheet_from(data: Mapping[str, Any], where: str = "sheet") -> SheetList:
    """The sheet's list from a parsed file. Raises BadInput for a wrong key or a missing balance entry."""
    try:
        found = SheetList.model_validate(data)
    except ValidationError as error:
        raise _first(error, where) from None
    needed = {"recovered": "g", "label_charge": "g", "charged": "g"} | dict.fromkeys(
        ("oil_recovered", "oil_drained", "oil_in_new_part", "oil_added"), "mL"
    )
    for name, unit in needed.items():
        if name not in found.entries or found.entries[name].unit != unit:
            raise BadInput(f"the entry {name!r} in {unit} is missing", where=where, right="the balances need it")
    return found


def read_steps(text: str, where: str) -> tuple[Step, ...]:
    """Steps from the text of a shop's file; `where` names it in errors."""
    return steps_from(_parsed(text, where), where)


def read_sheet(text: str, where: str) -> SheetList:
    """The sheet's list from the text of a shop's file."""
    return sheet_from(_parsed(text, where), where)


def _packaged(name: str) -> str:
    return files("baytrace.records").joinpath("job", name).read_text(encoding="utf-8")


@cache
def default_steps() -> tuple[Step, ...]:
    return read_steps(_packaged("steps.toml"), "steps.toml")


@cache
def default_sheet() -> SheetList:
    return read_sheet(_packaged("sheet.toml"), "sheet.toml")


@cache
def _steps_alone(watch: str) -> tuple[Step, ...] | None:
    """The steps of a session that follows this watch and no other; None where there is no such list."""
    name = f"steps_{watch}.toml"
    if not files("baytrace.records").joinpath("job", name).is_file():
        return None
    return read_steps(_packaged(name), name)


def car_of(events: Iterable[Event]) -> Car:
    """What the session's start says of the car: its refrigerant, and `drive` among the vehicle's own data."""
    car = Car()
    for event in events:
        if event.kind == Kind.SESSION_STARTED:
            drive = str((event.data.get("vehicle") or {}).get("drive") or "").strip().casefold()
            car = Car(str(event.data.get("refrigerant") or ""), drive)
    return car


def lists_of(events: Iterable[Event]) -> tuple[tuple[Step, ...], SheetList]:
    """The lists a session goes by: its own where it carries them, else the package's."""
    job: Mapping[str, Any] = {}
    plan: Mapping[str, Any] = {}
    for event in events:
        if event.kind == Kind.SESSION_STARTED:
            job, plan = event.data.get("job") or {}, event.data.get("plan") or {}
    alone = _steps_alone(next(iter(plan))) if len(plan) == 1 else None
    if alone is not None:
        steps = alone
    else:
        steps = steps_from(job["steps"], "the session's steps") if "steps" in job else default_steps()
    sheet = sheet_from(job["sheet"], "the session's sheet") if "sheet" in job else default_sheet()
    return steps, sheet
