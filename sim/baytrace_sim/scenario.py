"""Scenarios: one TOML file each in `scenarios/`, found by walking the folder; every key is described in the manual.

A scenario is laid over `scenarios/_bench.toml` (its tables are merged key by key), so a file tells only what is its own.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace_sim.script import Deed, Script, Step
from baytrace_sim.sensor import SensorKeys

FOLDER = Path(__file__).parent / "scenarios"
BENCH_FILE = "_bench.toml"


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Vehicle(_Table):
    """Invented."""

    name: str
    plate: str
    note: str = ""


class Surroundings(_Table):
    temperature_c: float = 24.0
    humidity: float = Field(default=0.5, ge=0.0, le=1.0)
    """Share, 0 to 1."""
    pressure_hpa: float = 1009.0
    body_c: float = 24.0
    """Temperature of the loop's metal when the script starts."""
    body_drift_c_h: float = 0.4
    """How fast the metal warms (degC per hour)."""


class LoopKeys(_Table):
    """What the car's loop is; its volume is that of `expansion` and `clutch` unless said."""

    expansion: Literal["orifice", "valve"] = "valve"
    clutch: Literal["cycling", "variable"] = "cycling"
    volume_l: float | None = None
    charged_g: float = Field(default=0.0, ge=0.0)
    """Refrigerant already in the loop when the script starts."""
    rpm_idle: float = 850.0
    rpm_fast: float = 1250.0
    blower: float = Field(default=1.0, ge=0.0, le=1.0)
    fault: dict[str, float | bool] = Field(default_factory=dict)
    """Fault parameters of the loop, by name."""


class VacuumKeys(_Table):
    hose_l: float = 0.25
    """Volume of hoses and manifold while they hang on the loop."""
    start_pa: float | None = None
    """Pressure in the loop when the script starts (Pa absolute); the day's atmosphere when left out."""
    pump_l_s: float = 1.5
    ultimate_pa: float = 2.0
    water_g: float = 0.2
    """Free water lying in the loop."""
    bound_water_pa: float = 4.0
    """What water out of oil and desiccant would lift the closed loop by when the script starts; pumping lessens it."""
    bound_water_s: float = 200.0
    bound_rooms: float = Field(default=15.0, gt=0.0)
    """How much oil and desiccant hold, in volumes of the loop; the more, the longer they must be pumped dry."""
    dissolved_pa: float = 6.0
    """What refrigerant out of the oil lifts the closed loop by."""
    dissolved_s: float = 160.0
    dissolved_rooms: float = Field(default=6.0, gt=0.0)
    leak_pa_m3_s: float = Field(default=1.0e-7, ge=0.0)
    """Air in under vacuum."""
    nitrogen_bar: float = 8.0
    """Gauge pressure of a standing test with dry nitrogen."""


class TankKeys(_Table):
    full_g: float = 8400.0
    creep_g_h: float = 0.5
    bumps: list[tuple[float, float, float]] = Field(default_factory=list)
    """[start s, end s, grams]."""


class CoilKeys(_Table):
    at_20_ohm: list[float] = Field(default_factory=lambda: [12.1, 12.0, 12.2, 12.1])
    """Per coil; `inf` is a broken one."""
    lead_ohm: float = 0.12
    temperature_c: float = 31.0
    unsteady: list[int] = Field(default_factory=list)
    """Coils (from 1) with a loose joint."""


class Disturbance(_Table):
    at_s: float
    for_s: float = Field(default=0.0, ge=0.0)
    kind: Literal["silence", "unplug", "garbage", "half line", "bad checksum", "broker silence"]
    instrument: str = ""
    """Which one; left out for the broker."""


class Scenario(_Table):
    name: str
    summary: str
    seed: int = 1
    job: str
    refrigerant: str = "R134a"
    label_g: float | None = None
    vehicle: Vehicle
    surroundings: Surroundings = Surroundings()
    loop: LoopKeys = LoopKeys()
    vacuum: VacuumKeys = VacuumKeys()
    tank: TankKeys = TankKeys()
    coils: CoilKeys = CoilKeys()
    channel: dict[Role, SensorKeys]
    uses: list[str]
    """Instruments that are on the bench."""
    step: list[Step] = Field(min_length=1)
    disturbance: list[Disturbance] = Field(default_factory=list)
    plan: dict[str, dict[str, Any]]
    """Watch and its settings, as a session's plan."""
    expect: dict[str, str]
    """Watch and the finding the scenario is about."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        most = len(self.coils.at_20_ohm)
        for step in self.step:
            if step.do is Deed.COIL and step.coil > most:
                raise ValueError(f"there is no coil {step.coil}: coils.at_20_ohm lists {most}")
        if unknown := set(self.expect) - set(self.plan):
            raise ValueError(f"expect names {', '.join(sorted(unknown))}, which the plan does not follow")
        return self

    @property
    def script(self) -> Script:
        return Script(self.step)

    @property
    def atmosphere_pa(self) -> float:
        return self.surroundings.pressure_hpa * 100.0

    def without(self, kind: str, instrument: str, time_s: float) -> bool:
        """Whether a disturbance of `kind` acts on `instrument` at script time `time_s`."""
        return any(
            one.kind == kind and one.instrument == instrument and one.at_s <= time_s < one.at_s + one.for_s
            for one in self.disturbance
        )


def _merged(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    whole = dict(under)
    for key, value in over.items():
        below = whole.get(key)
        whole[key] = _merged(below, value) if isinstance(value, dict) and isinstance(below, dict) else value
    return whole


def _document(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"not TOML: {error}", where=str(file)) from None


def read_scenario(file: Path) -> Scenario:
    """A scenario laid over the bench file. Raises BadInput naming every key that does not fit."""
    whole = _merged(_document(FOLDER / BENCH_FILE), _document(file)) | {"name": file.stem}
    try:
        return Scenario.model_validate(whole)
    except ValidationError as error:
        faults = [f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}" for fault in error.errors()]
        raise BadInput(
            "; ".join(faults), where=str(file), right="the manual's page on the simulator lists the keys"
        ) from None


@cache
def scenarios() -> Mapping[str, Scenario]:
    """Every scenario there is, by name; the healthy one first."""
    found = {file.stem: read_scenario(file) for file in FOLDER.glob("*.toml") if not file.name.startswith("_")}
    return dict(sorted(found.items(), key=lambda item: (item[0] != "healthy", item[0])))


def scenario_named(name: str) -> Scenario:
    """Raises BadInput with the nearest name."""
    try:
        return scenarios()[name]
    except KeyError:
        near = difflib.get_close_matches(name, scenarios(), n=1)
        right = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(scenarios())}"
        raise BadInput(f"no scenario is called {name!r}", where="--scenario", right=right) from None
