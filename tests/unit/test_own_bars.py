"""What a comparison of a car with itself lets pass, on models of cars that the comparison was not made of."""

import pytest

from baytrace_sim.cars import structures
from own_cars import SETS, judged, loop, pairs

CARS, SEED = 5, 11


@pytest.fixture(scope="module", params=["effectiveness", "published"])
def found(request):
    """Pairs of the same car, sound and later, on one day."""
    states = structures()[request.param](CARS, SEED).states
    loops = {id(state): loop(state) for state in states}
    return [(loops[id(one)], loops[id(other)], kind) for one, other, kind in pairs(states, states)]


def share(counts, kind, outcome):
    return counts[kind, outcome] / max(sum(count for (of, _), count in counts.items() if of == kind), 1)


@pytest.mark.parametrize(("kind", "repeats"), [("usual", 0.3), ("good", 0.5), ("fine", 0.3)])
def test_a_car_that_moved_seldom_passes(found, kind, repeats):
    """Of faults that move a state by what matters at most one in ten passes, whatever the instruments."""
    assert share(judged(found, SETS[kind], repeats, SEED), "moved", "pass") <= 0.10


def test_a_sound_car_never_fails_against_itself(found):
    """By any instruments, a sound car is at worst undecided; by good ones in the same session it passes."""
    assert all(
        share(judged(found, SETS[kind], repeats, SEED), "sound", "fail") == 0.0
        for kind in SETS
        for repeats in (0.3, 1.0)
    )
    assert share(judged(found, SETS["good"], 0.3, SEED), "sound", "pass") >= 0.97
