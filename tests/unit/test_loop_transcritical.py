"""The simulated R744 loop: first law, charge, rest, and trends as the trade has them (common practice, no source)."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.physics.fluids import state_at
from baytrace_sim.loop import DESIGNS, Air, Faults, TranscriticalLoop, design, loop_of, steady
from baytrace_sim.loop.dense import dense_fluid
from baytrace_sim.loop.transcritical import best_pressure
from baytrace_sim.loop.truth import run, truth

BAR = 1e5
SUMMER = Air(303.15, 0.5)
LABELS = [pytest.param(*key, id="-".join(key)) for key in DESIGNS]


def made(expansion="valve", clutch="variable"):
    return design(expansion, clutch, "R744")


def settled(expansion="valve", clutch="variable", faults=None, share=1.0, air=SUMMER):
    built = made(expansion, clutch)
    found = steady(loop_of(built, air, faults, share * built.label_charge_kg, "R744"))
    assert found.converged
    return found


def wait(loop, seconds, **what):
    state = {"engine_on": False, "rpm": 0.0, "blower": 0.0} | what
    for _ in range(round(seconds)):
        loop.step(1.0, **state)


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
@pytest.mark.parametrize(("celsius", "humidity"), [(20.0, 0.6), (30.0, 0.5), (42.0, 0.25)])
def test_steady_states_obey_the_first_law(expansion, clutch, celsius, humidity):
    """Work, evaporator heat and the suction line's equal the gas cooler's heat within 0.1 %, below and above critical."""
    found = settled(expansion, clutch, air=Air(celsius + 273.15, humidity))
    assert abs(found.balance.residual) < 1e-3


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_air_gives_what_the_refrigerant_takes(expansion, clutch):
    """Over the evaporator the air loses, with its condensate, what the refrigerant gains, within 0.1 %."""
    loop = TranscriticalLoop(made(expansion, clutch), Air(308.15, 0.5))
    wait(loop, 600, engine_on=True, rpm=1200, blower=0.8)
    balance = loop.heat_balance()
    assert 1000.0 < balance.evaporator_w < 8000.0

    def enthalpy(kelvin, ratio):
        celsius = kelvin - 273.15
        return 1006.0 * celsius + ratio * (2_501_000.0 + 1860.0 * celsius)

    air = loop.air
    lost = enthalpy(air.temperature_k, air.humidity_ratio) - enthalpy(balance.coil_air_k, balance.coil_humidity_ratio)
    assert balance.evaporator_air_kg_s * lost - balance.drained_w == pytest.approx(balance.evaporator_w, rel=1e-3)


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_healthy_loop_runs_where_the_trade_expects_it(expansion, clutch):
    """At 30 degC and 1500 rpm: low 32 to 40 bar, high 80 to 100 bar, above critical, vents below 9 degC, discharge below 140."""
    found = settled(expansion, clutch)
    assert 32.0 * BAR < found.low_side_pa < 40.0 * BAR
    assert 80.0 * BAR < found.high_side_pa < 100.0 * BAR
    assert found.vent_air_k < 282.15
    assert found.discharge_line_k < 413.15
    assert math.isnan(found.subcooling_k)


@pytest.mark.parametrize("celsius", [15.0, 25.0, 33.0, 45.0])
def test_a_loop_at_rest_stands_at_the_fluids_own_pressure(celsius):
    """A resting loop shows CoolProp's pressure at its mean density and the air's temperature, above critical too, within 0.5 %."""
    built = made()
    loop = TranscriticalLoop(built, Air(celsius + 273.15, 0.3))
    wait(loop, 60)
    expected = dense_fluid("R744").resting(built.label_charge_kg / built.volume_m3, celsius + 273.15)
    assert loop.low_side_pa == pytest.approx(expected, rel=5e-3)
    assert loop.high_side_pa == pytest.approx(loop.low_side_pa, rel=2e-3)


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_warmer_day_raises_the_high_side(expansion, clutch):
    """High side and gas-cooler exit rise with the ambient; a cool day condenses below the critical point."""
    days = [settled(expansion, clutch, air=Air(t, 0.3)) for t in (290.15, 300.15, 308.15)]
    assert [day.high_side_pa for day in days] == sorted(day.high_side_pa for day in days)
    assert [day.liquid_line_k for day in days] == sorted(day.liquid_line_k for day in days)
    assert days[0].high_side_pa < 73.7 * BAR < days[2].high_side_pa


def test_the_valve_keeps_the_pressure_that_suits_the_exit():
    """With the pressure-keeping valve the high side lies within 1 % of the best pressure for its exit temperature."""
    found = settled(air=Air(306.15, 0.4))
    loop = TranscriticalLoop(made(), SUMMER)
    evaporating = loop.fluid.saturation_temperature(found.low_side_pa)
    assert found.high_side_pa == pytest.approx(
        best_pressure(found.liquid_line_k - 273.15, evaporating - 273.15), rel=0.01
    )


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_short_charge_starves_the_evaporator(expansion, clutch):
    """Half the label: high side no higher, suction much warmer, vents warmer. What the accumulator spares does not show."""
    healthy, short = settled(expansion, clutch), settled(expansion, clutch, share=0.55)
    assert short.high_side_pa < healthy.high_side_pa
    assert short.superheat_k > healthy.superheat_k + 4.0
    assert short.vent_air_k > healthy.vent_air_k + 2.0
    spared = settled(expansion, clutch, share=0.92)
    assert spared.high_side_pa == pytest.approx(healthy.high_side_pa, rel=0.02)


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_overcharge_floods_the_suction(expansion, clutch):
    """Half as much again: liquid in the suction line, a colder discharge, and the high side rises."""
    healthy, over = settled(expansion, clutch), settled(expansion, clutch, share=1.5)
    assert over.superheat_k < healthy.superheat_k - 5.0
    assert over.discharge_line_k < healthy.discharge_line_k - 8.0
    assert over.high_side_pa > 1.01 * healthy.high_side_pa


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_less_gas_cooler_air_raises_the_high_side(expansion, clutch):
    """Each loss of airflow raises high side and exit temperature, with either device."""
    found = [settled(expansion, clutch, Faults(condenser_airflow=share)) for share in (1.0, 0.7, 0.45)]
    assert [one.high_side_pa for one in found] == sorted(one.high_side_pa for one in found)
    assert [one.liquid_line_k for one in found] == sorted(one.liquid_line_k for one in found)


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_worn_compressor_brings_the_sides_together(expansion, clutch):
    """A compressor with 40 % of its pumping: low side high, high side low, vents warm."""
    healthy, worn = settled(expansion, clutch), settled(expansion, clutch, Faults(compressor_efficiency=0.4))
    assert worn.low_side_pa > 1.1 * healthy.low_side_pa
    assert worn.high_side_pa < healthy.high_side_pa
    assert worn.vent_air_k > healthy.vent_air_k + 3.0


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_restriction_backs_the_high_side_up(expansion, clutch):
    """A clogged line: the high side rises and the gas cooler's exit comes near the air."""
    healthy, clogged = settled(expansion, clutch), settled(expansion, clutch, Faults(restriction=0.6))
    assert clogged.high_side_pa > 1.08 * healthy.high_side_pa
    assert clogged.liquid_line_k < healthy.liquid_line_k - 1.5


