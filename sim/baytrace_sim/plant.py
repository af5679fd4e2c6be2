"""One physical model of the job: vessel, charge, running loop and coils, advanced in simulated time.

Under vacuum or nitrogen the loop is the `Vessel`; from the first gram of refrigerant on it is the `Loop`. Each role's true
value is asked by `true`, in SI with absolute pressures. Time counts from the start of the script.
"""

from __future__ import annotations

import math

from baytrace.measure.roles import Role
from baytrace_sim.coils import Bank
from baytrace_sim.loop import Air, Faults, LoopBase, design, loop_of
from baytrace_sim.scenario import Scenario
from baytrace_sim.script import Deed, Script, Timed
from baytrace_sim.tank import Tank
from baytrace_sim.vessel import Holder, Pool, Pump, Vessel

_ZERO_C = 273.15
_STEP_S = 1.0


class Plant:
    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.script: Script = scenario.script
        self.time_s = 0.0
        around = scenario.surroundings
        self.atmosphere_pa = scenario.atmosphere_pa
        self._body_k = around.body_c + _ZERO_C
        self._air = Air(around.temperature_c + _ZERO_C, around.humidity, self.atmosphere_pa)
        keys = scenario.loop
        self._design = design(keys.expansion, keys.clutch, scenario.refrigerant)
        self.volume_m3 = keys.volume_l * 1e-3 if keys.volume_l else self._design.volume_m3
        self.vessel = self._vessel()
        self.loop = self._charged_with(keys.charged_g * 1e-3) if keys.charged_g else None
        tank = scenario.tank
        self.tank = Tank(
            tank.full_g * 1e-3, tank.creep_g_h * 1e-3 / 3600.0, bumps=[(a, b, g * 1e-3) for a, b, g in tank.bumps]
        )
        coils = scenario.coils
        self.bank = Bank(
            tuple(coils.at_20_ohm),
            coils.lead_ohm,
            coils.temperature_c + _ZERO_C,
            unsteady=tuple(coil - 1 for coil in coils.unsteady),
            seed=scenario.seed,
        )
        self._pumping = self._charging = self._engine = False
        self._rpm = keys.rpm_idle
        self._next = 0

    def _vessel(self) -> Vessel:
        keys = self.scenario.vacuum
        volume = self.volume_m3 + keys.hose_l * 1e-3
        temperature = self._body_k
        vessel = Vessel(
            volume,
            temperature,
            self.atmosphere_pa,
            Pump(keys.pump_l_s * 1e-3, keys.ultimate_pa),
            Pool(keys.water_g * 1e-3),
            Holder.rising(keys.bound_water_pa, keys.bound_water_s, volume, temperature, keys.bound_rooms),
            Holder.rising(keys.dissolved_pa, keys.dissolved_s, volume, temperature, keys.dissolved_rooms),
            keys.leak_pa_m3_s,
        )
        vessel.fill_with_air(self.atmosphere_pa if keys.start_pa is None else keys.start_pa)
        return vessel

    def _charged_with(self, kilograms: float) -> LoopBase:
        faults = Faults(**self.scenario.loop.fault)  # type: ignore[arg-type]
        return loop_of(self._design, self._air, faults, kilograms, self.scenario.refrigerant)

    # -- time

    @property
    def finished(self) -> bool:
        return self.time_s >= self.script.length_s

    def advance(self, to_s: float) -> list[Timed]:
        """Play the script up to `to_s`; the deeds done on the way, in order."""
        done: list[Timed] = []
        while True:
            due = self.script.deeds[self._next].at_s if self._next < len(self.script.deeds) else math.inf
            until = min(to_s, due)
            while self.time_s < until:
                self._step(min(_STEP_S, until - self.time_s))
            if due > to_s:
                return done
            deed = self.script.deeds[self._next]
            self._next += 1
            self._do(deed)
            done.append(deed)

    def _do(self, deed: Timed) -> None:
        keys = self.scenario.loop
        match deed.do:
            case None:
                self.tank.close()
            case Deed.PUMP_ON:
                self._pumping = True
            case Deed.ISOLATE:
                self._pumping = False
            case Deed.NITROGEN:
                self.vessel.fill_with_air(self.atmosphere_pa + self.scenario.vacuum.nitrogen_bar * 1e5)
            case Deed.CHARGE:
                self._pumping = False
                if self.loop is None:
                    self.loop = self._charged_with(0.0)
                self.tank.open(deed.step.rate_g_s * 1e-3, deed.step.grams * 1e-3)
            case Deed.ENGINE_ON | Deed.ENGINE_IDLE:
                self._engine, self._rpm = True, keys.rpm_idle
            case Deed.ENGINE_FAST:
                self._engine, self._rpm = True, keys.rpm_fast
            case Deed.ENGINE_OFF:
                self._engine = False
            case _:
                return

    def _step(self, dt_s: float) -> None:
        self.time_s += dt_s
        self._body_k += self.scenario.surroundings.body_drift_c_h / 3600.0 * dt_s
        if self.loop is None:
            self.vessel.step(dt_s, pumping=self._pumping, temperature_k=self._body_k)
            return
        gone = self.tank.step(dt_s)
        blower = self.scenario.loop.blower if self._engine else 0.0
        self.loop.step(dt_s, engine_on=self._engine, rpm=self._rpm, blower=blower, charge_flow_kg_s=gone / dt_s)

    # -- what is so

    def true(self, role: Role, time_s: float | None = None) -> float:
        """SI, pressures absolute; inf for an open circuit. `time_s` asks the ohmmeter's leads at a finer instant."""
        around = self.scenario.surroundings
        match role:
            case Role.SYSTEM_PRESSURE:
                return self._pressure(Role.LOW_SIDE)
            case Role.LOW_SIDE | Role.HIGH_SIDE:
                return self._pressure(role)
            case Role.AMBIENT_AIR:
                return around.temperature_c + _ZERO_C
            case Role.AMBIENT_HUMIDITY:
                return around.humidity
            case Role.BAROMETER:
                return self.atmosphere_pa
            case Role.TANK_MASS:
                return self.tank.shown_kg(self.time_s)
            case Role.COIL_RESISTANCE:
                at = self.time_s if time_s is None else time_s
                return self.bank.seen(self.script.contact_at(at), at)
            case Role.COIL_TEMPERATURE:
                return self.bank.temperature_k
            case Role.SYSTEM_TEMPERATURE:
                return self._body_k
            case _:
                return self._line(role)

    def _pressure(self, role: Role) -> float:
        if self.loop is None:
            return self.vessel.pressure
        return self.loop.low_side_pa if role is Role.LOW_SIDE else self.loop.high_side_pa

    def _line(self, role: Role) -> float:
        if self.loop is None:
            return self._air.temperature_k if role is Role.VENT_AIR else self._body_k
        match role:
            case Role.SUCTION_LINE:
                return self.loop.suction_line_k
            case Role.LIQUID_LINE:
                return self.loop.liquid_line_k
            case Role.DISCHARGE_LINE:
                return self.loop.discharge_line_k
            case _:
                return self.loop.vent_air_k
