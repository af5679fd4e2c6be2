"""A loop under a vacuum pump: air, water and refrigerant in one volume.

Theory. The state is the amount (mol) of air, water vapour and refrigerant vapour, with p = n R T / V each. Per second:
- the pump takes every gas alike, n S/V, where 1/S = 1/S_pump + 1/C. The pump's speed fades at its ultimate pressure,
  S_pump = S0 (1 - p_ult/p); the hose conducts C = C_mol + C_visc p (molecular and viscous flow in a tube; Knudsen, Poiseuille);
- a leak lets in q (p_atm^2 - p^2)/p_atm^2 of air (viscous flow through a fine channel), q in Pa m3/s;
- a pool of water boils or condenses with K (p_sat(T_pool) - p_water). It cools by the heat of vaporisation, freezes at the
  triple point, sublimes below, and is warmed by the metal through a conductance;
- refrigerant and water held by oil and desiccant come out with k (N/V_h - p/...) until both sides agree. In a closed loop
  that is exactly b (1 - exp(-t/tau)), with 1/tau = k (1/V_h + 1/V).
Limits: one well-mixed volume at one gas temperature; no adsorption on metal beyond what the holds stand for.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from baytrace.physics.moisture import TRIPLE_POINT_K, saturation_pressure

R = 8.314462618
"""J/(mol K), CODATA 2018."""
WATER_KG_MOL = 0.018_015_268
"""kg/mol, IAPWS R6-95(2018)."""
_VAPORISE, _FUSE = 2.50e6, 3.334e5
"""J/kg at the triple point (IAPWS R6-95, R10-06; rounded)."""
_LIQUID_HEAT, _ICE_HEAT, _VAPOUR_HEAT = 4.2e3, 2.1e3, 1.86e3
"""J/(kg K) near 0 degC."""
_LARGEST_STEP_S = 0.05


@dataclass(slots=True)
class Pump:
    """`speed` m3/s at the inlet, `ultimate` Pa; hose conductances m3/s and m3/(s Pa)."""

    speed: float = 1.5e-3
    ultimate: float = 2.0
    hose_molecular: float = 2.5e-5
    hose_viscous: float = 1.2e-6

    def pumping(self, pressure: float) -> float:
        """m3/s at the loop's end of the hose at `pressure` Pa there."""
        if pressure <= self.ultimate:
            return 0.0
        speed = self.speed * (1.0 - self.ultimate / pressure)
        conductance = self.hose_molecular + self.hose_viscous * pressure
        return speed * conductance / (speed + conductance)


@dataclass(slots=True)
class Pool:
    """Water lying in the loop. `heat` is J above liquid at the triple point, pool and the metal it wets together."""

    mass: float = 0.0
    heat: float = 0.0
    metal: float = 60.0
    """Heat capacity of the wetted metal, J/K."""
    warming: float = 4.0
    """Conductance from the loop's body, W/K."""
    boiling: float = 1.0e-7
    """kg/(s Pa) of evaporation per pressure difference."""

    def settle(self, temperature_k: float) -> None:
        """At rest, liquid, at `temperature_k`."""
        self.heat = (temperature_k - TRIPLE_POINT_K) * (self.mass * _LIQUID_HEAT + self.metal)

    @property
    def temperature_k(self) -> float:
        if self.heat >= 0.0:
            return TRIPLE_POINT_K + self.heat / (self.mass * _LIQUID_HEAT + self.metal)
        frozen = -self.mass * _FUSE
        if self.heat >= frozen:
            return TRIPLE_POINT_K
        return TRIPLE_POINT_K + (self.heat - frozen) / (self.mass * _ICE_HEAT + self.metal)

    def step(self, dt_s: float, vapour_pa: float, body_k: float) -> float:
        """mol of vapour given off (below zero: taken up) in `dt_s`."""
        if self.mass <= 0.0:
            return 0.0
        temperature = self.temperature_k
        flow = self.boiling * (float(saturation_pressure(temperature)) - vapour_pa)
        gone = min(flow * dt_s, self.mass)
        # counted from liquid at the triple point, vapour carries the heat of vaporisation whether it left liquid or ice
        leaving = gone * (_VAPORISE + _VAPOUR_HEAT * (temperature - TRIPLE_POINT_K))
        self.heat += self.warming * (body_k - temperature) * dt_s - leaving
        self.mass -= gone
        return gone / WATER_KG_MOL


