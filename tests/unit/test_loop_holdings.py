"""The simulated loop keeps its mass, rests at saturation, and can be filled from empty."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.physics.fluids import saturation
from baytrace_sim.loop import Air, Faults, Loop, LoopDesign, design
from baytrace_sim.loop.inventory import CondenserFill, mean_liquid_share
from baytrace_sim.loop.truth import run, truth

DAY = Air(298.15, 0.5)


def wait(loop, seconds, **what):
    state = {"engine_on": False, "rpm": 0.0, "blower": 0.0} | what
    for _ in range(round(seconds)):
        loop.step(1.0, **state)


def test_loop_at_rest_stands_at_saturation():
    """With liquid in it a resting loop shows the saturation pressure at ambient on both sides."""
    loop = Loop(design(), DAY)
    wait(loop, 60)
    expected = saturation("R134a", temperature_k=298.15).pressure_pa
    assert loop.low_side_pa == pytest.approx(expected, rel=1e-3)
    assert loop.high_side_pa == pytest.approx(expected, rel=1e-3)


def test_nearly_empty_loop_stands_at_the_gas_pressure():
    """20 g in the loop is vapour alone: its pressure follows the gas law within 5 %, far below saturation."""
    made = design()
    loop = Loop(made, DAY, charge_kg=0.020)
    ideal = 0.020 / made.volume_m3 * 8.314462618 / 0.102032 * 298.15
    assert 0.95 * ideal < loop.low_side_pa < ideal


@pytest.mark.parametrize(("expansion", "within_s"), [("orifice", 120), ("valve", 480)])
def test_sides_come_together_after_the_engine_stops(expansion, within_s):
    """The sides equalise within minutes of switching off (a tube 2, a shut valve's bleed 8) and creep to saturation."""
    loop = Loop(design(expansion, "cycling"), DAY)
    wait(loop, 300, engine_on=True, rpm=1500, blower=0.7)
    assert loop.high_side_pa > 1.5 * loop.low_side_pa
    wait(loop, within_s)
    assert loop.high_side_pa == pytest.approx(loop.low_side_pa, rel=0.06)
    wait(loop, 1800)
    expected = saturation("R134a", temperature_k=298.15).pressure_pa
    assert loop.low_side_pa == pytest.approx(expected, rel=0.03)


def test_charging_an_evacuated_loop_fills_to_saturation():
    """Liquid let into a vacuum brings both sides to the saturation pressure at ambient, gram for gram."""
    loop = Loop(design(), DAY, charge_kg=0.0)
    assert loop.high_side_pa < 100.0
    wait(loop, 150, charge_flow_kg_s=0.004)
    assert loop.charge_kg == pytest.approx(0.600, abs=1e-4)
    wait(loop, 1200)
    expected = saturation("R134a", temperature_k=298.15).pressure_pa
    assert loop.low_side_pa == pytest.approx(expected, rel=0.02)


def test_charging_a_running_loop_adds_what_flows_in():
    """Vapour let in at the low side of a running loop counts to the charge, and a short loop gets colder vents by it."""
    made = design("valve", "variable")
    loop = Loop(made, DAY, charge_kg=0.5 * made.label_charge_kg)
    wait(loop, 300, engine_on=True, rpm=1500, blower=0.7)
    warm, before = loop.vent_air_k, loop.charge_kg
    wait(loop, 150, engine_on=True, rpm=1500, blower=0.7, charge_flow_kg_s=0.002)
    wait(loop, 300, engine_on=True, rpm=1500, blower=0.7)
    assert loop.charge_kg == pytest.approx(before + 0.300, abs=1e-6)
    assert loop.vent_air_k < warm - 2.0


def test_recovery_empties_the_loop_and_never_below_nothing():
    """Drawing vapour out chills what boils, takes the pressure down, and stops at empty."""
    loop = Loop(design(), DAY)
    wait(loop, 150, charge_flow_kg_s=-0.004)
    assert loop.high_side_pa < 0.7 * saturation("R134a", temperature_k=298.15).pressure_pa
    wait(loop, 150, charge_flow_kg_s=-0.004)
    assert 0.0 <= loop.charge_kg < 1e-4


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from([("orifice", "cycling"), ("orifice", "variable"), ("valve", "cycling"), ("valve", "variable")]),
    st.tuples(st.floats(288.15, 318.15), st.floats(0.2, 0.95)),
    st.floats(0.05, 1.5),
    st.tuples(st.floats(700.0, 3500.0), st.floats(0.0, 1.0)),
    st.floats(0.0, 0.95),
)
def test_mass_is_kept_and_states_stay_sane(kind, day, share, running, restriction):
    """Whatever runs, however badly: the charge never changes by itself, pressures and temperatures stay physical."""
    (temperature, humidity), (rpm, blower) = day, running
    made = design(*kind)
    loop = Loop(made, Air(temperature, humidity), Faults(restriction=restriction), share * made.label_charge_kg)
    charge = loop.charge_kg
    for second in range(240):
        loop.step(1.0, engine_on=second < 180, rpm=rpm, blower=blower)
        assert 0.0 < loop.low_side_pa < 40e5
        assert 0.0 < loop.high_side_pa < 60e5
        assert 213.0 < loop.suction_line_k < 400.0
        assert 230.0 < loop.vent_air_k <= temperature + 0.1
    assert loop.charge_kg == pytest.approx(charge, abs=1e-9)


