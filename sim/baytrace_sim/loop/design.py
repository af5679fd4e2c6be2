"""What a loop is built of, and what can be wrong with it.

The sizes are those of a middle-class car from common practice, no source: they set the scene, they are no one's car.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from baytrace.measure.faults import BadInput
from baytrace.physics.fluid_names import resolve
from baytrace_sim.loop.properties import refrigerant as tables


@dataclass(frozen=True, slots=True)
class LoopDesign:
    """Volumes in m3, heat conductances (ua) in W/K at full flow, wall heat capacities in J/K, pressures in Pa absolute.

    `expansion="orifice"` is a fixed tube with an accumulator after the evaporator, `"valve"` a thermostatic valve with a
    receiver before the last pass of the condenser (for R744 a valve that keeps the high side's pressure, with an accumulator). `clutch="cycling"` engages and lets go (by the low-side pressure with a
    tube, by the coil's temperature with a valve), `"variable"` stays engaged and changes its stroke with the low side.
    """

    expansion: Literal["orifice", "valve"] = "orifice"
    clutch: Literal["cycling", "variable"] = "cycling"
    label_charge_kg: float = 0.85

    displacement_m3: float = 118e-6
    pulley_ratio: float = 1.25
    smallest_stroke: float = 0.06

    condenser_m3: float = 0.70e-3
    liquid_line_m3: float = 0.15e-3
    receiver_m3: float = 0.0
    last_pass: float = 0.0
    """Share of the condenser's area that lies after the receiver."""
    condenser_ua: float = 620.0
    condenser_wall: float = 2600.0
    fan_m3_s: float = 0.62
    fan_stages: bool = False
    """The fan runs at 0.6 of its flow below a pressure and in full above it, instead of always in full."""
    fan_full_above_pa: float = 15.0e5
    fan_back_below_pa: float = 11.5e5
    soak: float = 0.12
    """Share of the condenser's warmed air that finds its way round to its inlet when the car stands."""

    evaporator_m3: float = 0.70e-3
    evaporator_liquid_m3: float = 0.10e-3
    """Liquid the evaporator and its headers hold when wet to the end."""
    suction_line_m3: float = 0.40e-3
    accumulator_m3: float = 0.36e-3
    evaporator_refrigerant_ua: float = 1000.0
    coil_transfer_units: float = 1.9
    """Number of transfer units on the air side at full blower; the air that misses the coil is exp(-this)."""
    evaporator_wall: float = 3400.0
    blower_m3_s: float = 0.130
    suction_line_ua: float = 3.0
    exchanger: float = 0.0
    """Effectiveness of the internal heat exchanger, before the expansion device against the suction line (R744 only)."""

    orifice_m2: float = 1.40e-6
    valve_m2: float = 2.2e-6
    static_superheat_k: float = 3.5
    superheat_to_full_k: float = 10.0
    bulb_s: float = 3.0

    switch_off_pa: float = 2.70e5
    switch_on_pa: float = 4.10e5
    coil_off_k: float = 273.9
    coil_on_k: float = 276.9
    stroke_low_pa: float = 2.65e5
    stroke_full_pa: float = 3.15e5
    low_cut_pa: float = 2.0e5
    high_cut_pa: float = 29.0e5
    high_resume_pa: float = 20.0e5
    most_wanted_pa: float = 20.0e5
    """What a valve that keeps the high side's pressure (R744 only) asks for at most."""

    def __post_init__(self) -> None:
        if self.expansion not in ("orifice", "valve"):
            raise BadInput(f"expansion {self.expansion!r}", right="'orifice' or 'valve'")
        if self.clutch not in ("cycling", "variable"):
            raise BadInput(f"clutch {self.clutch!r}", right="'cycling' or 'variable'")

    @property
    def high_m3(self) -> float:
        return self.condenser_m3 + self.liquid_line_m3 + self.receiver_m3

    @property
    def low_m3(self) -> float:
        return self.evaporator_m3 + self.suction_line_m3 + self.accumulator_m3

    @property
    def volume_m3(self) -> float:
        """The whole loop's, as an evacuation sees it."""
        return self.high_m3 + self.low_m3


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong; the defaults are a healthy loop. Shares are from 0 to 1 unless said otherwise.

    condenser_airflow: share of the healthy flow. compressor_efficiency: share of the healthy pumping (wear or slip).
    restriction: share of the flow area lost before the expansion device. noncondensable_kg: air in the loop.
    clutch_engages: False for a clutch that never pulls in. valve_stuck: opening (0 shut to 1 wide) at which a thermostatic
    valve, or a tube of that relative size, stays. wet: water in the loop, ice closes the expansion device below 0 degC
    (0 dry, 1 closes in about two minutes). blower: share of the healthy flow over the evaporator.
    """

    condenser_airflow: float = 1.0
    compressor_efficiency: float = 1.0
    restriction: float = 0.0
    noncondensable_kg: float = 0.0
    clutch_engages: bool = True
    valve_stuck: float | None = None
    wet: float = 0.0
    blower: float = 1.0

    def __post_init__(self) -> None:
        shares = {
            "condenser_airflow": self.condenser_airflow,
            "compressor_efficiency": self.compressor_efficiency,
            "restriction": self.restriction,
            "wet": self.wet,
            "blower": self.blower,
            "valve_stuck": self.valve_stuck or 0.0,
        }
        for name, share in shares.items():
            if not 0.0 <= share <= 1.0:
                raise BadInput(f"{name} = {share:g}", where="faults", right="a share from 0 to 1")
        if not 0.0 <= self.noncondensable_kg <= 0.1:
            raise BadInput(f"noncondensable_kg = {self.noncondensable_kg:g}", where="faults", right="0 to 0.1 kg")


_TUBE = LoopDesign()
_VALVE = LoopDesign(
    expansion="valve", label_charge_kg=0.64, receiver_m3=0.17e-3, last_pass=0.14, accumulator_m3=0.0,
    displacement_m3=118e-6,
)  # fmt: skip
DESIGNS: dict[tuple[str, str], LoopDesign] = {
    ("orifice", "cycling"): _TUBE,
    ("orifice", "variable"): replace(_TUBE, clutch="variable", displacement_m3=165e-6),
    ("valve", "cycling"): _VALVE,
    ("valve", "variable"): replace(_VALVE, clutch="variable", displacement_m3=165e-6),
}


_GAS_COOLER = LoopDesign(
    label_charge_kg=0.38, displacement_m3=17e-6,
    condenser_m3=0.32e-3, liquid_line_m3=0.08e-3, condenser_ua=900.0, condenser_wall=2800.0,
    evaporator_m3=0.30e-3, evaporator_liquid_m3=0.06e-3, suction_line_m3=0.25e-3, accumulator_m3=0.24e-3,
    evaporator_refrigerant_ua=1400.0, exchanger=0.55, orifice_m2=0.64e-6, valve_m2=1.5e-6,
    switch_off_pa=32.5e5, switch_on_pa=43.0e5, stroke_low_pa=32.0e5, stroke_full_pa=37.0e5, low_cut_pa=20.0e5,
    high_cut_pa=135.0e5, high_resume_pa=100.0e5, fan_full_above_pa=95.0e5, fan_back_below_pa=80.0e5, most_wanted_pa=122.0e5,
)  # fmt: skip
_KEPT = replace(_GAS_COOLER, expansion="valve")
_TRANSCRITICAL: dict[tuple[str, str], LoopDesign] = {
    ("orifice", "cycling"): _GAS_COOLER,
    ("orifice", "variable"): replace(_GAS_COOLER, clutch="variable", displacement_m3=24e-6),
    ("valve", "cycling"): _KEPT,
    ("valve", "variable"): replace(_KEPT, clutch="variable", displacement_m3=24e-6),
}


def design(expansion: str = "orifice", clutch: str = "cycling", refrigerant: str = "R134a") -> LoopDesign:
    """The ready-made design for an expansion device ("orifice", "valve"), a clutch ("cycling", "variable") and a refrigerant.

    Raises BadInput for what there is no design for.
    """
    found = DESIGNS.get((expansion, clutch))
    if found is None:
        raise BadInput(f"no design for {expansion!r} and {clutch!r}", right="orifice or valve, cycling or variable")
    fluid = resolve(refrigerant)
    if fluid.transcritical:
        if fluid.key != resolve("R744").key:
            raise BadInput(f"no design for {fluid.name}", right="R744, or a refrigerant that condenses on a warm day")
        return _TRANSCRITICAL[expansion, clutch]
    return found if fluid.key == resolve("R134a").key else _suited(found, refrigerant)


_EVAPORATING_K, _CONDENSING_K = 273.15, 323.15
_SWITCHES = (
    "switch_off_pa", "switch_on_pa", "stroke_low_pa", "stroke_full_pa", "low_cut_pa", "high_cut_pa", "high_resume_pa",
    "fan_full_above_pa", "fan_back_below_pa",
)  # fmt: skip


def _suited(made: LoopDesign, refrigerant: str) -> LoopDesign:
    """The same car built for another refrigerant, as a maker would (common practice, no source): the label's charge is as much
    liquid by volume, switches and stroke work at the same saturation temperatures, and the expansion device passes what the
    same compressor draws (suction vapour's density against the root of liquid density and pressure before the device).
    """
    own, known = tables(refrigerant), tables("R134a")
    hot, known_hot = own.at(_CONDENSING_K), known.at(_CONDENSING_K)
    drawn = own.at(_EVAPORATING_K).rho_v / known.at(_EVAPORATING_K).rho_v
    area = drawn * math.sqrt(known_hot.rho_l * known_hot.p / (hot.rho_l * hot.p))
    moved: dict[str, Any] = {name: own.at(known.saturation_temperature(getattr(made, name))).p for name in _SWITCHES}
    return replace(
        made,
        label_charge_kg=round(made.label_charge_kg * hot.rho_l / known_hot.rho_l, 3),
        orifice_m2=made.orifice_m2 * area,
        valve_m2=made.valve_m2 * area,
        **moved,
    )
