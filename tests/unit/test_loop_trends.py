"""The simulated loop moves as the trade says a loop moves (common practice, no source, for the patterns and ranges)."""

import pytest

from baytrace.physics.fluids import saturation, state_at
from baytrace_sim.loop import DESIGNS, Air, Faults, Loop, design, steady

BAR, ATMOSPHERE = 1e5, 101325.0
SUMMER = Air(303.15, 0.5)
LABELS = [pytest.param(*key, id="-".join(key)) for key in DESIGNS]


def settled(expansion, clutch, faults=None, share=1.0, air=SUMMER, **running):
    made = design(expansion, clutch)
    result = steady(Loop(made, air, faults, share * made.label_charge_kg), **running)
    assert result.converged
    return result


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_healthy_loop_runs_where_the_trade_expects_it(expansion, clutch):
    """R134a at 25 to 30 degC and 1500 rpm: low 1.5 to 3 bar g, high 10 to 17 bar g at 30 degC, vents 4 to 10 degC."""
    found = settled(expansion, clutch)
    assert 1.5 * BAR < found.low_side_pa - ATMOSPHERE < 3.0 * BAR
    assert 10.0 * BAR < found.high_side_pa - ATMOSPHERE < 17.0 * BAR
    assert 4.0 < found.vent_air_k - 273.15 < 10.0
    assert 5.0 < found.subcooling_k < 15.0


def test_valve_holds_superheat_and_tube_leaves_none():
    """A thermostatic valve settles at 5 to 10 K of superheat, a tube with accumulator at 0 to 5 K."""
    assert 5.0 < settled("valve", "variable").superheat_k < 10.0
    assert -0.5 < settled("orifice", "variable").superheat_k < 5.0


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_warmer_day_raises_the_high_side(expansion, clutch):
    """High side and vent temperature rise with ambient, from 20 to 45 degC."""
    days = [settled(expansion, clutch, air=Air(t, 0.3)) for t in (293.15, 303.15, 313.15, 318.15)]
    highs = [day.high_side_pa for day in days]
    assert highs == sorted(highs)
    assert days[-1].vent_air_k > days[0].vent_air_k


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_short_charge_starves_the_evaporator(expansion, clutch):
    """Half the label charge: high side low, no subcooling, high superheat, warm vents; the low side never higher."""
    healthy, short = settled(expansion, clutch), settled(expansion, clutch, share=0.5)
    assert short.high_side_pa < 0.9 * healthy.high_side_pa
    assert short.low_side_pa < healthy.low_side_pa + 0.05 * BAR
    assert short.subcooling_k < 2.0
    assert short.superheat_k > healthy.superheat_k + 12.0
    assert short.vent_air_k > healthy.vent_air_k + 3.0


def test_short_charge_without_a_regulating_clutch_is_both_low():
    """With nothing that holds the low side up, a short charge pulls both sides down."""
    hot = Air(311.15, 0.4)
    healthy = settled("valve", "cycling", air=hot)
    short = settled("valve", "cycling", share=0.6, air=hot)
    assert short.low_side_pa < 0.9 * healthy.low_side_pa
    assert short.high_side_pa < 0.95 * healthy.high_side_pa


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_overcharge_floods_the_condenser(expansion, clutch):
    """One and a half label charges raise the high side and the subcooling; the low side does not fall."""
    healthy, over = settled(expansion, clutch), settled(expansion, clutch, share=1.5)
    assert over.high_side_pa > 1.03 * healthy.high_side_pa
    assert over.subcooling_k > healthy.subcooling_k + 2.0
    assert over.low_side_pa > 0.99 * healthy.low_side_pa


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_less_condenser_air_raises_the_high_side_step_by_step(expansion, clutch):
    """Each loss of condenser airflow raises the high side, most of all the last."""
    highs = [settled(expansion, clutch, Faults(condenser_airflow=k)).high_side_pa for k in (1.0, 0.7, 0.5, 0.3)]
    assert highs == sorted(highs)
    assert highs[3] - highs[2] > highs[1] - highs[0]


