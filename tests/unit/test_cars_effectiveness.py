"""The effectiveness model of many cars keeps energy, mass and the laws, and its faults move the signs the way they must."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from baytrace_sim.cars import SIGNS, SOUND, structures
from baytrace_sim.cars.day import CarDay
from baytrace_sim.cars.effectiveness import solved_table, table
from baytrace_sim.cars.effectiveness.signs import running_signs
from baytrace_sim.cars.effectiveness.tables import make, sound
from baytrace_sim.cars.properties import saturated_humidity

CARS, SEED = 40, 11
AIR_PA = 101_325.0


@cache
def batches():
    return solved_table(CARS, SEED)


@cache
def rows():
    return table(CARS, SEED)


def moves(cause, strength, sign, **only):
    """Moves of a sign from the same car sound."""
    sound = {state.car: state for state in rows().states if state.cause == SOUND}
    return np.array(
        [
            getattr(state, sign) - getattr(sound[state.car], sign)
            for state in rows().states
            if state.cause == cause
            and state.strength == strength
            and all(getattr(state, k) == v for k, v in only.items())
        ]
    )


def test_hardly_any_state_is_left_out():
    """At most 2 % of the states fail to balance, and every sound car is there."""
    assert rows().failed <= 0.02 * (len(rows().states) + rows().failed)
    assert sum(state.cause == SOUND for state in rows().states) >= 0.97 * CARS


def test_energy_balances():
    """Coil's air and refrigerant agree, and heat in, work in and heat out close within 0.1 %."""
    for batch in batches():
        got, good = batch.running, batch.good
        assert got.boiled[good] == pytest.approx(got.taken[good], rel=1e-3, abs=1.0)
        came = got.taken + got.gained + got.work - got.lost
        assert got.rejected[good] == pytest.approx(came[good], rel=1e-3, abs=2.0)


def test_energy_balances_by_coolprop():
    """Where the suction is dry and the liquid subcooled, CoolProp's enthalpies give the same heat as the splines and laws."""
    checked = 0
    for batch in batches():
        got, fluid = batch.running, batch.made.fluid.name
        clear = (
            batch.good
            & (got.suction_superheat > 1.0)
            & (got.hot_k > got.hot.t + 5.0)
            & (got.liquid_k < got.hot.t - 1.0)
        )
        clear &= got.coil_superheat > 1.0
        for row in np.flatnonzero(clear)[:40]:
            liquid = PropsSI("H", "T", got.liquid_k[row], "Q", 0, fluid)
            coil = PropsSI("H", "T", got.cold.t[row] + got.coil_superheat[row], "P", got.cold.p[row], fluid)
            assert got.flow[row] * (coil - liquid) == pytest.approx(got.boiled[row], rel=5e-3)
            hot = PropsSI("H", "T", got.hot_k[row], "P", got.discharge_pa[row], fluid)
            assert got.flow[row] * (hot - liquid) == pytest.approx(got.rejected[row], rel=0.03)
            checked += 1
    assert checked > 60


def test_inventory_is_conserved():
    """What exchangers, lines and vessels hold is the charge, and a maker's charge is of a car's size."""
    for batch in batches():
        assert batch.running.mass[batch.good] == pytest.approx(batch.asked.charge[batch.good], rel=1e-4)
        assert np.all((batch.made.charge > 0.2) & (batch.made.charge < 1.4))


def test_device_passes_what_the_compressor_draws():
    """Flow through valve or tube by its own law, from its area, is the compressor's."""
    for batch in batches():
        assert np.all(np.abs(batch.running.residual[batch.good, 2]) < 1e-4)


def test_no_state_breaks_a_law():
    """A running loop's high side stands above the standing pressure, its low side below, nothing leaves the coil colder than
    it boils, and compressed vapour is not colder than it condenses.
    """
    for state in rows().states:
        assert all(np.isfinite(getattr(state, sign)) for sign in SIGNS)
        if state.capacity == 0.0:
            continue
        assert state.condensing > max(0.0, state.static - 0.5 if state.cause != "undercharge" else 0.0)
        assert state.evaporating < state.ambient + state.static
        assert state.superheat > -1e-6
        assert state.vent + state.ambient > state.evaporating
        assert state.discharge > -10.0
        assert state.approach < state.condensing + 1.0


def test_standing_loop_is_equal_on_both_sides():
    """With the clutch out both gauges read the standing pressure, and nothing is cooled."""
    standing = [state for state in rows().states if state.cause == "clutch not engaged"]
    assert len(standing) >= 0.97 * CARS
    for state in standing:
        assert state.evaporating - state.ambient == pytest.approx(state.condensing, abs=1e-6)
        assert state.condensing == pytest.approx(state.static, abs=1e-6)
        assert state.capacity == 0.0


