"""The pressures watch with other refrigerants than that of its table of signatures."""

import itertools
import math

import numpy as np
import pytest

from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import resolve
from baytrace.physics.fluids import carried_on_pressure, compressed, saturation, state_at
from baytrace.watches.pressures.causes import SIGNS, SOUND, Day, rank, signatures
from baytrace.watches.pressures.discharge import Running, carried
from baytrace.watches.pressures.expect import expected
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.figures import Value
from baytrace_sim.loop import Air, Faults, Loop, design, loop_of, steady
from charge_bench import fed, items, relaxing

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
    """A sound loop at 87 bar is normal, with no condensing temperature; what its model does not know is said."""
    verdict = watched("R744", GAS_COOLER, discharge_line=97.0).verdict()
    assert verdict.finding == "normal"
    assert "condensing_temperature" not in verdict.evidence
    assert verdict.evidence["gas_cooler_exit_temperature"].value == pytest.approx(33.0, abs=0.5)
    assert verdict.more["causes"][0]["cause"] == SOUND
    assert "not judged with R744: air in the loop" in verdict.reasons
    assert "air in the loop" not in [cause["cause"] for cause in verdict.more["causes"]]


def test_r744_with_little_air_over_the_gas_cooler():
    """High side up, exit far above the air, hot discharge: both high or high, and the airflow is first."""
    running = GAS_COOLER | {"high": 1780.0, "liquid": 46.0, "low": 520.0, "suction": 24.0, "vent": 9.0}
    verdict = watched("R744", running, discharge_line=138.0).verdict()
    assert verdict.finding in ("both high", "low low and high high")
    assert verdict.more["causes"][0]["cause"] == "condenser airflow"
    assert any("gas-cooler pressure" in text and "bar higher" in text for text in verdict.more["causes"][0]["for"])


def test_r744_warns_of_its_pressure():
    """Whoever watches an R744 loop is warned of what hangs on the gauges."""
    assert "100 bar" in watched("R744", GAS_COOLER).status().caution
    assert "100 bar" not in watched("R134a", {}).status().caution


def test_a_fluid_without_a_model_passes_nothing_and_has_no_causes():
    """R23 works above its critical point and has no table: nothing is ranked and nothing passes, and every cause is said to be not
    judged.
    """
    verdict = watched("R23", {"low": 250.0, "high": 1250.0}).verdict()
    assert verdict.finding == "undecided"
    assert not verdict.more["causes"]
    assert any(reason.startswith("not judged with R23: overcharge, undercharge") for reason in verdict.reasons)


def test_every_row_of_the_r744_table_is_recognised():
    """Fed with its own signs, a cause of the R744 model's table is first or second in 95 %."""
    table = signatures("R744")
    places = range(0, len(table.causes), 5)
    wrong = 0
    for index in places:
        signs = {name: Value(float(sign), 0.3) for name, sign in zip(table.names, table.signs[index], strict=True)}
        day = Day(table.ambient[index], table.humidity[index], str(table.valves[index]))
        ranked = [cause.cause for cause in rank(signs, day, "normal", "R744")]
        wrong += str(table.causes[index]) not in ranked[:2]
    assert wrong <= 0.05 * len(places)


@pytest.mark.parametrize(
    ("cause", "share", "faults"),
    [
        (SOUND, 1.0, Faults()),
        ("worn or slipping compressor", 1.0, Faults(compressor_efficiency=0.4)),
        ("undercharge", 0.5, Faults()),
        ("overcharge", 1.5, Faults()),
        ("restriction", 1.0, Faults(restriction=0.75)),
        ("condenser airflow", 1.0, Faults(condenser_airflow=0.3)),
    ],
)
def test_a_cause_is_known_by_its_signs_with_r744(cause, share, faults):
    """What an R744 loop shows on a day and car beside those of the table ranks its true cause first."""
    made, air = design("valve", "variable", "R744"), Air(305.15, 0.45)
    found = steady(loop_of(made, air, faults, share * made.label_charge_kg, "R744"))
    ambient = air.temperature_k
    signs = {
        "evaporating": saturation("R744", pressure_pa=found.low_side_pa).temperature_k - 273.15,
        "gas_cooler": (found.high_side_pa - carried_on_pressure("R744", ambient)) / 1e5,
        "superheat": found.superheat_k,
        "exit": found.liquid_line_k - ambient,
        "vent": found.vent_air_k - ambient,
        "hot": found.discharge_line_k - ambient,
    }
    values = {name: Value(value, 0.5) for name, value in signs.items()}
    assert rank(values, Day(32.0, 0.45, "expansion valve"), "normal", "R744")[0].cause == cause


def test_sound_r744_cars_lie_within_what_is_expected():
    """Every sound car and day of the R744 table shows both pressures within the wider range of its day."""
    table, fluid = signatures("R744"), resolve("R744")
    own = PressuresSettings(refrigerant="R744")
    for index in np.flatnonzero(table.causes == SOUND):
        ambient = float(table.ambient[index]) + 273.15
        signs = dict(zip(table.names, table.signs[index], strict=True))
        wanted = expected(fluid, own, Value(ambient, 0.0), float(table.humidity[index]))
        high = carried_on_pressure(fluid, ambient) + 1e5 * signs["gas_cooler"]
        low = saturation(fluid, temperature_k=signs["evaporating"] + 273.15).pressure_pa
        assert wanted.high_side.low <= high <= wanted.high_side.high
        assert wanted.low_side.low <= low <= wanted.low_side.high


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
