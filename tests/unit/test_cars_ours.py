"""The wrapper puts a fault's strength to the loop model as the ensemble counts it."""

import pytest

from baytrace_sim.cars import ours
from baytrace_sim.cars.day import STRENGTHS, car_days
from baytrace_sim.cars.properties import properties
from baytrace_sim.cars.standing import STANDING_K
from baytrace_sim.cars.states import SOUND
from baytrace_sim.loop import Air, Faults, loop_of

ROWS = sum(len(strengths) for strengths in STRENGTHS.values()) + 1


def cars(count=8):
    return [ours.drawn(day, 6) for day in car_days(count, 6)]


def test_air_by_strength_is_the_partial_pressure_asked_for():
    """A loop at rest at 25 degC with air of 20 % reads 1.2 times the refrigerant's saturation pressure."""
    for car in cars():
        faults = Faults(noncondensable_kg=ours.air_kg(car, 20.0))
        loop = loop_of(car.design, Air(STANDING_K, 0.4), faults, car.charge_kg, car.day.refrigerant)
        saturated = float(properties(car.day.refrigerant).at(STANDING_K).p)
        assert loop.high_side_pa / saturated == pytest.approx(1.2, abs=0.02)


def test_a_stuck_valve_counts_from_its_own_usual_opening():
    """Stuck by nothing is the sound car: the same opening gives the same state, and less gives more superheat."""
    car = next(
        car
        for car in cars(30)
        if car.day.valve == "expansion valve" and car.day.compressor == "variable" and not car.stuck_open
    )
    sound = ours.run(car, car.design, Faults(), car.charge_kg)
    assert sound
    opening = ours.usual_opening(car, sound)
    same = ours.run(car, *ours.faulty(car, "wet or stuck valve", 0.0, opening))
    shut = ours.run(car, *ours.faulty(car, "wet or stuck valve", 40.0, opening))
    assert same
    assert shut
    assert same.superheat_k == pytest.approx(sound.superheat_k, abs=1.0)
    assert shut.superheat_k > sound.superheat_k + 1.0


def test_a_table_counts_every_state_asked_for():
    """Rows and failures together are all cars at all strengths; the first row of a car is the sound one."""
    states, failed = ours.table(1, 6)
    assert len(states) + failed == ROWS
    assert states[0].cause == SOUND
