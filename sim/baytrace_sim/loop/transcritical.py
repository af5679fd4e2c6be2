"""The running loop of a refrigerant whose high side works above its critical point (R744).

What it is: compressor, gas cooler in cells, internal heat exchanger, expansion device, evaporator, accumulator. The exchanger
cools what comes out of the gas cooler with the vapour on its way to the compressor; the suction line is measured behind it.
`expansion="orifice"` is a tube of fixed area: the high side finds its own pressure. `expansion="valve"` keeps the high side at
the pressure that suits the gas cooler's exit temperature (below).

Rules of this file are those of `loop.py`: holdings change by flows alone, so charge and first law are kept to rounding. The
high side's pressure is found implicitly (`gas_cooler.py`), the low side is one volume in equilibrium with its metal.

Limits: heat exchangers are quasi-steady, the internal one holds nothing; no pressure drops, no oil, no air in the loop (it
would hardly show beside 60 bar); no water freezing out as dry ice or hydrate. Below 222 K and above 250 bar the tables end.
Sizes and controls are common practice, no source: no one's car.
"""

from __future__ import annotations

from baytrace.measure.faults import BadInput
from baytrace_sim.loop import compressor, condenser, evaporator, valve
from baytrace_sim.loop.air import Air
from baytrace_sim.loop.base import LEAST_KG, HeatBalance, LoopBase, Moved
from baytrace_sim.loop.dense import DenseFluid, Isobar, Point, dense_fluid
from baytrace_sim.loop.design import Faults, LoopDesign
from baytrace_sim.loop.gas_cooler import Cell, Ends, GasCooler, Inflow
from baytrace_sim.loop.vessel_side import VesselSide

_CELLS = 8
_FULL = 780.0
"""kg/m3 at which the high side counts as full."""
_LINE_WALL = 250.0
_SUPPLY_PA = 95e5
"""A cylinder above the critical temperature (common practice, no source)."""
_HOT_K, _COOLED_K = 438.15, 413.15
"""Discharge line at which the compressor is let go, and taken again (common practice, no source)."""
_VALVE_S, _VALVE_BAND_PA, _LEAST_OPEN = 25.0, 60e5, 0.02


def best_pressure(exit_c: float, evaporating_c: float) -> float:
    """Pa absolute at which a gas cooler with that exit temperature (degC) cools most for its work: Liao, Zhao, Jakobsen 2000,
    Applied Thermal Engineering 20, from memory.
    """
    return 1e5 * ((2.778 - 0.0157 * evaporating_c) * exit_c + 0.381 * evaporating_c - 9.34)


