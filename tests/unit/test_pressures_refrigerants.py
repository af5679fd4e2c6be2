"""The pressures watch with other refrigerants than R134a."""

import itertools
import math

import numpy as np
import pytest

from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import carried_on_pressure, saturation
from baytrace.watches.pressures.expect import expected
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.figures import Value
from charge_bench import fed, items, relaxing


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


GAS_COOLER = {"low": 500.0, "high": 1260.0, "suction": 20.0, "liquid": 33.0, "vent": 7.0}
"""psi and degC of a sound R744 loop at 27 degC."""
TIMES = np.arange(0.0, 480.0, 1.0)
ON = [(60.0, "engine on")]


def watched(fluid, running, **roles):
    columns = relaxing(TIMES, 60.0, tau=25.0, running=running, standing={"low": 960.0, "high": 960.0}, fluid="")
    for name, value in roles.items():
        columns[Role(name)] = np.where(TIMES < 60.0, 27.0, value)
    return fed("pressures", items(TIMES, columns, ON), {"refrigerant": fluid, "valve": "expansion valve"})


def test_r744_is_judged_by_gas_cooler_pressure_and_exit():
    """A sound loop at 87 bar lies in the usual range, with no condensing temperature; without a cause weighed it does not pass."""
    verdict = watched("R744", GAS_COOLER, discharge_line=97.0).verdict()
    assert verdict.finding == "undecided"
    assert "nothing but the car's own figures can pass it" in verdict.reasons[0]
    assert [reason.endswith("inside") for reason in verdict.reasons[1:3]] == [True, True]
    assert "condensing_temperature" not in verdict.evidence
    assert verdict.evidence["gas_cooler_exit_temperature"].value == pytest.approx(33.0, abs=0.5)
    assert verdict.more["causes"] == []
    assert any(reason.startswith("causes are not judged with R744") for reason in verdict.reasons)


def test_r744_with_little_air_over_the_gas_cooler():
    """High side up, exit far above the air, hot discharge: the pattern is told, and no cause is ranked."""
    running = GAS_COOLER | {"high": 1780.0, "liquid": 46.0, "low": 520.0, "suction": 24.0, "vent": 9.0}
    verdict = watched("R744", running, discharge_line=138.0).verdict()
    assert verdict.finding in ("both high", "low low and high high")
    assert verdict.more["causes"] == []


def test_r744_warns_of_its_pressure():
    """Whoever watches an R744 loop is warned of what hangs on the gauges."""
    assert "100 bar" in watched("R744", GAS_COOLER).status().caution
    assert "100 bar" not in watched("R134a", {}).status().caution


def test_a_fluid_without_a_model_has_its_pattern_and_no_causes():
    """R23 works above its critical point and has no ensemble: nothing is ranked, and that is said."""
    verdict = watched("R23", {"low": 250.0, "high": 1250.0}).verdict()
    assert verdict.finding == "both low"
    assert not verdict.more["causes"]
    assert any(reason.startswith("causes are not judged with R23") for reason in verdict.reasons)


@pytest.mark.parametrize(
    ("fluid", "low", "high"), [("R1234yf", 30.0, 180.0), ("R134a", 30.0, 180.0), ("R744", 450.0, 1250.0)]
)
def test_a_shops_own_ranges_are_pressures_of_the_refrigerant_at_hand(fluid, low, high):
    """What a shop sets in psi is expected at that pressure, whatever is in the loop."""
    own = PressuresSettings(
        refrigerant=fluid, low_min_psi=low, low_max_psi=low + 10.0, high_min_psi=high, high_max_psi=high + 50.0
    )
    wanted = expected(resolve(fluid), own, Value(305.15, 0.0), 0.5)
    found = (wanted.low_side.low, wanted.low_side.high, wanted.high_side.low, wanted.high_side.high)
    set_pa = [psi * 6894.757 + 101325.0 for psi in (low, low + 10.0, high, high + 50.0)]
    assert found == pytest.approx(set_pa, rel=1e-4)
