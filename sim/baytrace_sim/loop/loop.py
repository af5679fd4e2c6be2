"""The running loop: two sides that hold mass and energy, and what flows between them and the air.

Rules of this file:
- Mass and energy move only as flows from one holder to another, so the first law and the charge are kept to rounding; what
  the heat exchangers, compressor and valve compute decides how much flows, never how much there is.
- Steps are explicit, at most `STEP_S`; the walls' heat capacity makes the sides slow enough for that.
- Order in a step: pressures from holdings, controls, heat exchangers and flows from pressures, holdings from flows.

Limits: heat exchangers are quasi-steady; pressure drops along a side, oil, and cabin feedback are left out (doors open,
fresh air). Pressures are what a gauge at the service ports would show, absolute.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from baytrace.measure.faults import BadInput
from baytrace_sim.loop import compressor, condenser, evaporator, valve
from baytrace_sim.loop.air import GAS_CONSTANT, Air
from baytrace_sim.loop.base import LEAST_KG, HeatBalance, LoopBase, Moved
from baytrace_sim.loop.design import Faults, LoopDesign
from baytrace_sim.loop.inventory import CondenserFill, Side
from baytrace_sim.loop.properties import Refrigerant
from baytrace_sim.loop.properties import refrigerant as tables

_GAS_RUNNING_S, _GAS_STANDING_S = 15.0, 90.0


class Outlet(NamedTuple):
    """The evaporator's outlet: state, saturation temperature K, superheat K, quality (1 unless liquid is carried over)."""

    state: compressor.Suction
    saturation_k: float
    superheat_k: float
    quality: float


