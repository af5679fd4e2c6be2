"""The pressures watch with other refrigerants than that of its table of signatures."""

import itertools
import math

import numpy as np
import pytest

from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import carried_on_pressure, compressed, saturation, state_at
from baytrace.watches.pressures.causes import SIGNS, SOUND, Day, rank, signatures
from baytrace.watches.pressures.discharge import Running, carried
from baytrace.watches.running.figures import Value
from baytrace_sim.loop import Air, Faults, Loop, design, steady

R134A = resolve("R134a")
WARM = Running(275.15, 323.15, 8.0)


def ideal_discharge(fluid, running):
    """K above condensing after a compression without losses."""
    low = saturation(fluid, temperature_k=running.evaporating_k).pressure_pa
    high = saturation(fluid, temperature_k=running.condensing_k).pressure_pa
    suction = state_at(fluid, low, running.evaporating_k + running.superheat_k, side="vapour")
    return compressed(fluid, suction, high).temperature_k - running.condensing_k


@pytest.mark.parametrize("name", ["R1234yf", "R152a", "R290"])
def test_an_ideal_compression_is_carried_to_an_ideal_one(name):
    """Without losses the other refrigerant's own isentrope gives the discharge temperature."""
    found = carried(R134A, resolve(name), WARM, ideal_discharge("R134a", WARM))
    assert found == pytest.approx(ideal_discharge(name, WARM), abs=0.05)


@pytest.mark.parametrize("shown", [2.0, 12.0, 35.0])
def test_the_same_refrigerant_is_left_as_it_is(shown):
    """Carried from R134a to R134a nothing changes."""
    assert carried(R134A, R134A, WARM, shown) == pytest.approx(shown, abs=1e-6)


def test_more_loss_stays_more_heat():
    """A hotter discharge of the table's refrigerant is a hotter discharge of the other."""
    found = [carried(R134A, resolve("R1234yf"), WARM, shown) for shown in (4.0, 12.0, 20.0, 40.0)]
    assert found == sorted(found)
    assert found[-1] < 40.0


def test_a_state_that_is_not_there_leaves_the_figure():
    """Condensing above the other's critical point (R1234yf: 94.7 degC): the figure is kept."""
    assert carried(R134A, resolve("R1234yf"), Running(283.15, 371.0, 5.0), 17.0) == 17.0


def test_a_blend_is_ranked_without_its_discharge():
    """A mixture's table has no discharge, and its causes are still ranked by the other signs."""
    assert np.isnan(signatures("R32[0.7]&R125[0.3]").signs[:, SIGNS.index("discharge")]).all()
    signs = {"evaporating": Value(2.0, 0.5), "superheat": Value(40.0, 0.5), "discharge": Value(60.0, 1.0)}
    found = rank(signs, Day(29.0, 0.5, "expansion valve"), "both low", "R32[0.7]&R125[0.3]")
    assert found[0].cause in ("undercharge", "restriction")
    assert not any("discharge" in text for cause in found for text in (*cause.speaks_for, *cause.speaks_against))


@pytest.mark.parametrize("fluid", ["R1234yf", "R152a"])
@pytest.mark.parametrize(
    ("cause", "share", "faults"),
    [
        (SOUND, 1.0, Faults()),
        ("worn or slipping compressor", 1.0, Faults(compressor_efficiency=0.4)),
        ("undercharge", 0.5, Faults()),
        ("overcharge", 1.5, Faults()),
        ("condenser airflow", 1.0, Faults(condenser_airflow=0.3)),
    ],
)
def test_a_cause_is_known_by_its_signs_with_another_refrigerant(fluid, cause, share, faults):
    """What a loop filled with another refrigerant shows on a warm day ranks its true cause first."""
    made, air = design("valve", "variable", fluid), Air(304.15, 0.4)
    loop = Loop(made, air, faults, share * made.label_charge_kg, fluid)
    standing = saturation(fluid, pressure_pa=loop.low_side_pa).temperature_k - air.temperature_k
    found = steady(loop)
    evaporating = saturation(fluid, pressure_pa=found.low_side_pa).temperature_k
    condensing = saturation(fluid, pressure_pa=found.high_side_pa).temperature_k
    values = (
        evaporating - 273.15, condensing - air.temperature_k, found.superheat_k, found.subcooling_k,
        found.liquid_line_k - air.temperature_k, found.vent_air_k - air.temperature_k, found.discharge_line_k - condensing,
        standing,
    )  # fmt: skip
    signs = {name: Value(value, 0.5) for name, value in zip(SIGNS, values, strict=True)}
    assert rank(signs, Day(31.0, 0.4, "expansion valve"), "normal", fluid)[0].cause == cause


@pytest.mark.parametrize("name", ["R744", "R134a"])
def test_the_carried_on_pressure_is_saturation_and_goes_on_rising(name):
    """Below the critical point it is the saturation pressure; beyond it rises on without a step or a kink."""
    fluid = resolve(name)
    top = fluid.critical_temperature_k
    assert carried_on_pressure(fluid, 0.95 * top) == saturation(fluid, temperature_k=0.95 * top).bubble_pressure_pa
    assert carried_on_pressure(fluid, top) == pytest.approx(fluid.critical_pressure_pa, rel=1e-9)
    steps = [carried_on_pressure(fluid, top + kelvin) for kelvin in (-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 10.0, 11.0)]
    assert steps == sorted(steps)
    rises = [math.log(more / less) for less, more in itertools.pairwise(steps) if more / less < 1.05]
    assert max(rises) < 1.15 * min(rises)