def test_step_length_hardly_matters():
    """Half-second and quarter-second steps lead to the same settled pressures within 1 %."""
    means = []
    for dt in (0.5, 0.25):
        loop = Loop(design("valve", "variable"), DAY)
        for _ in range(round(400 / dt)):
            loop.step(dt, engine_on=True, rpm=1500, blower=0.7)
        means.append((loop.low_side_pa, loop.high_side_pa))
    assert means[0] == pytest.approx(means[1], rel=0.01)


def test_clutch_that_never_engages_leaves_static_pressures():
    """With a dead clutch nothing is pumped: both sides stay together and the vents stay warm."""
    loop = Loop(design(), DAY, Faults(clutch_engages=False))
    wait(loop, 300, engine_on=True, rpm=1500, blower=0.7)
    assert not loop.clutch_on
    assert loop.high_side_pa == pytest.approx(loop.low_side_pa, rel=0.02)
    assert loop.vent_air_k == pytest.approx(298.15, abs=1.0)


def test_wet_loop_freezes_shut_and_thaws():
    """Water in the loop: the valve ices up while running cold, the low side falls, and standing thaws it."""
    loop = Loop(design("valve", "variable"), Air(293.15, 0.5), Faults(wet=1.0))
    wait(loop, 60, engine_on=True, rpm=1500, blower=0.5)
    flowing = loop.heat_balance().valve_kg_s
    wait(loop, 240, engine_on=True, rpm=1500, blower=0.5)
    assert loop.ice > 0.5
    assert loop.heat_balance().valve_kg_s < 0.8 * flowing
    wait(loop, 120)
    assert loop.ice == 0.0


def test_truth_names_the_instant_from_which_values_hold():
    """A run's truth: after its settled instant no channel leaves its band, just before it at least one is outside."""
    record = run(Loop(design("valve", "variable"), DAY), 1200.0)
    found = truth(record)
    assert 120.0 < found.all_s < 480.0
    assert found.cycle_s == 0.0
    vent = record.values["vent_air_k"]
    after = vent[record.times_s >= found.settled_s["vent_air_k"]]
    assert max(abs(after - found.means["vent_air_k"])) <= 0.5
    before = vent[record.times_s < found.settled_s["vent_air_k"]]
    assert abs(before[-1] - found.means["vent_air_k"]) > 0.5


def test_truth_of_a_cycling_loop_is_in_cycle_means():
    """A loop that cycles settles in the means of whole cycles, with the cycle's period given."""
    found = truth(run(Loop(design(), Air(293.15, 0.5)), 1200.0))
    assert 10.0 < found.cycle_s < 90.0
    assert 0.0 < found.all_s < 480.0


def test_truth_refuses_a_record_without_an_end():
    """A record too short to know its own end is refused in one line."""
    with pytest.raises(BadInput, match="at least"):
        truth(run(Loop(design(), DAY), 300.0))


def test_closed_form_liquid_share_matches_its_integral():
    """The mean liquid share equals the numerical integral of one minus the void fraction."""
    slip, quality, count = 0.15, 0.1, 20000
    steps = [quality + (1.0 - quality) * (i + 0.5) / count for i in range(count)]
    numeric = sum(slip * (1 - x) / (x + slip * (1 - x)) for x in steps) / count
    assert mean_liquid_share(slip, quality) == pytest.approx(numeric, rel=1e-6)


@given(st.floats(0.0, 2e-3), st.floats(0.0, 2e-3), st.sampled_from([0.0, 0.2e-3]))
def test_more_liquid_floods_more(first, second, receiver):
    """Flooded share never falls and outlet quality never rises with more liquid in the high side."""
    fill = CondenserFill(0.7e-3, 0.15e-3, receiver, 0.14 if receiver else 0.0, 0.15)
    less, more = sorted((first, second))
    assert fill.outlet(less)[0] <= fill.outlet(more)[0]
    assert fill.outlet(less)[1] >= fill.outlet(more)[1]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Faults(condenser_airflow=1.5), "condenser_airflow"),
        (lambda: Loop(design(), DAY, charge_kg=9.0), "fit into this loop"),
        (lambda: Loop(design(), DAY, refrigerant="R744"), "above the critical point"),
        (lambda: Loop(design(), DAY, refrigerant="R407C"), "blend"),
        (lambda: design("capillary"), "orifice or valve"),
        (lambda: Air(400.0, 0.5), "-20 to 55"),
        (lambda: LoopDesign(clutch="magic"), "variable"),
    ],
)
def test_impossible_loops_are_refused(make, message):
    """What cannot be simulated is refused in one line that says what would be right."""
    with pytest.raises(BadInput, match=message):
        make()
