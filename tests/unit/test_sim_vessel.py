"""The vessel under a pump: what goes in and out is kept, and a hold has the shape that physics gives it."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.physics.moisture import TRIPLE_POINT_PA, saturation_pressure
from baytrace_sim.vessel import Holder, Pool, Pump, R, Vessel

VOLUME, WARM, AIR = 2.5e-3, 298.15, 101_325.0


def vessel(*, water_g=0.0, leak=0.0, wet=(0.0, 200.0), oil=(0.0, 200.0), start=AIR):
    made = Vessel(
        VOLUME,
        WARM,
        AIR,
        Pump(),
        Pool(water_g * 1e-3),
        Holder.rising(*wet, VOLUME, WARM, 10.0),
        Holder.rising(*oil, VOLUME, WARM, 10.0),
        leak,
    )
    made.fill_with_air(start)
    return made


@settings(max_examples=25, deadline=None)
@given(
    water=st.floats(0.0, 5.0),
    leak=st.floats(0.0, 1e-2),
    wet=st.floats(0.0, 500.0),
    oil=st.floats(0.0, 500.0),
    pump_s=st.integers(1, 300),
)
def test_every_molecule_is_accounted_for(water, leak, wet, oil, pump_s):
    """What is inside is what was inside, less what the pump took, plus what the leak let in."""
    made = vessel(water_g=water, leak=leak, wet=(wet, 150.0), oil=(oil, 150.0))
    before = made.amount
    for second in range(pump_s + 120):
        made.step(1.0, pumping=second < pump_s)
    assert made.amount == pytest.approx(before - made.pumped + made.leaked, rel=1e-9)
    assert min(made.air, made.water, made.refrigerant, made.pool.mass, made.wet.held, made.oil.held) >= 0.0


def test_a_dry_tight_loop_goes_deep_and_stays():
    """Nothing but air: the pump reaches its ultimate pressure and the hold does not move."""
    made = vessel()
    for _ in range(1200):
        made.step(1.0, pumping=True)
    deep = made.pressure
    assert deep < 1.5 * made.pump.ultimate
    for _ in range(900):
        made.step(1.0, pumping=False)
    assert made.pressure == pytest.approx(deep, rel=1e-9)


def test_a_leak_lifts_the_pressure_by_its_throughput():
    """dp/dt = q/V under vacuum (throughput by definition)."""
    made = vessel(leak=4e-4, start=10.0)
    for _ in range(600):
        made.step(1.0, pumping=False)
    assert made.pressure == pytest.approx(10.0 + 4e-4 / VOLUME * 600.0, rel=1e-3)


def test_held_gas_levels_off_exponentially():
    """Refrigerant out of oil gives b (1 - exp(-t/tau)) with the b and tau that were asked for."""
    made = vessel(oil=(120.0, 180.0), start=0.0)
    for second in range(1, 901):
        made.step(1.0, pumping=False)
        expected = 120.0 * (1.0 - math.exp(-second / 180.0))
        assert made.pressure == pytest.approx(expected, rel=3e-3, abs=0.05)


def test_boiling_water_holds_the_pressure_near_saturation():
    """While water boils off, the pressure stands between the saturation pressures of the pool and of the loop's body."""
    made = vessel(water_g=4.0)
    for _ in range(90):
        made.step(1.0, pumping=True)
    plateau = made.pressure
    assert 0.5 * saturation_pressure(WARM) < plateau < saturation_pressure(WARM)
    assert plateau < saturation_pressure(made.pool.temperature_k)
    for _ in range(30):
        made.step(1.0, pumping=True)
    assert made.pressure == pytest.approx(plateau, rel=0.03)


def test_badly_warmed_water_freezes_and_sublimes():
    """With little heat from the metal the pool falls to the triple point, freezes, and goes on as ice below it."""
    made = vessel(water_g=2.0)
    made.pool = Pool(2e-3, warming=0.02, metal=2.0)
    made.pool.settle(WARM)
    for _ in range(900):
        made.step(1.0, pumping=True)
    assert made.pool.mass > 0.0
    assert made.pool.temperature_k < 273.0
    assert made.pressure < TRIPLE_POINT_PA


def test_a_closed_wet_loop_comes_to_saturation():
    """With liquid left the vapour ends at the saturation pressure of the body, not above."""
    made = vessel(water_g=3.0, start=0.0)
    for _ in range(1800):
        made.step(1.0, pumping=False)
    assert made.vapour_pressure == pytest.approx(saturation_pressure(WARM), rel=5e-3)


def test_warmth_moves_a_standing_pressure_by_the_gas_law():
    """p/T is constant in a closed loop of dry gas."""
    made = vessel(start=9e5)
    made.step(1.0, pumping=False, temperature_k=WARM + 6.0)
    assert made.pressure == pytest.approx(9e5 * (WARM + 6.0) / WARM, rel=1e-9)
    assert made.amount == pytest.approx(9e5 * VOLUME / (R * WARM), rel=1e-9)


def test_pressure_inside_leaks_outwards():
    """Above the atmosphere the same leak lets gas out."""
    made = vessel(leak=1e-6, start=9e5)
    for _ in range(600):
        made.step(1.0, pumping=False)
    assert made.leaked < 0.0
    assert made.pressure < 9e5
