"""Uncertainties travel through a computation as the GUM says."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.uncertainty import Budget, combine, expanded, mean, propagate, rectangular, resolution

finite = st.floats(-1e3, 1e3, allow_nan=False)
small = st.floats(1e-6, 1.0)


@given(finite, finite, small, small)
def test_uncertainty_of_a_sum_is_the_root_of_squares(a, b, ua, ub):
    """Independent inputs of a sum add in quadrature."""
    _, u = propagate(lambda x, y: x + y, (a, b), (ua, ub))
    assert u == pytest.approx(math.hypot(ua, ub), rel=1e-6)


def test_uncertainty_of_a_quotient_matches_the_analytic_derivative():
    """Resistance from voltage and current: relative uncertainties add in quadrature."""
    value, u = propagate(lambda volts, amps: volts / amps, (5.0, 0.02), (0.01, 0.0001))
    assert value == 250.0
    assert u / value == pytest.approx(math.hypot(0.01 / 5.0, 0.0001 / 0.02), rel=1e-4)


def test_uncertainty_of_a_difference_of_fully_correlated_inputs_vanishes():
    """Two readings of one instrument share its error, so their difference has none of it."""
    _, u = propagate(lambda x, y: x - y, (14.2, 13.9), (0.1, 0.1), ((1.0, 1.0), (1.0, 1.0)))
    assert u == pytest.approx(0.0, abs=1e-9)


def test_uncertainty_shapes_have_their_divisors():
    """Limits of error divide by root three, a display step by root twelve, an expanded uncertainty by its k."""
    assert rectangular(3.0) == pytest.approx(3.0 / math.sqrt(3.0))
    assert resolution(0.01) == pytest.approx(rectangular(0.005))
    assert expanded(0.2) == 0.1
    assert combine(3.0, 4.0) == 5.0


def test_budget_names_the_largest_part_and_what_it_would_have_to_be():
    """A budget says which instrument is too coarse and how good it would have to be for the whole to be enough."""
    budget = Budget().with_part("meter", 0.3, "DMM").with_part("temperature", 0.4, "probe")
    largest = budget.largest()
    assert (budget.u, largest.instrument) == (0.5, "probe")
    assert budget.allowed(largest, 0.5) == pytest.approx(0.4)
    assert budget.allowed(largest, 0.2) == 0.0
    assert budget.scaled(-2.0).u == 1.0


def test_mean_of_one_value_claims_no_scatter_and_of_none_is_refused():
    """One reading has no deviation of its own; no reading has no mean."""
    assert mean([14.2]) == (14.2, 0.0, 0.0, 1)
    with pytest.raises(ValueError):
        mean([])