@dataclass(slots=True)
class Holder:
    """Gas held by oil or desiccant: `held` mol, as if at the loop's pressure in a further volume `room` (m3)."""

    held: float = 0.0
    room: float = 1.0e-3
    exchange: float = 1.0e-5
    """m3/s; sets the time constant."""

    def step(self, dt_s: float, amount: float, volume: float) -> float:
        """mol given off in `dt_s` while the gas holds `amount` mol in `volume` m3."""
        gone = self.exchange * dt_s * (self.held / self.room - amount / volume)
        gone = min(gone, self.held)
        self.held -= gone
        return gone

    @classmethod
    def rising(cls, by_pa: float, tau_s: float, volume: float, temperature_k: float, rooms: float) -> Holder:
        """One that lifts a closed, empty `volume` by `by_pa` with time constant `tau_s`; its room is `rooms` times the volume.

        A pump empties it with the time constant tau (1 + rooms).
        """
        room = rooms * volume
        total = by_pa * (room + volume) / (R * temperature_k)
        return cls(total, room, 1.0 / (tau_s * (1.0 / room + 1.0 / volume)))


@dataclass(slots=True)
class Vessel:
    """`volume` m3, temperatures K, amounts mol, `leak` Pa m3/s of air in from `atmosphere` Pa into a vacuum."""

    volume: float
    temperature_k: float
    atmosphere: float
    pump: Pump = field(default_factory=Pump)
    pool: Pool = field(default_factory=Pool)
    wet: Holder = field(default_factory=Holder)
    oil: Holder = field(default_factory=Holder)
    leak: float = 0.0
    air: float = 0.0
    water: float = 0.0
    refrigerant: float = 0.0
    pumped: float = 0.0
    """mol taken by the pump so far."""
    leaked: float = 0.0
    """mol let in (out: below zero) by the leak so far."""

    def fill_with_air(self, pressure: float) -> None:
        """Air (or dry nitrogen, which behaves the same here) at `pressure` Pa absolute, damp where water lies in the loop."""
        vapour = min(float(saturation_pressure(self.temperature_k)), pressure) if self.pool.mass > 0.0 else 0.0
        self.water = vapour * self.volume / (R * self.temperature_k)
        self.air = (pressure - vapour) * self.volume / (R * self.temperature_k)
        self.pool.settle(self.temperature_k)

    @property
    def pressure(self) -> float:
        """Pa, absolute."""
        return (self.air + self.water + self.refrigerant) * R * self.temperature_k / self.volume

    @property
    def vapour_pressure(self) -> float:
        return self.water * R * self.temperature_k / self.volume

    @property
    def amount(self) -> float:
        """mol inside altogether: gases, pool and what is held."""
        gases = self.air + self.water + self.refrigerant
        return gases + self.pool.mass / WATER_KG_MOL + self.wet.held + self.oil.held

    def step(self, dt_s: float, *, pumping: bool, temperature_k: float | None = None) -> None:
        """Let `dt_s` seconds pass with the pump's valve open or shut, the loop's body at `temperature_k`."""
        if temperature_k is not None:
            self.temperature_k = temperature_k
        count = max(1, round(dt_s / _LARGEST_STEP_S)) if self._lively(pumping) else max(1, round(dt_s / 0.5))
        for _ in range(count):
            self._advance(dt_s / count, pumping)

    def _lively(self, pumping: bool) -> bool:
        """Whether anything moves faster than half-second steps can follow."""
        return (pumping and self.pressure > 200.0) or self.pool.mass > 0.0

    def _advance(self, dt_s: float, pumping: bool) -> None:
        pressure = self.pressure
        if pumping:
            kept = 1.0 / (1.0 + self.pump.pumping(pressure) * dt_s / self.volume)
            self.pumped += (1.0 - kept) * (self.air + self.water + self.refrigerant)
            self.air, self.water, self.refrigerant = self.air * kept, self.water * kept, self.refrigerant * kept
        came = self.leak * (1.0 - (pressure / self.atmosphere) ** 2) / (R * self.temperature_k) * dt_s
        came = max(came, -0.5 * self.air)
        self.air += came
        self.leaked += came
        self.water += self.pool.step(dt_s, self.vapour_pressure, self.temperature_k)
        self.water += self.wet.step(dt_s, self.water, self.volume)
        self.refrigerant += self.oil.step(dt_s, self.refrigerant, self.volume)
