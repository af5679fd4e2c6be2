"""The simulated loop against property values computed apart from it, and against the first law."""

import pytest
from CoolProp.CoolProp import PropsSI

from baytrace_sim.loop import DESIGNS, Air, Faults, Loop, design, steady
from baytrace_sim.loop.air import enthalpy
from baytrace_sim.loop.compressor import compress, suction
from baytrace_sim.loop.properties import refrigerant

CONSTANT = [pytest.param(e, c, t, id=f"{e}-{c}-{t}") for e, c in DESIGNS for t in (311.15, 315.15)]


@pytest.mark.parametrize("fluid", ["R134a", "R1234yf", "R152a"])
@pytest.mark.parametrize("temperature", [243.21, 268.33, 283.77, 311.02, 333.19])
def test_tables_follow_the_equation_of_state(fluid, temperature):
    """Pressure, densities and enthalpies from the tables agree with direct property calls (CoolProp, the equations of
    Tillner-Roth and Baehr 1994, Lemmon and Akasaka 2022, Outcalt and McLinden 1996): 1e-4, latent heat 1e-4."""
    row = refrigerant(fluid).at(temperature)

    def direct(name, quality):
        return PropsSI(name, "T", temperature, "Q", quality, fluid)

    assert row.p == pytest.approx(direct("P", 0), rel=1e-4)
    assert row.rho_l == pytest.approx(direct("D", 0), rel=1e-4)
    assert row.rho_v == pytest.approx(direct("D", 1), rel=1e-4)
    latent = direct("H", 1) - direct("H", 0)
    assert row.h_v - row.h_l == pytest.approx(latent, rel=1e-4)
    assert refrigerant(fluid).saturation_temperature(row.p) == pytest.approx(temperature, abs=1e-3)


def test_r134a_saturation_as_published():
    """R134a saturation pressures of the ASHRAE Handbook, Fundamentals, ch. 30 (from memory): 0 degC 0.29280, 30 degC
    0.77020, 60 degC 1.6818 MPa."""
    table = refrigerant("R134a")
    for celsius, megapascal in ((0.0, 0.29280), (30.0, 0.77020), (60.0, 1.6818)):
        assert table.at(celsius + 273.15).p == pytest.approx(megapascal * 1e6, rel=2e-4)


@pytest.mark.parametrize("superheat", [3.3, 9.7, 41.5])
def test_superheated_vapour_follows_the_equation_of_state(superheat):
    """Enthalpy within 0.1 kJ/kg, density within 0.2 % between the table's nodes."""
    saturation_k = 281.3
    pressure = PropsSI("P", "T", saturation_k, "Q", 1, "R134a")
    density, enthalpy_, _ = refrigerant("R134a").vapour(saturation_k, superheat)
    assert enthalpy_ == pytest.approx(PropsSI("H", "T", saturation_k + superheat, "P", pressure, "R134a"), abs=100.0)
    assert density == pytest.approx(PropsSI("D", "T", saturation_k + superheat, "P", pressure, "R134a"), rel=2e-3)


def test_compression_follows_the_isentrope():
    """Work per kg times isentropic efficiency is the isentropic enthalpy rise from direct property calls, within 0.3 %."""
    fluid = refrigerant("R134a")
    low, high = 3.0e5, 15.0e5
    inlet = suction(fluid, fluid.saturation_temperature(low), 8.0, 1.0)
    done = compress(fluid, inlet, low, high, swept_m3_s=3e-3, efficiency=1.0)
    temperature = PropsSI("T", "P", low, "Q", 1, "R134a") + 8.0
    entropy = PropsSI("S", "P", low, "T", temperature, "R134a")
    ideal = PropsSI("H", "P", high, "S", entropy, "R134a") - PropsSI("H", "P", low, "T", temperature, "R134a")
    isentropic = 0.74 - 0.018 * (high / low - 1.0)
    assert (done.enthalpy - inlet.enthalpy) * isentropic == pytest.approx(ideal, rel=3e-3)
    assert done.temperature_k == pytest.approx(PropsSI("T", "P", high, "H", done.enthalpy, "R134a"), abs=0.3)


@pytest.mark.parametrize(("expansion", "clutch", "temperature"), CONSTANT)
def test_steady_state_obeys_the_first_law(expansion, clutch, temperature):
    """Without cycling: compressor work and heat taken up equal heat rejected, within 0.1 %, and mass flows agree."""
    found = steady(Loop(design(expansion, clutch), Air(temperature, 0.35)))
    assert found.converged
    assert found.duty == 1.0
    balance = found.balance
    assert abs(balance.residual) < 1e-3
    assert balance.compressor_kg_s == pytest.approx(balance.valve_kg_s, rel=1e-3)


@pytest.mark.parametrize(("expansion", "clutch", "temperature"), CONSTANT)
def test_air_side_agrees_with_refrigerant_side(expansion, clutch, temperature):
    """What the air loses over the coil, less what drains with the condensate, is the evaporator's heat within 0.1 %."""
    air = Air(temperature, 0.35)
    balance = steady(Loop(design(expansion, clutch), air)).balance
    before = enthalpy(air.temperature_k, air.humidity_ratio)
    after = enthalpy(balance.coil_air_k, balance.coil_humidity_ratio)
    given = balance.evaporator_air_kg_s * (before - after) - balance.drained_w
    assert given == pytest.approx(balance.evaporator_w, rel=1e-3)


@pytest.mark.parametrize("expansion", ["orifice", "valve"])
def test_states_at_the_ports_explain_the_heat_flows(expansion):
    """Enthalpies from direct property calls at the simulated pressures and line temperatures, times the flow, give the
    evaporator's heat within 1.5 % and the condenser's within 1.5 % (line probes and gauge ports, not the model's insides)."""
    loop = Loop(design(expansion, "variable"), Air(311.15, 0.4))
    found = steady(loop)
    flow = found.balance.compressor_kg_s
    liquid = PropsSI("H", "T", found.liquid_line_k, "P", found.high_side_pa, "R134a")
    hot = PropsSI("H", "T", found.discharge_line_k, "P", found.high_side_pa, "R134a")
    if expansion == "valve":
        cold = PropsSI("H", "T", found.suction_line_k, "P", found.low_side_pa, "R134a")
    else:
        cold = PropsSI("H", "P", found.low_side_pa, "Q", 1, "R134a")
    assert flow * (cold - liquid) == pytest.approx(found.balance.evaporator_w, rel=0.015)
    assert flow * (hot - liquid) == pytest.approx(found.balance.condenser_w, rel=0.015)


@pytest.mark.parametrize(
    "faults",
    [
        Faults(condenser_airflow=0.5),
        Faults(compressor_efficiency=0.6),
        Faults(restriction=0.7),
        Faults(noncondensable_kg=2e-3),
    ],
    ids=["airflow", "compressor", "restriction", "air"],
)
@pytest.mark.parametrize("expansion", ["orifice", "valve"])
def test_faulty_loops_obey_the_first_law_too(expansion, faults):
    """A settled loop with a fault keeps the first law within 0.1 %, as it must: a fault moves heat, it makes none."""
    found = steady(Loop(design(expansion, "variable"), Air(303.15, 0.4), faults))
    assert found.converged
    assert found.duty == 1.0
    assert abs(found.balance.residual) < 1e-3