def test_blocked_condenser_is_both_high():
    """On a loop that runs without pause both sides rise when the condenser gets no air."""
    hot = Air(308.15, 0.4)
    healthy = settled("orifice", "cycling", air=hot, rpm=1200)
    blocked = settled("orifice", "cycling", Faults(condenser_airflow=0.4), air=hot, rpm=1200)
    assert healthy.duty == blocked.duty == 1.0
    assert blocked.low_side_pa > 1.05 * healthy.low_side_pa
    assert blocked.high_side_pa > 1.2 * healthy.high_side_pa


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_worn_compressor_brings_the_sides_together(expansion, clutch):
    """A compressor with 40 % of its pumping: low side high, high side low."""
    healthy, worn = settled(expansion, clutch), settled(expansion, clutch, Faults(compressor_efficiency=0.4))
    assert worn.low_side_pa > 1.05 * healthy.low_side_pa
    assert worn.high_side_pa < healthy.high_side_pa
    assert worn.vent_air_k > healthy.vent_air_k + 1.5


def test_restriction_starves_the_low_side_and_backs_liquid_up():
    """A clogged line: the low side falls with a valve; without a receiver liquid backs up and the high side rises."""
    valve, clogged_valve = (settled("valve", "cycling", f) for f in (Faults(), Faults(restriction=0.7)))
    assert clogged_valve.low_side_pa < 0.8 * valve.low_side_pa
    assert clogged_valve.superheat_k > valve.superheat_k + 15.0
    tube, clogged_tube = (settled("orifice", "variable", f) for f in (Faults(), Faults(restriction=0.7)))
    assert clogged_tube.low_side_pa < tube.low_side_pa
    assert clogged_tube.high_side_pa > 1.2 * tube.high_side_pa
    assert clogged_tube.subcooling_k > tube.subcooling_k + 10.0


@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_air_in_the_loop_lifts_the_high_side_off_saturation(expansion, clutch):
    """Each gram of air raises the high side; against the pressure the liquid looks ever more subcooled."""
    found = [settled(expansion, clutch, Faults(noncondensable_kg=k)) for k in (0.0, 1e-3, 2e-3, 3e-3)]
    highs = [each.high_side_pa for each in found]
    assert highs == sorted(highs)
    assert highs[-1] > 1.3 * highs[0]
    assert found[-1].subcooling_k > found[0].subcooling_k + 2.0


def test_humid_air_costs_vent_temperature():
    """At one ambient the vents blow warmer the wetter the air is."""
    vents = [settled("valve", "variable", air=Air(308.15, h)).vent_air_k for h in (0.2, 0.5, 0.8, 0.95)]
    assert vents == sorted(vents)


def test_mild_day_cycles_the_clutch():
    """At 20 degC a tube system cycles on its low-side switch, with a period between 10 and 90 s."""
    found = settled("orifice", "cycling", air=Air(293.15, 0.5))
    assert 0.05 < found.duty < 0.9
    assert 10.0 < found.cycle_s < 90.0


@pytest.mark.parametrize("fluid", ["R1234yf", "R152a"])
@pytest.mark.parametrize(("expansion", "clutch"), LABELS)
def test_other_refrigerants_run_too(expansion, clutch, fluid):
    """R1234yf and R152a settle near R134a's pressures: high side within 40 %, vents below 13 degC."""
    found = steady(Loop(design(expansion, clutch, fluid), SUMMER, refrigerant=fluid))
    known = settled(expansion, clutch)
    assert abs(found.high_side_pa / known.high_side_pa - 1.0) < 0.4
    assert found.vent_air_k < 286.15


@pytest.mark.parametrize("fluid", ["R1234yf", "R152a", "R290"])
def test_a_car_for_another_refrigerant_switches_at_the_same_temperatures(fluid):
    """Switches work at R134a's saturation temperatures, and the label holds as much liquid by volume (at 50 degC)."""
    own, known = design("valve", "cycling", fluid), design("valve", "cycling")
    for name in ("switch_off_pa", "stroke_full_pa", "fan_full_above_pa"):
        here = saturation(fluid, pressure_pa=getattr(own, name)).temperature_k
        assert here == pytest.approx(saturation("R134a", pressure_pa=getattr(known, name)).temperature_k, abs=0.05)
    volumes = [
        made.label_charge_kg
        / state_at(name, saturation(name, temperature_k=323.15).pressure_pa, 323.15, side="liquid").density
        for made, name in ((own, fluid), (known, "R134a"))
    ]
    assert volumes[0] == pytest.approx(volumes[1], rel=2e-3)
