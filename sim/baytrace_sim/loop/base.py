"""What every simulated loop has: time in steps, what instruments see, controls, and what follows slowly.

Two kinds stand on it: `Loop`, whose high side condenses, and `TranscriticalLoop`, whose high side may lie above the critical
point. Each says what a step does to its holdings.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import NamedTuple

from baytrace_sim.loop import evaporator
from baytrace_sim.loop.air import HEAT_CAPACITY, Air, saturation_humidity
from baytrace_sim.loop.controls import Controls
from baytrace_sim.loop.design import Faults, LoopDesign
from baytrace_sim.loop.lines import Lines
from baytrace_sim.loop.properties import SaturationLine

STEP_S = 0.5
LEAST_KG = 2e-6
_SOAK_S = 100.0


class HeatBalance(NamedTuple):
    """Flows of the last step, W: work into the refrigerant, heat from the evaporator's air, heat from the engine bay into
    the suction line, heat to the condenser's air; then kg/s through compressor and valve, and what the air over the
    evaporator gave (dry air and vapour in, air and condensate out). `stored_w` is what the sides still gain.
    """

    work_w: float
    evaporator_w: float
    line_w: float
    condenser_w: float
    compressor_kg_s: float
    valve_kg_s: float
    evaporator_air_kg_s: float
    coil_air_k: float
    coil_humidity_ratio: float
    drained_w: float
    stored_w: float

    @property
    def residual(self) -> float:
        """Share of the condenser's heat that first-law bookkeeping leaves over; in a steady state what is stored is nothing."""
        gained = self.work_w + self.evaporator_w + self.line_w
        return (gained - self.condenser_w) / max(abs(self.condenser_w), 1.0)


STILL = HeatBalance(*(0.0,) * 11)


class Moved(NamedTuple):
    """What line probes and the air feel after a step: K of suction, liquid and discharge, K in the evaporator, W rejected."""

    suction_k: float
    liquid_k: float
    discharge_k: float
    evaporator_k: float
    rejected_w: float


class LoopBase(ABC):
    """A loop in `air`. Subclasses hold the refrigerant."""

    fluid: SaturationLine

    def __init__(self, design: LoopDesign, air: Air, faults: Faults | None) -> None:
        self.design, self.air = design, air
        self.longest_step_s = STEP_S
        """What a step is cut into; whoever needs only means may lengthen it."""
        self.faults = faults or Faults()
        self.controls = Controls(design, air.temperature_k)
        self.lines = Lines(*(air.temperature_k,) * 6)
        self._humidity, self._density = air.humidity_ratio, air.density
        self._coil = evaporator.Coil(
            saturation_humidity(air.pressure_pa), design.evaporator_refrigerant_ua, design.coil_transfer_units,
            design.blower_m3_s * self._density,
        )  # fmt: skip
        self.soak_k, self.ice = 0.0, 0.0
        self.flow_kg_s = 0.0
        self.wet_share = 0.0
        self._balance = STILL

    # ---- what an instrument sees

    @property
    @abstractmethod
    def low_side_pa(self) -> float: ...

    @property
    @abstractmethod
    def high_side_pa(self) -> float: ...

    @property
    @abstractmethod
    def charge_kg(self) -> float: ...

    @property
    def suction_line_k(self) -> float:
        return self.lines.suction_k

    @property
    def liquid_line_k(self) -> float:
        return self.lines.liquid_k

    @property
    def discharge_line_k(self) -> float:
        return self.lines.discharge_k

    @property
    def vent_air_k(self) -> float:
        return self.lines.vent_k

    @property
    def clutch_on(self) -> bool:
        return self.controls.clutch_on

    def heat_balance(self) -> HeatBalance:
        """Flows of the last step; all zero before the first."""
        return self._balance

    # ---- time

    def step(self, dt_s: float, *, engine_on: bool, rpm: float, blower: float, charge_flow_kg_s: float = 0.0) -> None:
        """Let `dt_s` seconds pass. `rpm` is the engine's, `blower` a share of its full flow; `charge_flow_kg_s` goes in as
        liquid at the high side while standing and as vapour at the low side while running, and comes out (below zero) as
        vapour from both.
        """
        steps = max(math.ceil(dt_s / self.longest_step_s - 1e-9), 1)
        for _ in range(steps):
            self._advance(dt_s / steps, engine_on, rpm, blower * self.faults.blower, charge_flow_kg_s)

    @abstractmethod
    def _advance(self, dt_s: float, engine_on: bool, rpm: float, blower: float, charge_flow: float) -> None: ...

    def _condenser_air(self, engine_on: bool) -> tuple[float, float]:
        """kg/s of air over the condenser or gas cooler, now and at full fan."""
        full = self.design.fan_m3_s * self._density
        return (full * self.controls.fan_share * self.faults.condenser_airflow if engine_on else 0.0), full

    def _through(self, area: float) -> float:
        """m2 that are left of an open area of the expansion device, with what is frozen or clogged in its way."""
        # a clogged strainer and the device share the pressure drop: series of two areas
        area *= 1.0 - self.ice
        if self.faults.restriction > 0.0:
            clogged = self.design.orifice_m2 * max(1.0 - self.faults.restriction, 1e-3) * 1.6
            area = area * clogged / math.hypot(area, clogged)
        return area

    def _swept(self, rpm: float) -> float:
        """m3/s that the compressor's pistons sweep."""
        stroke = self.controls.stroke if self.design.clutch == "variable" else 1.0
        return self.design.displacement_m3 * stroke * rpm * self.design.pulley_ratio / 60.0

    def _lag(self, dt_s: float, engine_on: bool, air_k: float, moved: Moved) -> None:
        """Everything that follows slowly: flow seen by line probes, ice, soak, line and duct temperatures."""
        balance = self._balance
        self.flow_kg_s += (balance.compressor_kg_s - self.flow_kg_s) * min(dt_s / 1.5, 1.0)
        if self.faults.wet > 0.0:
            growing = self.faults.wet / 120.0 if moved.evaporator_k < 273.15 and engine_on else -1.0 / 90.0
            self.ice = min(max(self.ice + dt_s * growing, 0.0), 0.97)
        quick = dt_s * self.lines.quicken
        fan = self.design.fan_m3_s * self._density * HEAT_CAPACITY
        goal = self.design.soak * moved.rejected_w / fan if engine_on else 0.0
        self.soak_k += (goal - self.soak_k) * min(quick / _SOAK_S, 1.0)
        self.lines.follow(
            dt_s, (self.controls.clutch_on, balance.valve_kg_s > 2e-3), (moved.suction_k, moved.liquid_k, moved.discharge_k),
            air_k if balance.evaporator_air_kg_s > 0.0 else None,
        )  # fmt: skip
