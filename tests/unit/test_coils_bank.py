"""The odd coil of a bank is found by comparing each with the others."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.uncertainty import propagate
from baytrace.physics.coils import odd_ones, refer


@pytest.mark.parametrize("count", range(3, 13))
@pytest.mark.parametrize("warm", [1.0, 1.2])
def test_coils_odd_one_out_is_found_in_banks_of_three_to_twelve(count, warm):
    """One coil 8 % off is the only odd one, cold or equally warm."""
    rng = random.Random(count)
    for off in (1.08, 0.92):
        for _ in range(50):
            bank = [warm * rng.gauss(14.3, 0.04) for _ in range(count)]
            place = rng.randrange(count)
            bank[place] *= off
            assert [index for index, each in enumerate(odd_ones(bank, 0.05)) if each.odd] == [place]


@pytest.mark.parametrize("count", range(3, 13))
def test_coils_even_bank_has_no_odd_one(count):
    """Ordinary spread within a bank is nobody's fault."""
    rng = random.Random(count)
    for _ in range(200):
        assert not any(each.odd for each in odd_ones([rng.gauss(14.3, 0.08) for _ in range(count)], 0.05))


def test_coils_below_three_have_no_odd_one():
    """Of two coils nobody can say which is odd."""
    assert not any(each.odd for each in odd_ones([10.0, 20.0], 0.01))
    assert odd_ones([], 0.01) == []


@given(st.lists(st.floats(5.0, 20.0), min_size=3, max_size=12), st.floats(0.01, 100.0))
def test_coils_odd_one_does_not_depend_on_the_unit(bank, factor):
    """Scaling every resistance changes nobody's place, away from the rounding edge."""
    before, after = odd_ones(bank, 0.05), odd_ones([ohm * factor for ohm in bank], 0.05 * factor)
    for one, other in zip(before, after, strict=True):
        if abs(one.deviations - 4.0) > 1e-6 and abs(abs(one.ratio - 1.0) - 0.03) > 1e-9:
            assert one.odd == other.odd


def test_coils_derivatives_are_those_of_the_formula():
    """The closed derivatives agree with differences."""
    referred = refer(15.0, 60.0, 20.0, u_celsius=2.0, u_alpha=1e-5)
    _, u_t = propagate(lambda t: refer(15.0, t).ohm, (60.0,), (2.0,))
    _, u_a = propagate(lambda a: refer(15.0, 60.0, alpha_20=a).ohm, (0.00393,), (1e-5,))
    assert referred.from_temperature == pytest.approx(u_t, rel=1e-3)
    assert referred.from_coefficient == pytest.approx(u_a, rel=1e-3)
