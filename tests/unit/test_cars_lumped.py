"""The lumped loop balances, counts what it cannot solve, and moves as the published effects do.

It reads none of the published figures, but how it treats a full accumulator and slow liquid was settled with their signs in sight: the
directions here guard against losing them, they are no blind trial.
"""

from functools import cache

import numpy as np
import pytest

from baytrace_sim.cars import SOUND, lumped, published
from baytrace_sim.cars.day import STRENGTHS, car_days
from baytrace_sim.cars.lumped_cars import dew_point, drawn, wet_bulb
from baytrace_sim.cars.lumped_map import lines, terms
from baytrace_sim.cars.properties import properties

ROWS = sum(len(strengths) for strengths in STRENGTHS.values()) + 1
SIGNS = ("evaporating", "condensing", "superheat", "subcooling", "vent", "discharge", "capacity")
CARS = 36


@cache
def made():
    return lumped.table(CARS, 11)


def test_a_table_counts_every_state_asked_for():
    """Rows and failures together are all cars at all strengths, fewer than 3 % fail, and no sound car does."""
    states, failed = made()
    assert len(states) + failed == CARS * ROWS
    assert failed < 0.03 * CARS * ROWS
    assert sum(state.cause == SOUND for state in states) == CARS


def test_a_car_does_not_depend_on_its_company():
    """Searching many states at once gives each the same as searching it in other company."""
    days = [day for day in car_days(CARS, 11) if day.refrigerant == "R134a"]
    alone = lumped.sound_states(days[:3], 11)
    among = lumped.sound_states(days, 11)[:3]
    for one, other in zip(alone, among, strict=True):
        assert one.condensing == pytest.approx(other.condensing, abs=1e-6)
        assert one.evaporating == pytest.approx(other.evaporating, abs=1e-6)


def test_heat_balances():
    """What the condenser rejects is what evaporator and compressor bring, within the search's width."""
    days = [day for day in car_days(CARS, 11) if day.refrigerant == "R1234yf"]
    told = lines("R1234yf")
    p = drawn(days, 11, told)
    found = lumped.solve(p, told)
    rejected = found.heat + 0.92 * found.power
    conductance = p.condenser * np.sqrt(p.condenser_air)
    air = p.condenser_capacity * p.condenser_air
    rise = rejected * (1.0 / conductance + (0.5 + p.soak) / air)
    uncut = found.total < p.high_cut - 8.0
    assert np.sum(uncut) > 6
    assert np.abs(found.condensing - p.air - rise)[uncut] == pytest.approx(0.0, abs=0.05)


def settled_directions():
    """Cause, valve and sign whose published slope is clearly of one sign: three of four studies would agree."""
    for cause, valves in published.figures()["effects"].items():
        for valve, told in valves.items():
            for sign in SIGNS:
                if abs(told[sign]["slope"]) >= 1.5 * told[sign]["spread"]:
                    yield cause, valve, sign, np.sign(told[sign]["slope"])


# a receiver holds what a starved evaporator gives back, so subcooling hardly moves in this structure; the published sign stands
ABOUT_NOTHING = {
    ("restriction", "expansion valve", "subcooling"),
    ("wet or stuck valve", "expansion valve", "subcooling"),
}


def test_directions_agree_with_the_published_ones():
    """At half strength the mean move has the published sign wherever the studies agree on it."""
    states = made().states
    sound = {state.car: state for state in states if state.cause == SOUND}
    opened = {
        day.car: bool(flag)
        for fluid in ("R134a", "R1234yf")
        for days in [[day for day in car_days(CARS, 11) if day.refrigerant == fluid]]
        for day, flag in zip(days, drawn(days, 11, lines(fluid)).stuck_open, strict=True)
    }
    checked = 0
    for cause, valve, sign, way in settled_directions():
        if (cause, valve, sign) in ABOUT_NOTHING:
            continue
        real = "wet or stuck valve" if cause == "stuck open" else cause
        moves = [
            getattr(state, sign) - getattr(sound[state.car], sign)
            for state in states
            if state.cause == real
            and state.strength == 50.0
            and state.valve == valve
            and (real != "wet or stuck valve" or opened[state.car] == (cause == "stuck open"))
        ]
        if len(moves) < 4:
            continue  # too few cars to have a mean of
        assert way * np.mean(moves) > 0.0, (cause, valve, sign, np.mean(moves))
        checked += 1
    assert checked >= 50


def test_sound_cars_read_what_the_trade_expects_on_a_warm_day():
    """At 25 to 30 degC most sound cars lie in the trade's orientation ranges (from memory): low side 1.5 to 3, high side 10 to 17 bar gauge."""
    fluid = properties("R134a")
    days = [day for day in car_days(600, 2) if day.refrigerant == "R134a" and 24.0 <= day.ambient <= 31.0]
    states = lumped.sound_states(days, 2)
    high = fluid.at(np.array([state.ambient + state.condensing for state in states]) + 273.15).p / 1e5 - 1.013
    low = fluid.at(np.array([state.evaporating for state in states]) + 273.15).p / 1e5 - 1.013
    assert np.mean((high > 9.0) & (high < 18.0)) > 0.7
    assert np.mean((low > 1.4) & (low < 3.2)) > 0.8


def test_map_follows_the_machine_it_was_fitted_to():
    """The bi-quadratics stay within 4 % of refrigerant properties where car loops run."""
    for fluid in ("R134a", "R1234yf"):
        told, read = lines(fluid), properties(fluid)
        cold, hot = (grid.ravel() for grid in np.meshgrid((-6.0, 1.0, 9.0), (36.0, 48.0, 63.0)))
        low, high = read.at(cold + 273.15), read.at(hot + 273.15)
        density, over, _ = read.vapour(cold + 273.15, 8.0)
        swept = (0.88 - 0.038 * (high.p / low.p - 1.0)) * density
        exact = swept * (low.h_v + over - read.at(hot + 268.15).h_l)
        assert np.tensordot(told.capacity, terms(cold, hot), 1) == pytest.approx(exact, rel=0.04)
        assert told.boiling(high.p) == pytest.approx(hot, abs=0.3)


def test_wet_bulb_and_dew_point():
    """Against the psychrometric chart at sea level (ASHRAE, from memory): 30 degC and 50 % give 22.0 and 18.4 degC."""
    assert wet_bulb(30.0, 0.5) == pytest.approx(22.0, abs=0.3)
    assert dew_point(30.0, 0.5) == pytest.approx(18.4, abs=0.2)
    assert wet_bulb(30.0, 1.0) == pytest.approx(30.0, abs=0.05)