@pytest.mark.parametrize(
    ("cause", "strength", "sign", "least"),
    [
        ("undercharge", 40.0, "subcooling", -1.0),
        ("undercharge", 50.0, "superheat", 1.5),
        ("undercharge", 50.0, "capacity", -100.0),
        ("undercharge", 50.0, "condensing", -0.5),
        ("overcharge", 40.0, "subcooling", 1.0),
        ("overcharge", 40.0, "condensing", 0.5),
        ("condenser airflow", 30.0, "condensing", 2.0),
        ("condenser airflow", 30.0, "approach", 1.5),
        ("condenser airflow", 50.0, "vent", 0.2),
        ("worn or slipping compressor", 30.0, "evaporating", 0.5),
        ("worn or slipping compressor", 30.0, "condensing", -0.3),
        ("worn or slipping compressor", 30.0, "capacity", -50.0),
        ("restriction", 70.0, "superheat", 1.0),
        ("restriction", 70.0, "approach", -1.0),
        ("restriction", 70.0, "capacity", -50.0),
        ("air in the loop", 30.0, "condensing", 8.0),
        ("air in the loop", 30.0, "subcooling", 8.0),
        ("air in the loop", 30.0, "static", 6.0),
    ],
)
def test_faults_move_signs_the_way_they_must(cause, strength, sign, least):
    """Averaged over cars a fault moves the sign in the direction physics asks, by at least this."""
    mean = float(np.mean(moves(cause, strength, sign)))
    assert mean >= least if least > 0.0 else mean <= least


def test_valve_stuck_closed_starves_and_stuck_open_floods():
    """Too far closed the superheat rises and the coil gives less; too far open the superheat falls."""
    shut, opened = [], []
    for usual, faulty in zip(batches()[::2], batches()[1::2], strict=True):
        for index, row in enumerate(faulty.rows):
            stuck = row.cause == "wet or stuck valve" and row.strength == 50.0
            if stuck and faulty.good[index] and not faulty.cars.orifice[index]:
                moved = faulty.running.coil_superheat[index] - usual.running.coil_superheat[row.car]
                (opened if faulty.cars.opens[index] else shut).append(moved)
    assert np.mean(shut) > 3.0
    assert np.mean(opened) < -1.0


def test_worse_is_worse():
    """A stronger fault moves its own sign further, on the mean over cars."""
    for cause, sign in (
        ("condenser airflow", "condensing"),
        ("air in the loop", "static"),
        ("worn or slipping compressor", "evaporating"),
    ):
        means = [float(np.mean(moves(cause, strength, sign))) for strength in (10.0, 20.0, 30.0, 40.0, 50.0)]
        assert means == sorted(means)


def middle(valve, ambient, humidity, count=30):
    """Signs of sound R134a cars at idle on recirculating air of the day: 5, 50 and 95 % of each."""
    days = [CarDay(i, "R134a", valve, ("fixed", "variable")[i % 2], "idle", ambient, humidity) for i in range(count)]
    made = make("R134a", days, SEED)
    damp = np.full(len(made.days), humidity * saturated_humidity(ambient + 273.15))
    batch, _ = sound(replace(made, cars=replace(made.cars, inlet=made.cars.ambient, humidity_ratio=damp)))
    signs = running_signs(made.fluid, batch.cars, batch.asked, batch.running)
    return {name: np.percentile(values, (5.0, 50.0, 95.0)) for name, values in signs.items()}


@pytest.mark.parametrize("valve", ["expansion valve", "orifice tube"])
@pytest.mark.parametrize(
    ("ambient", "low_kpa", "high_kpa"),
    [(25.0, (171.0, 209.0), (1204.0, 1471.0)), (35.0, (229.0, 280.0), (1500.0, 1820.0))],
)
def test_sound_pressures_span_a_published_car(valve, ambient, low_kpa, high_kpa):
    """One maker's operating pressures (2010 service manual, heater and air conditioning, test reading: ambient air to operating
    pressure, 50 to 70 %, idle, blower fastest) lie within the cars' 5 to 95 % range.
    """
    got = middle(valve, ambient, 0.6)

    def gauge(t):
        return (PropsSI("P", "T", t + 273.15, "Q", 1, "R134a") - AIR_PA) / 1e3

    low, high = (sum(ends) / 2 for ends in (low_kpa, high_kpa))
    assert gauge(got["evaporating"][0]) < low < gauge(got["evaporating"][2])
    assert gauge(got["condensing"][0] + ambient) < high < gauge(got["condensing"][2] + ambient)


@pytest.mark.parametrize(("air", "vent"), [(20.0, (6.0, 8.0)), (25.0, (8.4, 10.9)), (30.0, (14.5, 17.5))])
def test_sound_vent_air_spans_a_published_car(air, vent):
    """The same manual's vent temperature by recirculating air at 50 to 60 % overlaps the cars' 5 to 95 % range."""
    low, _, high = middle("expansion valve", air, 0.55)["vent"] + air
    assert low < vent[1]
    assert high > vent[0]


def test_a_car_is_the_same_in_any_company():
    """Drawing fewer cars gives the same rows for those that are left."""
    few = table(6, SEED).states
    many = [state for state in rows().states if state.car < 6]
    for one, other in zip(few, many, strict=True):
        assert (one.car, one.cause, one.strength) == (other.car, other.cause, other.strength)
        assert one.condensing == pytest.approx(other.condensing, abs=0.01)


def test_structure_is_found():
    """The script that makes tables finds this structure by its name."""
    assert structures()["effectiveness"] is table
