"""Pass and fail only when the whole interval lies on one side of every limit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.decision import assess, decide, worst
from baytrace.measure.faults import BadInput
from baytrace.measure.verdict import Figure, Outcome

values = st.floats(-100.0, 100.0)
us = st.floats(1e-4, 20.0)


@given(values, us, st.floats(0.1, 50.0))
def test_decision_never_passes_and_fails_across_worse_uncertainty(value, u, more):
    """A coarser instrument never turns undecided or fail into pass, nor pass into fail."""
    fine = decide(value, u, upper=10.0, lower=-10.0)
    coarse = decide(value, u + more, upper=10.0, lower=-10.0)
    assert coarse in (fine, Outcome.UNDECIDED)


@given(values, us, st.floats(0.01, 1000.0))
def test_decision_does_not_depend_on_the_unit(value, u, factor):
    """Scaling value, uncertainty and limits together changes nothing, away from rounding at the very edge."""
    before = assess(value, u, upper=10.0, lower=-10.0)
    margin = abs(abs(before.limit - value) - 1.959964 * u)
    if margin > 1e-9:
        assert decide(value * factor, u * factor, upper=10.0 * factor, lower=-10.0 * factor) is before.outcome


def test_decision_says_how_small_the_uncertainty_would_have_to_be():
    """Undecided comes with the standard uncertainty at which the same value would be decided."""
    doubt = assess(9.0, 1.0, upper=10.0)
    assert doubt.outcome is Outcome.UNDECIDED
    assert decide(9.0, doubt.needed_u * 0.999, upper=10.0) is Outcome.PASS
    assert decide(9.0, doubt.needed_u * 1.001, upper=10.0) is Outcome.UNDECIDED


def test_decision_takes_a_figure_with_its_own_lopsided_interval():
    """A figure brings its interval; each side is held against the limit it faces."""
    lopsided = Figure(9.0, "ohm", 5.0, 9.5, 0.95)
    assert decide(lopsided, upper=9.6) is Outcome.PASS
    assert decide(lopsided, lower=6.0) is Outcome.UNDECIDED
    assert decide(lopsided, upper=4.9) is Outcome.FAIL


def test_decision_refuses_what_it_cannot_decide():
    """No limit, crossed limits, no uncertainty and a negative one are each named."""
    for call in (
        lambda: decide(1.0, 0.1),
        lambda: decide(1.0, 0.1, upper=1.0, lower=2.0),
        lambda: decide(1.0, upper=2.0),
        lambda: decide(1.0, -0.1, upper=2.0),
        lambda: decide(1.0, float("nan"), upper=2.0),
    ):
        with pytest.raises(BadInput):
            call()


def test_decision_on_an_infinite_value_is_sure():
    """An open circuit is above any upper limit, whatever the meter's accuracy."""
    assert decide(float("inf"), 0.1, upper=17.5, lower=13.5) is Outcome.FAIL


def test_several_requirements_make_one_answer():
    """Any fail fails, any doubt stays doubt, and nothing asked is not a pass."""
    assert worst([Outcome.PASS, Outcome.UNDECIDED, Outcome.FAIL]) is Outcome.FAIL
    assert worst([Outcome.PASS, Outcome.UNDECIDED]) is Outcome.UNDECIDED
    assert worst([Outcome.PASS, Outcome.PASS]) is Outcome.PASS
    assert worst([]) is Outcome.UNDECIDED
