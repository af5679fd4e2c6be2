"""Published figures keep their sources, and what is drawn from them obeys laws and the published tables."""

from collections import defaultdict

import numpy as np
import pytest

from baytrace_sim.cars import SIGNS, SOUND, lumped, ours, published
from baytrace_sim.cars.day import STRENGTHS, CarDay
from baytrace_sim.cars.properties import properties
from baytrace_sim.cars.states import CAUSES, VALVES

# a car maker's 2010 electronic service manual, test reading, R134a at idle, 50 to 70 %: kPa gauge, high side then low side
MAKER = {25.0: ((1204.0, 1471.0), (171.0, 209.0)), 35.0: ((1500.0, 1820.0), (229.0, 280.0))}
ROWS = sum(len(strengths) for strengths in STRENGTHS.values()) + 1


def table_days(ambient, cars):
    """Days under the maker's conditions, valves and compressors in turn."""
    return [
        CarDay(
            car=i,
            refrigerant="R134a",
            valve=VALVES[i % 2],
            compressor=("fixed", "variable")[i // 2 % 2],
            speed="idle",
            ambient=ambient,
            humidity=0.5 + 0.2 * (i % 7) / 6.0,
        )
        for i in range(cars)
    ]


def sound_published(days):
    return [published.states_of(day, 5)[0] for day in days]


def sound_lumped(days):
    return lumped.sound_states(days, 5)


def sound_ours(days):
    return [state for day in days if (state := ours.sound_state(ours.drawn(day, 5)))]


@pytest.mark.parametrize(
    ("sound", "cars"),
    [(sound_published, 200), (sound_lumped, 160), (sound_ours, 100)],
    ids=["published", "lumped", "ours"],
)
@pytest.mark.parametrize("ambient", MAKER)
def test_makers_cells_lie_in_the_range_of_sound_cars(sound, cars, ambient):
    """Both ends of a published cell lie between the 5 % and the 95 % of a structure's sound cars under the cell's conditions.

    The priors of `lumped` and `ours` were widened and shifted until they did.
    """
    states = sound(table_days(ambient, cars))
    assert len(states) > 0.9 * cars
    fluid = properties("R134a")
    high = fluid.at(np.array([state.condensing + ambient for state in states]) + 273.15).p / 1e3 - 101.325
    low = fluid.at(np.array([state.evaporating for state in states]) + 273.15).p / 1e3 - 101.325
    for values, cell in zip((high, low), MAKER[ambient], strict=True):
        least, most = np.percentile(values, (5.0, 95.0))
        assert least <= cell[0], (least, cell)
        assert cell[1] <= most, (most, cell)


def test_every_figure_names_a_study_that_says_how_it_was_obtained():
    """Base figures and effects point at studies of the file, each with a title, how it was obtained and what it found."""
    told = published.figures()
    for study in told["studies"].values():
        assert all(study[key] for key in ("title", "obtained", "finding"))
    rows = [*told["base"].values(), told["held"]]
    rows += [valve for cause in told["effects"].values() for valve in cause.values()]
    for row in rows:
        assert row["sources"]
        assert set(row["sources"]) <= set(told["studies"])
    used = {source for row in rows for source in row["sources"]}
    assert used | {"du"} == set(told["studies"])  # one study speaks for keeping valves apart, not for a figure


def test_every_cause_has_effects_for_both_valves():
    """No cause of the ensemble is left without figures, and every sign but the computed ones has a slope."""
    effects = published.figures()["effects"]
    assert set(effects) == set(CAUSES) - {SOUND, "clutch not engaged"} | {"stuck open"}
    for cause in effects.values():
        assert set(cause) == set(VALVES)
        for valve in cause.values():
            assert set(SIGNS) - {"approach", "static"} | {"capacity"} <= set(valve)


def test_a_table_counts_every_state_asked_for():
    """Rows and failures together are all cars at all strengths, and fewer than 1 % fail."""
    states, failed = published.table(40, 3)
    assert len(states) + failed == 40 * ROWS
    assert failed < 0.01 * 40 * ROWS


def test_a_car_is_the_same_in_a_larger_table():
    """A car depends on seed and number alone, so tables of different length pair."""
    few, many = published.table(6, 3).states, published.table(12, 3).states
    assert few == tuple(state for state in many if state.car < 6)


def test_standing_pressure_tells_air_and_nothing_else():
    """Only air in the loop lifts the standing saturation, by what the gas law says, and more with more of it."""
    for state in published.table(30, 8).states:
        if state.cause != "air in the loop":
            assert abs(state.static) < 0.01
            continue
        fluid, air = properties(state.refrigerant), state.ambient + 273.15
        extra = state.strength / 100.0 * float(fluid.at(298.15).p) * air / 298.15
        total = float(fluid.at(state.ambient + state.static + 273.15).p)
        assert total == pytest.approx(float(fluid.at(air).p) + extra, rel=1e-4)


def test_a_stronger_fault_moves_more():
    """On average over cars, capacity falls with every further step of each fault that takes from it."""
    mean = defaultdict(list)
    for state in published.table(60, 4).states:
        mean[state.cause, state.strength].append(state.capacity)
    for cause in ("undercharge", "condenser airflow", "worn or slipping compressor", "restriction", "air in the loop"):
        falling = [float(np.mean(mean[cause, strength])) for strength in STRENGTHS[cause]]
        assert np.all(np.diff(falling) < 0.0), cause


def test_signs_obey_what_no_loop_can_break():
    """Approach is condensing less subcooling; vent air is no colder than evaporating; nothing is subcooled below the air when running."""
    for state in published.table(60, 9).states:
        assert state.physical
        assert state.approach == pytest.approx(state.condensing - state.subcooling, abs=1e-9)
        if state.cause == "clutch not engaged":
            assert state.evaporating == state.ambient
            assert state.capacity == 0.0
            continue
        assert state.vent + state.ambient >= state.evaporating
        assert state.approach > 0.0
        assert state.superheat <= state.ambient + 6.0 - state.evaporating + 1e-9
