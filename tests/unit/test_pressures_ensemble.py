"""The ensemble's table and how it is made: smooth in the day, what is not known widens it, what structures differ by is kept."""

import csv
import io

import numpy as np
import pytest

from baytrace.watches.pressures.causes import CAUSES, SIGNS, SOUND, Day
from baytrace.watches.pressures.draws import heavy_tailed, points
from baytrace.watches.pressures.ensemble import KINDS, Ensemble, State, columns, ensemble, read, water
from baytrace.watches.pressures.evidence import spread_of
from baytrace.watches.pressures.instruments import errors, told

WARM = Day(30.0, 0.5, "expansion valve")


def sound(day, fluid="R134a", cars=None):
    """Mean and covariance of sound cars on a day."""
    parts = (cars or ensemble()).on(day, fluid)
    mine = parts.state == 0
    return spread_of(parts.share[mine], parts.mean[mine], parts.covariance[mine])


def test_every_cause_was_run_by_every_structure():
    """At least four structures, each with every cause for both kinds of valve; covariances are those of real vectors."""
    cars = ensemble()
    assert len(cars.structures) >= 4
    assert {state.cause for state in cars.states} == {SOUND, *CAUSES}
    for row in range(len(cars.structures)):
        for cause in CAUSES:
            states = [at for at, state in enumerate(cars.states) if state.cause == cause]
            assert all(np.isfinite(cars.means[row, kind][states, 0, 0]).any() for kind in range(len(KINDS)))
    there = np.isfinite(cars.covariances[..., 0, 0])
    lowest = np.linalg.eigvalsh(cars.covariances[there] + 0.05 * np.eye(len(SIGNS))).min()
    assert lowest > -0.05 * np.abs(cars.covariances[there]).max()


@pytest.mark.parametrize("fluid", ["R134a", "R1234yf", "R152a"])
def test_every_day_has_covariances_of_real_vectors(fluid):
    """Cool, hot, wet, unknown: each component's covariance is positive definite."""
    for day in (Day(15.0, 0.9, ""), Day(45.0, 0.2, "orifice tube"), Day(30.0, None, "", ambient_u=9.0)):
        assert np.linalg.eigvalsh(ensemble().on(day, fluid).covariance).min() > 0.0


def test_shares_of_a_state_are_one_whole():
    """In every state the shares of structures and kinds add up to one."""
    parts = ensemble().on(WARM, "R134a")
    totals = np.bincount(parts.state, parts.share)
    assert totals == pytest.approx(np.ones(len(ensemble().states)))


@pytest.mark.parametrize(
    "less", [Day(30.0, None, "expansion valve"), Day(30.0, 0.5, ""), Day(30.0, 0.5, "expansion valve", ambient_u=9.0)]
)
def test_what_is_not_known_widens(less):
    """Without the humidity, the kind of valve or a sure ambient sound cars are spread wider in all."""
    assert np.linalg.slogdet(sound(less)[1])[1] > np.linalg.slogdet(sound(WARM)[1])[1]


def test_structures_that_differ_keep_their_difference():
    """Two structures 10 K apart make an ensemble that is spread by at least their difference, and centred between them."""
    means = np.zeros((2, len(KINDS), 1, len(SIGNS), 6))
    means[1, ..., 0, 0] = 10.0
    means[1, ..., 0] = 10.0
    cars = Ensemble(
        ("a", "b"), (State(SOUND, 0.0),), means, np.broadcast_to(np.eye(len(SIGNS)), (2, len(KINDS), 1, 8, 8))
    )
    middle, spread = sound(WARM, cars=cars)
    assert middle == pytest.approx(np.full(len(SIGNS), 5.0))
    assert np.diag(spread).min() >= 25.0
    assert sound(WARM, cars=cars.without("b"))[0] == pytest.approx(np.zeros(len(SIGNS)))


def test_a_table_is_read_as_it_was_written():
    """A row's means and covariances come back in their places."""
    means, halves = columns()
    head = ["structure", "valve", "compressor", "cause", "strength", "way", *means, *halves]
    row = ["a", "orifice tube", "variable", SOUND, "0", "", *map(str, range(len(means))), *map(str, range(len(halves)))]
    text = io.StringIO()
    csv.writer(text).writerows([head, row])
    found = read(csv.DictReader(text.getvalue().splitlines()))
    kind = KINDS.index(("orifice tube", "variable"))
    assert found.means[0, kind, 0].ravel().tolist() == list(range(len(means)))
    assert found.covariances[0, kind, 0][1].tolist()[:2] == [1.0, 2.0]
    assert found.covariances[0, kind, 0] == pytest.approx(found.covariances[0, kind, 0].T)
    assert np.isnan(found.means[0, 0]).all()


def test_saturated_air_holds_the_published_water():
    """At 30 degC and 1013.25 hPa saturated air holds 27.3 g of water per kg of dry air (ASHRAE Fundamentals 2009, ch. 1, table 2; from memory)."""
    assert float(water(30.0, 1.0)) == pytest.approx(27.33, rel=0.01)


def test_an_error_of_a_gauge_moves_its_signs_together():
    """The low side's error moves evaporating and superheat oppositely, the high side's condensing and subcooling together."""
    u = {"evaporating": 0.5, "condensing": 0.6, "superheat": 0.8, "subcooling": 0.7, "vent": 0.4, "discharge": 0.7}
    found = errors(u, 0.3)
    at = {name: index for index, name in enumerate(u)}
    assert np.sqrt(np.diag(found)) == pytest.approx(list(u.values()))
    assert found[at["evaporating"], at["superheat"]] == pytest.approx(-0.25)
    assert found[at["condensing"], at["subcooling"]] > 0.0 > found[at["condensing"], at["discharge"]]
    assert found[at["condensing"], at["vent"]] == pytest.approx(0.09)
    assert np.linalg.eigvalsh(found).min() >= -1e-12


def test_a_sign_that_two_others_give_counts_once():
    """The approach is condensing less subcooling: with both it is left out, without one it stays."""
    assert told(["condensing", "subcooling", "approach"]) == ("condensing", "subcooling")
    assert told(["condensing", "approach"]) == ("condensing", "approach")


def test_fixed_draws_have_the_spread_they_are_for():
    """Student's t with unit covariance, evenly placed shares, and the same again."""
    t, share = heavy_tailed(4096, 6, 6)
    assert np.cov(t.T) == pytest.approx(np.eye(6), abs=0.12)
    assert np.histogram(share, 8, (0.0, 1.0))[0] == pytest.approx(np.full(8, 512), abs=8)
    assert points(64, 3).tolist() == points(64, 3).tolist()
