"""Faults of the loop model at three strengths, and seeded scenarios of cars, days and faults."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from baytrace.physics.fluid_names import resolve
from baytrace_sim.loop import Air, Faults, LoopBase, design, loop_of

DESIGNS = (("orifice", "cycling"), ("orifice", "variable"), ("valve", "cycling"), ("valve", "variable"))
SOUND = "nothing wrong"

# cause -> (mild, plain, severe), each a charge as a share of the label and the loop's faults
STRENGTHS: dict[str, tuple[tuple[float, Faults], ...]] = {
    "overcharge": tuple((share, Faults()) for share in (1.35, 1.5, 1.65)),
    "undercharge": tuple((share, Faults()) for share in (0.65, 0.55, 0.45)),
    "condenser airflow": tuple((1.0, Faults(condenser_airflow=share)) for share in (0.55, 0.4, 0.25)),
    "worn or slipping compressor": tuple((1.0, Faults(compressor_efficiency=share)) for share in (0.55, 0.4, 0.3)),
    "restriction": tuple((1.0, Faults(restriction=share)) for share in (0.6, 0.75, 0.88)),
    "air in the loop": tuple((1.0, Faults(noncondensable_kg=kg)) for kg in (0.003, 0.006, 0.012)),
    "wet or stuck valve": (
        (1.0, Faults(valve_stuck=0.85)),
        (1.0, Faults(valve_stuck=1.0)),
        (1.0, Faults(wet=1.0)),
    ),
    "clutch not engaged": tuple((1.0, Faults(clutch_engages=False)) for _ in range(3)),
}


def not_modelled(fluid: str) -> tuple[str, ...]:
    """Causes the loop of that refrigerant cannot show."""
    return ("air in the loop",) if resolve(fluid).transcritical else ()


@dataclass(frozen=True)
class Scenario:
    """One car on one day. `strength` 1 mild to 3 severe; 0 for a sound car."""

    expansion: str
    clutch: str
    ambient_c: float
    humidity: float
    cause: str
    strength: int
    rpm: float = 1500.0
    blower: float = 0.7
    sizes: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    """Displacement, condenser, evaporator and expansion device against the ready-made design."""
    fluid: str = "R134a"

    @property
    def valve(self) -> str:
        """The kind of valve as the pressures watch names it."""
        return "orifice tube" if self.expansion == "orifice" else "expansion valve"

    @property
    def sound_in_truth(self) -> bool:
        """A fault that is none: a tube of the right size cannot stick wide open."""
        faults = STRENGTHS[self.cause][self.strength - 1][1] if self.strength else Faults()
        return self.expansion == "orifice" and faults.valve_stuck == 1.0

    def loop(self) -> LoopBase:
        built = design(self.expansion, self.clutch, self.fluid)
        built = replace(
            built,
            displacement_m3=built.displacement_m3 * self.sizes[0],
            condenser_ua=built.condenser_ua * self.sizes[1],
            evaporator_refrigerant_ua=built.evaporator_refrigerant_ua * self.sizes[2],
            orifice_m2=built.orifice_m2 * self.sizes[3],
            valve_m2=built.valve_m2 * self.sizes[3],
        )
        share, faults = STRENGTHS[self.cause][self.strength - 1] if self.strength else (1.0, Faults())
        air = Air(self.ambient_c + 273.15, self.humidity)
        return loop_of(built, air, faults, charge_kg=built.label_charge_kg * share, refrigerant=self.fluid)


def seeded(seed: int, cause: str, strength: int, *, unlike: float = 0.1, fluid: str = "R134a") -> Scenario:
    """Any car (its parts' sizes up to `unlike` off the design) and day: both valves, both clutches, 15 to 45 degC, 20 to 95 % (no wetter than a dew point of 29 degC)."""
    rng = np.random.default_rng(seed)
    expansion, clutch = DESIGNS[rng.integers(4)]
    ambient = float(rng.uniform(15.0, 45.0))
    wettest = min(0.95, 10.0 ** (7.5 * 29.0 / (237.3 + 29.0) - 7.5 * ambient / (237.3 + ambient)))
    humidity = float(rng.uniform(0.2, max(wettest, 0.25)))
    rpm, blower = float(rng.uniform(1300.0, 1700.0)), float(rng.uniform(0.6, 0.8))
    sizes = tuple(float(size) for size in rng.uniform(1.0 - unlike, 1.0 + unlike, 4))
    return Scenario(expansion, clutch, ambient, humidity, cause, strength, rpm, blower, sizes, fluid)  # type: ignore[arg-type]