def test_it_settles_after_the_start():
    """From rest to settled within eight minutes, the high side overshooting on the way."""
    record = run(TranscriticalLoop(made(), SUMMER), 1200.0)
    found = truth(record)
    assert 60.0 < found.all_s < 480.0
    assert record.values["high_side_pa"].max() > 1.05 * found.means["high_side_pa"]


def test_sides_come_together_after_the_engine_stops():
    """The sides equalise within minutes and creep back to the pressure at rest."""
    loop = TranscriticalLoop(made("orifice", "cycling"), SUMMER)
    rest = loop.low_side_pa
    wait(loop, 300, engine_on=True, rpm=1500, blower=0.7)
    assert loop.high_side_pa > 2.0 * loop.low_side_pa
    wait(loop, 240)
    assert loop.high_side_pa == pytest.approx(loop.low_side_pa, rel=0.02)
    wait(loop, 2400)
    assert loop.low_side_pa == pytest.approx(rest, rel=0.01)


@pytest.mark.parametrize("celsius", [18.0, 33.0])
def test_charging_an_evacuated_loop_fills_to_its_pressure(celsius):
    """Charge let into a vacuum stays gram for gram and comes to rest at the fluid's own pressure."""
    built = made()
    loop = TranscriticalLoop(built, Air(celsius + 273.15, 0.5), None, 0.0)
    assert loop.high_side_pa < 300.0
    wait(loop, 95, charge_flow_kg_s=0.004)
    assert loop.charge_kg == pytest.approx(0.380, abs=1e-4)
    wait(loop, 1500)
    expected = dense_fluid("R744").resting(0.380 / built.volume_m3, celsius + 273.15)
    assert loop.low_side_pa == pytest.approx(expected, rel=0.01)
    wait(loop, 200, charge_flow_kg_s=-0.004)
    assert 0.0 <= loop.charge_kg < 2e-3


