"""Blind spots: the smallest fault that would have shown."""

import itertools
import time

import numpy as np
import pytest

from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.blind import Blind, blind_spots, spots
from baytrace.watches.pressures.causes import CAUSES, SIGNS, SOUND, Day
from baytrace.watches.pressures.ensemble import ensemble
from baytrace.watches.pressures.evidence import compared
from baytrace.watches.running.figures import Value

WARM = Day(30.0, 0.4, "expansion valve")
NAMES = tuple(name for name in SIGNS if name != "approach")


def signs(u=0.4, names=NAMES):
    return {name: Value(5.0, u) for name in names}


def strengths(found):
    """By cause, with no strength as one beyond all."""
    return {spot.cause: np.inf if spot.smallest is None else spot.smallest for spot in found}


def test_every_cause_has_a_blind_spot():
    """One for each cause, above no fault and not beyond the largest that was simulated."""
    found = blind_spots(signs(), WARM, "R134a")
    assert tuple(spot.cause for spot in found) == CAUSES
    assert all(spot.smallest is None or 0.0 < spot.smallest <= spot.most for spot in found)


@pytest.mark.parametrize("day", [WARM, Day(22.0, 0.6, "orifice tube"), Day(36.0, None, "")])
def test_coarser_instruments_show_no_smaller_fault(day):
    """Each step to coarser instruments keeps or enlarges every blind spot, but for what fixed draws resolve (3 %)."""
    found = [strengths(blind_spots(signs(u), day, "R134a")) for u in (0.2, 1.0, 3.0, 8.0)]
    for finer, coarser in itertools.pairwise(found):
        assert all(coarser[cause] >= finer[cause] - 3.0 for cause in CAUSES)
    assert sum(np.isfinite(list(found[0].values()))) >= sum(np.isfinite(list(found[-1].values())))


def test_fewer_channels_show_fewer_faults():
    """Two gauges alone do not show a fault that all channels would not."""
    whole = strengths(blind_spots(signs(), WARM, "R134a"))
    two = strengths(blind_spots(signs(names=("evaporating", "condensing")), WARM, "R134a"))
    assert all(two[cause] >= whole[cause] - 3.0 for cause in CAUSES)
    assert two["air in the loop"] > whole["air in the loop"]


def test_a_stated_fault_would_have_shown():
    """Of cars at the ensemble's strengths beside a blind spot, fewer than 95 % are suspected below it and at least as many above."""
    beside = compared(ensemble(), dict.fromkeys(NAMES, 0.4), WARM, "R134a")
    stated = [spot for spot in spots(beside) if spot.smallest is not None]
    assert stated
    for spot in stated:
        for strength in {state.strength for state in beside.states if state.cause == spot.cause}:
            if strength >= spot.smallest:
                assert beside.shown(spot.cause, strength) >= 0.95
    for spot in spots(beside):
        if spot.smallest is None:
            assert beside.shown(spot.cause, spot.most) < 0.95


def test_five_of_a_hundred_sound_cars_are_suspected():
    """Drawn otherwise than the threshold was, sound cars of the ensemble pass it as often as false alarms are allowed."""
    beside = compared(ensemble(), dict.fromkeys(NAMES, 0.4), WARM, "R134a")
    rng = np.random.default_rng(5)
    sound = np.flatnonzero(beside.parts.state == 0)
    which = rng.choice(sound, 4000, p=beside.parts.share[sound] / beside.parts.share[sound].sum())
    freedom = limit("pressures.freedom")
    heavy = np.sqrt((freedom - 2.0) / rng.chisquare(freedom, 4000))[:, None]
    t = rng.normal(size=(4000, len(NAMES))) * heavy
    roots = np.linalg.cholesky(beside.parts.covariance)
    seen = beside.parts.mean[which] + np.einsum("nij,nj->ni", roots[which], t)
    assert np.mean(beside.suspect(seen)) == pytest.approx(0.05, abs=0.015)


def test_the_values_read_do_not_matter():
    """What would have shown is a matter of channels and day, not of what was read."""
    other = {name: Value(-3.0, value.u) for name, value in signs().items()}
    assert blind_spots(signs(), WARM, "R134a") == blind_spots(other, WARM, "R134a")


def test_nothing_is_said_where_nothing_can_be():
    """No signs, a refrigerant with one model, a day that no model was run on."""
    assert blind_spots({}, WARM, "R134a") == ()
    assert blind_spots(signs(), WARM, "R744") == ()
    assert blind_spots(signs(), Day(0.0, 0.5, ""), "R134a") == ()


def test_a_blind_spot_is_said_in_words_and_data():
    """What would have shown, and what no simulated strength would."""
    shown, hidden = Blind("condenser airflow", 38.4, 70.0), Blind("undercharge", None, 70.0)
    assert shown.sentence() == "would have shown condenser air down by 38 %"
    assert hidden.sentence() == "would not have shown charge 70 % short"
    assert shown.to_json() == {"cause": "condenser airflow", "smallest": {"value": 38.4, "unit": "%"}}
    assert hidden.to_json() == {"cause": "undercharge", "most": {"value": 70.0, "unit": "%"}}
    assert SOUND not in {spot.cause for spot in blind_spots(signs(), WARM, "R134a")}


def test_asked_again_it_is_there_at_once():
    """A day and channels that are all but the same are answered from what was worked out."""
    blind_spots(signs(), WARM, "R134a")
    begun = time.perf_counter()
    blind_spots(signs(0.401), Day(30.2, 0.41, "expansion valve"), "R134a")
    assert time.perf_counter() - begun < 0.1