class TranscriticalLoop(LoopBase):
    """A loop at rest in `air`, holding `charge_kg` evenly. Raises BadInput for an impossible charge, fluid or fault."""

    def __init__(
        self, design: LoopDesign, air: Air, faults: Faults | None = None, charge_kg: float | None = None,
        refrigerant: str = "R744",
    ) -> None:  # fmt: skip
        super().__init__(design, air, faults)
        if self.faults.noncondensable_kg > 0.0:
            raise BadInput(
                "air in the loop is not modelled above the critical point", where="noncondensable_kg", right="0"
            )
        self.fluid: DenseFluid = dense_fluid(refrigerant)
        charge = design.label_charge_kg if charge_kg is None else charge_kg
        most = 600.0 * design.volume_m3
        if not 0.0 <= charge <= most:
            raise BadInput(f"a charge of {charge:g} kg", right=f"0 to {most:.2f} kg fit into this loop")
        density = max(charge, 2.0 * LEAST_KG) / design.volume_m3
        isobar = self.fluid.isobar(self.fluid.resting(density, air.temperature_k))
        self.high = GasCooler(self.fluid, self._cells(isobar, density), isobar.pressure_pa)
        self.low = VesselSide(self.fluid, design.low_m3, design.evaporator_wall, design.low_m3 * density, isobar)
        self.opening = self._asked = 0.3
        self._exchanged_w, self._tripped = 0.0, False

    def _cells(self, isobar: Isobar, density: float) -> list[Cell]:
        design = self.design
        sizes = [(design.condenser_m3 / _CELLS, design.condenser_wall / _CELLS, 1.0 / _CELLS)] * _CELLS
        point = isobar.at_volume(1.0 / density)
        cells = []
        for volume, wall, share in [*sizes, (design.liquid_line_m3, _LINE_WALL, 0.0)]:
            energy = volume * density * (point.h - point.pv) + wall * point.temperature_k
            cells.append(Cell(volume, wall, share, volume * density, energy, point.h, point.temperature_k))
        return cells

    # ---- what an instrument sees

    @property
    def low_side_pa(self) -> float:
        return self.low.pressure_pa

    @property
    def high_side_pa(self) -> float:
        return self.high.pressure_pa

    @property
    def charge_kg(self) -> float:
        return self.high.mass + self.low.mass

    # ---- time

    def _advance(self, dt_s: float, engine_on: bool, rpm: float, blower: float, charge_flow: float) -> None:
        air_flow = blower * self.design.blower_m3_s * self._density
        cooled, outlet = self._evaporate(air_flow)
        self.controls.update(
            dt_s, self.low_side_pa, self.high_side_pa, 0.5 * (self.low.temperature_k + cooled.air_k),
            allowed=engine_on and self.faults.clutch_engages and self._spared(),
        )  # fmt: skip
        warm_h = self._exchange(outlet)
        squeezed, line_h = self._compress(dt_s, rpm, warm_h)
        flow = squeezed.flow
        inflow, supply = Inflow(flow, squeezed.enthalpy), 0.0
        if charge_flow:
            inflow, supply = self._charge(dt_s, charge_flow, inflow, engine_on)
        air_k = self.air.temperature_k + self.soak_k
        conductance = condenser.air_conductance(self.design.condenser_ua, *self._condenser_air(engine_on))
        self._regulate(dt_s)
        ends = Ends(inflow, air_k, conductance, self._takes, self.low.vapour.h)
        through, leaving_h, rejected = self.high.step(dt_s, ends)
        # what the exchanger took from the stream before the device reaches the compressor with the other one
        low_gain = through * leaving_h - self._exchanged_w + cooled.heat_w - flow * outlet.h
        self.low.energy += dt_s * low_gain + supply
        self.low.mass += dt_s * (through - flow)
        self.low.settle()
        bay = flow * line_h
        work = flow * (squeezed.enthalpy - warm_h - line_h)
        self._balance = HeatBalance(
            work, cooled.heat_w, bay, rejected, flow, through, air_flow, cooled.air_k, cooled.humidity_ratio,
            cooled.drained_w, work + cooled.heat_w + bay - rejected,
        )  # fmt: skip
        suction_k = self.low.isobar.at(warm_h).temperature_k
        moved = Moved(suction_k, self.high.exit.temperature_k, squeezed.temperature_k, self.low.temperature_k, rejected)
        self._lag(dt_s, engine_on, cooled.air_k, moved)

    def _spared(self) -> bool:
        """Whether the compressor may run: it is let go when too hot or drawing on nothing, until both have passed."""
        if self.lines.discharge_k > _HOT_K or self.low_side_pa < self.design.low_cut_pa:
            self._tripped = True
        elif self.lines.discharge_k < _COOLED_K and self.low_side_pa > self.design.switch_off_pa:
            self._tripped = False
        return not self._tripped

    def _evaporate(self, air_flow: float) -> tuple[evaporator.Cooled, Point]:
        """What the coil does, and the state at the accumulator's outlet."""
        low, design = self.low, self.design
        liquid = low.liquid_kg / low.row.rho_l
        self.wet_share = min(liquid / design.evaporator_liquid_m3, 1.0)
        over = (liquid - design.evaporator_liquid_m3 - 0.8 * design.accumulator_m3) / design.evaporator_liquid_m3
        carried = min(max(0.4 * over, 0.0), 0.6)
        cooled = self._coil.cool(
            low.temperature_k, low.row, self.air.temperature_k, self._humidity, air_kg_s=air_flow, flow=self.flow_kg_s,
            wet=self.wet_share,
        )  # fmt: skip
        vapour = low.vapour
        if carried > 0.0:
            return cooled, low.isobar.at(vapour.h - carried * (low.row.h_v - low.row.h_l))
        if cooled.superheat_k <= 0.0 or low.isobar.dome is None:
            return cooled, vapour
        return cooled, low.isobar.at_temperature(vapour.temperature_k + cooled.superheat_k)

    def _exchange(self, outlet: Point) -> float:
        """J/kg of the vapour behind the internal heat exchanger; what it takes is kept as W for the step."""
        self._exchanged_w = 0.0
        flow, through = self._balance.compressor_kg_s, self._balance.valve_kg_s
        hot = self.high.last
        if not self.controls.clutch_on or flow <= 1e-4 or through <= 1e-4 or hot.temperature_k <= outlet.temperature_k:
            return outlet.h
        cold_end = self.fluid.isobar(self.high.pressure_pa).at_temperature(outlet.temperature_k).h
        warm_end = self.low.isobar.at_temperature(hot.temperature_k).h
        most = min(through * (hot.h - cold_end), flow * (warm_end - outlet.h))
        self._exchanged_w = self.design.exchanger * max(most, 0.0)
        return outlet.h + self._exchanged_w / flow

    def _compress(self, dt_s: float, rpm: float, warm_h: float) -> tuple[compressor.Compression, float]:
        """What the compressor does, and J/kg the engine bay gave the vapour on the way to it."""
        if not self.controls.clutch_on:
            self._exchanged_w = 0.0
            return compressor.Compression(0.0, warm_h, self.lines.discharge_k), 0.0
        inlet = self.low.isobar.at(warm_h)
        bay = max(self.air.temperature_k + 15.0 - inlet.temperature_k, 0.0)
        line_h = min(self.design.suction_line_ua * bay / max(self.flow_kg_s, 2e-3), 8e3)
        inlet = self.low.isobar.at(warm_h + line_h)
        low_pa, high_pa = self.low.pressure_pa, self.high.pressure_pa
        machine = compressor.machine(low_pa, high_pa, self.faults.compressor_efficiency)
        # a side full of liquid takes in no more than leaves it: the compressor's relief opens
        room = max(_FULL * self.design.high_m3 - self.high.mass, 0.0)
        most = min(0.3 * self.low.mass / dt_s, max(self._balance.valve_kg_s, 0.0) + room / (4.0 * dt_s))
        flow = min(machine.volumetric * self._swept(rpm) * low_pa / inlet.pv, most)
        before = self._balance.compressor_kg_s
        if before > 1e-4:  # the exchanger's heat was worked out with the flow before
            self._exchanged_w *= flow / before
        isobar = self.fluid.isobar(high_pa)
        ideal = max(isobar.at_entropy(inlet.s).h - inlet.h, 0.0)
        outlet = isobar.at(inlet.h + ideal / machine.isentropic)
        return compressor.Compression(flow, outlet.h, outlet.temperature_k), line_h

    def _regulate(self, dt_s: float) -> None:
        """The valve moves towards the pressure that suits the exit temperature: proportional and integral."""
        if self.design.expansion == "orifice":
            return
        exit_k, evaporating_k = self.high.exit.temperature_k, self.low.temperature_k
        wanted = best_pressure(exit_k - 273.15, evaporating_k - 273.15)
        if exit_k + 3.0 < self.fluid.highest_k:
            wanted = max(wanted, self.fluid.at(exit_k + 3.0).p)  # a cool day: some subcooling
        wrong = (self.high.pressure_pa - min(wanted, self.design.most_wanted_pa)) / _VALVE_BAND_PA
        self._asked = min(max(self.opening + wrong, _LEAST_OPEN), 1.0)
        if self.controls.clutch_on:
            self.opening = min(max(self.opening + wrong * dt_s / _VALVE_S, _LEAST_OPEN), 1.0)

    def _area(self) -> float:
        design, stuck = self.design, self.faults.valve_stuck
        if design.expansion == "orifice":
            return self._through(design.orifice_m2 * (1.0 if stuck is None else stuck))
        return self._through(design.valve_m2 * (self._asked if stuck is None else stuck))

    def _takes(self, isobar: Isobar, h: float) -> float:
        """kg/s through the expansion device from a high side at `isobar` whose line holds `h`."""
        low = self.low
        if isobar.pressure_pa < low.pressure_pa:
            back = valve.forced(self._area(), low.pressure_pa / low.vapour.pv, low.pressure_pa - isobar.pressure_pa)
            return -min(back, 0.3 * low.mass)
        before = self._balance.valve_kg_s
        arriving = h - self._exchanged_w / before if before > 1e-4 else h
        throat = max(low.pressure_pa, valve.FLASHING * self._flash_pa(arriving, isobar.pressure_pa))
        return valve.forced(self._area(), isobar.density(arriving), max(isobar.pressure_pa - throat, 0.0))

    def _flash_pa(self, h: float, high_pa: float) -> float:
        """Where liquid of that enthalpy begins to boil; vapour and what is denser than either chokes at about half."""
        return min(self.fluid.boiling_pressure(h), 0.62 * high_pa)

    def _charge(self, dt_s: float, charge_flow: float, inflow: Inflow, engine_on: bool) -> tuple[Inflow, float]:
        """What flows into the high side with the charge, and J that go into the low side."""
        air_k = self.air.temperature_k
        if charge_flow < 0.0:
            return self._draw(dt_s, -charge_flow, inflow)
        warm = air_k > self.fluid.highest_k
        row = self.fluid.at(air_k)
        dense = self.fluid.isobar(_SUPPLY_PA).at_temperature(air_k).h
        if engine_on:
            self.low.mass += dt_s * charge_flow
            return inflow, dt_s * charge_flow * (dense if warm else row.h_v)
        h = dense if warm else row.h_l
        return Inflow(charge_flow, h), 0.0

    def _draw(self, dt_s: float, flow: float, inflow: Inflow) -> tuple[Inflow, float]:
        total = self.charge_kg
        left = max(self.high.cells[0].mass - LEAST_KG, 0.0)
        high = min(flow * self.high.mass / total, 0.5 * left / dt_s)
        low = min(dt_s * flow * self.low.mass / total, max(self.low.mass - LEAST_KG, 0.0))
        self.low.mass -= low
        drawn = Inflow(inflow.flow - high, self.high.cells[0].h)
        return (drawn if inflow.flow <= 0.0 else inflow), -low * self.low.vapour.h
