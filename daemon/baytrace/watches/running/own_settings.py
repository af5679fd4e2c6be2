"""The car's own figures, as data: a maker's table, an earlier sound run, and what the run before a repair was of."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Quantity
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against, Unit, parse_unit
from baytrace.watches.running.settings import RunningSettings

Range = Annotated[tuple[float, float], Field(description="least and most")]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Kind = Literal["low_side", "high_side", "vent_air"]
KINDS: tuple[Kind, ...] = ("low_side", "high_side", "vent_air")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)


class TableRow(_Table):
    """What the maker expects in one air."""

    air_c: float = Field(ge=-40.0, le=60.0)
    """Air the row holds for, degC."""
    humidity: tuple[Share, Share] = (0.0, 1.0)
    """Relative humidity the row holds for, from and to, 0 to 1; every humidity where left out."""
    low_side: Range | None = None
    """Least and most low side pressure, in the table's `pressures`."""
    high_side: Range | None = None
    """Least and most high side pressure, in the table's `pressures`."""
    vent_air: Range | None = None
    """Least and most vent air temperature, degC."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        ranges = {name: getattr(self, name) for name in ("humidity", *KINDS)}
        for name, span in ranges.items():
            if span is not None and span[0] > span[1]:
                raise ValueError(f"{name}: the first number is the smaller one; {span[0]:g} to {span[1]:g} is no range")
        if all(ranges[kind] is None for kind in KINDS):
            raise ValueError(f"a row needs at least one of {', '.join(KINDS)}")
        return self


def pressure_unit(text: str) -> Unit:
    """A pressure unit that says what it counts from, as `kPa gauge`, `bar absolute`, `psig`. Raises BadInput."""
    word, _, against = text.strip().partition(" ")
    ends = {"gauge": "g", "absolute": "a", "": ""}
    right = "write the unit and what it counts from: 'kPa gauge', 'bar absolute', 'psig'"
    if against.strip() not in ends:
        raise BadInput(f"{text!r} is no unit of pressure", right=right)
    unit = parse_unit(word + ends[against.strip()])
    if unit.quantity is not Quantity.PRESSURE:
        raise BadInput(f"{text!r} is no unit of pressure", right=right)
    if unit.against not in (Against.GAUGE, Against.ABSOLUTE):
        raise BadInput(f"{text!r} does not say gauge or absolute", right=right)
    return unit


class MakersTable(_Table):
    """A vehicle maker's running pressures and vent air by ambient and humidity, with the conditions they hold under."""

    source: str = Field(min_length=1, max_length=300)
    """Where the table stands: document, page, edition."""
    pressures: str = Field(max_length=30)
    """Unit of the pressures and what they count from, such as `kPa gauge` or `bar absolute`; gauge counts from sea level."""
    speed: str = Field(pattern=r"^(idle|fast|\d{3,5} rpm)$")
    """Engine speed: `idle`, `fast` or such as `1500 rpm`."""
    doors: Literal["", "open", "shut"] = ""
    """Doors; empty where the maker says nothing."""
    air: Literal["", "recirculation", "fresh air"] = ""
    """Where the blower takes its air from."""
    blower: Literal["", "high", "medium", "low"] = ""
    """Blower's speed."""
    also: str = Field(default="", max_length=300)
    """What else the maker asks for (windows, hood, minutes of running); said, not checked."""
    rows: list[TableRow] = Field(min_length=1, max_length=200)
    """One row for each air the maker lists."""

    @field_validator("pressures")
    @classmethod
    def _known(cls, text: str) -> str:
        try:
            pressure_unit(text)
        except BadInput as error:
            raise ValueError(str(error)) from None
        return text

    @property
    def conditions(self) -> dict[str, str]:
        stated = {"speed": self.speed, "doors": self.doors, "air": self.air, "blower": self.blower}
        return {name: value for name, value in stated.items() if value}

    def range_si(self, kind: Kind, row: TableRow) -> tuple[float, float] | None:
        """Pa absolute (gauge counted from the standard atmosphere), or K for the vent."""
        span: tuple[float, float] | None = getattr(row, kind)
        if span is None:
            return None
        if kind == "vent_air":
            return span[0] + 273.15, span[1] + 273.15
        unit = pressure_unit(self.pressures)
        above = STANDARD_ATMOSPHERE_PA if unit.against is Against.GAUGE else 0.0
        return unit.to_si(span[0]) + above, unit.to_si(span[1]) + above


class RunFigure(_Table):
    """One figure of a run, in SI (temperatures in K)."""

    value: float
    u: float = Field(ge=0.0)
    """Standard uncertainty (k = 1)."""
    repeats: float | None = Field(default=None, ge=0.0)
    """Standard uncertainty (k = 1) of a comparison by the same instruments; `u` where not known."""


class EarlierRun(_Table):
    """A run of this very car when it was sound."""

    session: str = Field(default="", max_length=100)
    """Session it was taken from."""
    day: str = Field(max_length=40)
    """Day of the run."""
    sound: str = Field(min_length=1, max_length=300)
    """What shows that the car was sound then, such as the verdict it had."""
    refrigerant: str = Field(max_length=60)
    """Refrigerant in the loop then."""
    conditions: dict[Literal["speed", "doors", "air", "blower"], str] = Field(default_factory=dict)
    """What was marked of speed, doors, air and blower."""
    instruments: dict[str, str] = Field(default_factory=dict)
    """Instrument and calibration by role; the same ones repeat better than two of a kind agree."""
    figures: dict[str, RunFigure] = Field(min_length=1)
    """By name, as `own_runs.py` makes them."""


class OwnCarSettings(RunningSettings):
    """Settings of a watch that can judge a running loop by the car's own figures."""

    own_table: MakersTable | None = None
    """The vehicle maker's table of running pressures and vent air by ambient and humidity, with its conditions and source."""
    own_run: EarlierRun | None = None
    """Figures of an earlier sound run of this car; filled in when a session starts like an earlier one."""
    before: Literal["", "sound", "faulty"] = ""
    """What the run before the repair in this session was of: a sound car is a reference for the run after it."""
    reference: Literal["", "required"] = ""
    """`required`: without figures of the car itself there is no pass."""