class Loop(LoopBase):
    """A loop at rest in `air`, holding `charge_kg` at the static pressure. Raises BadInput for an impossible charge or fluid."""

    def __init__(
        self, design: LoopDesign, air: Air, faults: Faults | None = None, charge_kg: float | None = None,
        refrigerant: str = "R134a",
    ) -> None:  # fmt: skip
        super().__init__(design, air, faults)
        self.fluid: Refrigerant = tables(refrigerant)
        fluid = self.fluid
        charge = design.label_charge_kg if charge_kg is None else charge_kg
        row = fluid.at(air.temperature_k)
        most = 0.9 * design.volume_m3 * row.rho_l
        if not 0.0 <= charge <= most:
            raise BadInput(f"a charge of {charge:g} kg", right=f"0 to {most:.2f} kg fit into this loop")
        charge = max(charge, 2.0 * LEAST_KG)
        self.high = Side(
            fluid, design.high_m3, design.condenser_wall, self._resting(charge, row.rho_v, row.rho_l), air.temperature_k
        )
        self.low = Side(fluid, design.low_m3, design.evaporator_wall, charge - self.high.mass, air.temperature_k)
        self._set_fills()
        self.bulb_k, self.flooded = 0.0, 0.0
        self.gas_high = design.high_m3 / design.volume_m3

    def _resting(self, charge: float, rho_v: float, rho_l: float) -> float:
        """The high side's share of a charge at rest: vapour by volume, liquid as far as there is any by volume too."""
        share = self.design.high_m3 / self.design.volume_m3
        most = 0.85 * rho_l * self.design.high_m3
        return min(charge * share, max(most, rho_v * self.design.high_m3))

    def _set_fills(self) -> None:
        design = self.design
        hot = self.fluid.at(self.air.temperature_k + 20.0)
        self._fill = CondenserFill(
            design.condenser_m3, design.liquid_line_m3, design.receiver_m3, design.last_pass,
            (hot.rho_v / hot.rho_l) ** (2.0 / 3.0),
        )  # fmt: skip
        self._wet_m3 = design.evaporator_liquid_m3

    # ---- what an instrument sees

    @property
    def low_side_pa(self) -> float:
        return self.low.pressure_pa + self._gas_pa(self.low, 1.0 - self.gas_high)

    @property
    def high_side_pa(self) -> float:
        return self.high.pressure_pa + self._gas_pa(self.high, self.gas_high)

    @property
    def charge_kg(self) -> float:
        return self.high.mass + self.low.mass

    def _gas_pa(self, side: Side, share: float) -> float:
        """Partial pressure of the air that should not be in the loop."""
        gas = self.faults.noncondensable_kg * share
        if gas <= 0.0:
            return 0.0
        room = max(side.volume - side.liquid_kg / side.row.rho_l, 0.05 * side.volume)
        return gas * GAS_CONSTANT * side.temperature_k / room

    # ---- time

    def _advance(self, dt_s: float, engine_on: bool, rpm: float, blower: float, charge_flow: float) -> None:
        high_pa, low_pa = self.high_side_pa, self.low_side_pa
        air_flow = blower * self.design.blower_m3_s * self._density
        cooled, outlet = self._evaporate(air_flow)
        self.controls.update(
            dt_s,
            low_pa,
            high_pa,
            0.5 * (self.low.temperature_k + cooled.air_k),
            allowed=engine_on and self.faults.clutch_engages,
        )
        # the bulb moves before the valve does: the pair is stable at longer steps that way
        # while standing, it feels its own pipe warm up
        feels = outlet.superheat_k if self.controls.clutch_on else self.lines.suction_k - outlet.saturation_k
        self.bulb_k += (feels - self.bulb_k) * min(dt_s / self.design.bulb_s, 1.0)
        squeezed, line_h = self._compress(dt_s, rpm, outlet, low_pa, high_pa)
        rejected, through, leaving_h = self._condense(dt_s, engine_on, low_pa, high_pa)
        flow = squeezed.flow
        high_gain = flow * squeezed.enthalpy - through * leaving_h - rejected.heat_w
        low_gain = through * leaving_h + cooled.heat_w - flow * outlet.state.enthalpy
        self.high.energy += dt_s * high_gain
        self.low.energy += dt_s * low_gain
        self.high.mass += dt_s * (flow - through)
        self.low.mass += dt_s * (through - flow)
        if charge_flow:
            self._charge(dt_s * charge_flow, engine_on)
        self.high.settle()
        self.low.settle()
        self._balance = HeatBalance(
            flow * (squeezed.enthalpy - outlet.state.enthalpy - line_h), cooled.heat_w, flow * line_h, rejected.heat_w,
            flow, through, air_flow, cooled.air_k, cooled.humidity_ratio, cooled.drained_w, high_gain + low_gain,
        )  # fmt: skip
        suction_k = outlet.saturation_k + outlet.superheat_k
        moved = Moved(suction_k, rejected.outlet_k, squeezed.temperature_k, self.low.temperature_k, rejected.heat_w)
        self._lag(dt_s, engine_on, cooled.air_k, moved)
        self._mix_air(dt_s)

    def _evaporate(self, air_flow: float) -> tuple[evaporator.Cooled, Outlet]:
        low = self.low
        self.wet_share, quality = self._low_fill()
        cooled = self._coil.cool(
            low.temperature_k,
            low.row,
            self.air.temperature_k,
            self._humidity,
            air_kg_s=air_flow,
            flow=self.flow_kg_s,
            wet=self.wet_share,
        )
        # a side without liquid is warmer than the saturation temperature of its pressure: all of that is superheat
        saturation_k = min(low.temperature_k, self.fluid.saturation_temperature(low.pressure_pa))
        superheat = low.temperature_k - saturation_k + (cooled.superheat_k if quality >= 1.0 else 0.0)
        state = compressor.suction(self.fluid, saturation_k, superheat, quality)
        return cooled, Outlet(state, saturation_k, superheat, quality)

    def _low_fill(self) -> tuple[float, float]:
        """Wet share of the evaporator, and the quality carried to the compressor once the accumulator (if any) is full."""
        liquid = self.low.liquid_kg / self.low.row.rho_l
        wet = liquid / self._wet_m3
        over = (liquid - self._wet_m3 - 0.8 * self.design.accumulator_m3) / self._wet_m3
        return min(wet, 1.0), 1.0 - min(max(0.4 * over, 0.0), 0.15)

    def _compress(
        self, dt_s: float, rpm: float, outlet: Outlet, low_pa: float, high_pa: float
    ) -> tuple[compressor.Compression, float]:
        """What the compressor does, and J/kg the suction line took up on the way to it."""
        if not self.controls.clutch_on:
            return compressor.Compression(0.0, outlet.state.enthalpy, self.lines.discharge_k), 0.0
        design, inlet = self.design, outlet.state
        if outlet.quality >= 1.0:
            capacity = max(self.flow_kg_s, 2e-3) * self.low.row.k_vapour
            bay = self.air.temperature_k + 15.0 - outlet.saturation_k - outlet.superheat_k
            warming = max(bay, 0.0) * -math.expm1(-design.suction_line_ua / capacity)
            inlet = compressor.suction(self.fluid, outlet.saturation_k, outlet.superheat_k + warming, 1.0)
        squeezed = compressor.compress(
            self.fluid,
            inlet,
            low_pa,
            high_pa,
            swept_m3_s=self._swept(rpm),
            efficiency=self.faults.compressor_efficiency,
        )
        # a side full of liquid takes in no more than leaves it: the compressor's relief opens
        most = min(0.3 * self.low.mass / dt_s, max(self._balance.valve_kg_s, 0.0) + self.high.room_kg / (4.0 * dt_s))
        return squeezed._replace(flow=min(squeezed.flow, most)), inlet.enthalpy - outlet.state.enthalpy

    def _condense(
        self, dt_s: float, engine_on: bool, low_pa: float, high_pa: float
    ) -> tuple[condenser.Rejected, float, float]:
        """Heat rejected, kg/s through the expansion device, and J/kg of what leaves the side it comes from."""
        high, low = self.high, self.low
        self.flooded, quality = self._fill.outlet(high.liquid_kg / high.row.rho_l)
        conductance = condenser.air_conductance(self.design.condenser_ua, *self._condenser_air(engine_on))
        conductance /= 1.0 + 1.5 * self._gas_pa(high, self.gas_high) / high_pa
        rejected = condenser.reject(
            high.row, high.temperature_k, self.air.temperature_k + self.soak_k, conductance=conductance,
            flow=max(self._balance.valve_kg_s, 0.0), flooded=self.flooded, quality=quality, liquid_ua=0.9 * conductance,
        )  # fmt: skip
        arriving = self.fluid.at(rejected.outlet_k).p if self.flooded > 0.0 else high.row.p
        low_rho = low.row.rho_v if low.liquid_kg > 0.0 else low.mass / low.volume
        high_row = high.row if high.liquid_kg > 0.0 else high.row._replace(rho_v=high.mass / high.volume)
        through = valve.flow(
            self._area(),
            high_row,
            high_pa=high_pa,
            inlet_p=min(arriving, high.pressure_pa),
            quality=quality,
            low_pa=low_pa,
            low_rho=low_rho,
        )
        if through < 0.0:
            return rejected, max(through, -0.3 * low.mass / dt_s), low.vapour_enthalpy()
        leaving = rejected.outlet_h + quality * (high.vapour_enthalpy() - high.row.h_v)
        return rejected, min(through, 0.3 * high.mass / dt_s), leaving

    def _area(self) -> float:
        """Open area of the expansion device, m2, with what is stuck, frozen or clogged in its way."""
        design, faults = self.design, self.faults
        if design.expansion == "orifice":
            area = design.orifice_m2 * (1.0 if faults.valve_stuck is None else faults.valve_stuck)
        else:
            asked = valve.opening(self.bulb_k, design.static_superheat_k, design.superheat_to_full_k)
            area = design.valve_m2 * (asked if faults.valve_stuck is None else faults.valve_stuck)
        return self._through(area)

    def _charge(self, mass_kg: float, engine_on: bool) -> None:
        high, low = self.high, self.low
        supply = self.fluid.at(self.air.temperature_k)
        if mass_kg > 0.0:
            side, enthalpy = (low, supply.h_v) if engine_on else (high, supply.h_l)
            side.mass += mass_kg
            side.energy += mass_kg * enthalpy
            return
        total = self.charge_kg
        for side in (high, low):
            out = min(-mass_kg * side.mass / total, max(side.mass - LEAST_KG, 0.0))
            side.energy -= out * side.vapour_enthalpy()
            side.mass -= out

    def _mix_air(self, dt_s: float) -> None:
        """Stray air is swept to the high side while running and spreads again while standing."""
        running = self.controls.clutch_on
        share = 1.0 if running else self.design.high_m3 / self.design.volume_m3
        self.gas_high += (share - self.gas_high) * min(dt_s / (_GAS_RUNNING_S if running else _GAS_STANDING_S), 1.0)