def test_a_starved_compressor_is_let_go():
    """With next to no charge the compressor is switched off before it overheats."""
    loop = TranscriticalLoop(made("valve", "cycling"), SUMMER, None, 0.16)
    hottest = 0.0
    for _ in range(900):
        loop.step(1.0, engine_on=True, rpm=2000, blower=0.7)
        hottest = max(hottest, loop.discharge_line_k)
    assert hottest < 455.0
    assert loop.low_side_pa > 10.0 * BAR


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from(list(DESIGNS)),
    st.tuples(st.floats(288.15, 318.15), st.floats(0.2, 0.95)),
    st.floats(0.02, 1.55),
    st.tuples(st.floats(700.0, 3500.0), st.floats(0.0, 1.0)),
    st.tuples(st.floats(0.0, 0.95), st.floats(0.0, 1.0)),
)
def test_mass_is_kept_and_states_stay_sane(kind, day, share, running, faults):
    """Whatever runs, however badly: the charge never changes by itself, pressures and temperatures stay physical."""
    built = made(*kind)
    fault = Faults(restriction=faults[0], condenser_airflow=faults[1])
    loop = TranscriticalLoop(built, Air(*day), fault, share * built.label_charge_kg)
    charge = loop.charge_kg
    for second in range(150):
        loop.step(1.0, engine_on=second < 110, rpm=running[0], blower=running[1])
        assert 0.0 < loop.low_side_pa < 120.0 * BAR
        assert 0.0 < loop.high_side_pa <= 249.0 * BAR
        assert 213.0 < loop.suction_line_k < 420.0
        # while the sides equalise, what flows over warms the evaporator a little above the air
        assert 230.0 < loop.vent_air_k <= day[0] + 3.0
    assert loop.charge_kg == pytest.approx(charge, abs=1e-9)


def test_step_length_hardly_matters():
    """Half-second and quarter-second steps lead to the same settled pressures within 0.5 %."""
    means = []
    for dt in (0.5, 0.25):
        loop = TranscriticalLoop(made(), SUMMER)
        for _ in range(round(400 / dt)):
            loop.step(dt, engine_on=True, rpm=1500, blower=0.7)
        means.append((loop.low_side_pa, loop.high_side_pa))
    assert means[0] == pytest.approx(means[1], rel=0.005)


def test_tables_follow_the_equation_of_state():
    """Where the loop works, temperature is within 0.4 K and density within 1 % of CoolProp, near the critical point too."""
    rng, fluid = np.random.default_rng(5), dense_fluid("R744")
    for _ in range(300):
        pressure, temperature = rng.uniform(25e5, 140e5), rng.uniform(265.0, 400.0)
        state = state_at("R744", pressure, temperature, side="vapour" if temperature > 304.2 else "liquid")
        found = fluid.isobar(pressure).at(state.enthalpy)
        assert found.temperature_k == pytest.approx(state.temperature_k, abs=0.4)
        assert pressure / found.pv == pytest.approx(state.density, rel=0.01)


def test_evaporation_is_level():
    """Along an isobar below critical the temperature does not move between liquid and vapour."""
    fluid = dense_fluid("R744")
    isobar = fluid.isobar(38.3e5)
    liquid, vapour = isobar.dome
    inside = [
        isobar.at(liquid.h + share * (vapour.h - liquid.h)).temperature_k for share in (0.0, 0.01, 0.5, 0.99, 1.0)
    ]
    assert inside == pytest.approx([liquid.temperature_k] * 5, abs=1e-6)
    assert isobar.at(vapour.h + 2e3).temperature_k > vapour.temperature_k + 0.5


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: TranscriticalLoop(made(), SUMMER, Faults(noncondensable_kg=0.005)), "not modelled"),
        (lambda: TranscriticalLoop(made(), SUMMER, None, 2.0), "fit into this loop"),
    ],
)
def test_impossible_loops_are_refused(make, message):
    """What cannot be simulated is refused in one line."""
    with pytest.raises(BadInput, match=message):
        make()
