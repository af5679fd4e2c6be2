"""Published worked examples of uncertainty and decisions."""

import math

import pytest

from baytrace.measure.decision import acceptance_limit, conformance_probability, decide
from baytrace.measure.uncertainty import coverage_factor, effective_freedom, fit_line
from baytrace.measure.verdict import Outcome

# JCGM 100:2008, H.3, Table H.6: thermometer readings (degC) and corrections (degC)
H3_T = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
H3_B = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_uncertainty_of_the_gum_thermometer_line_is_as_printed():
    """JCGM 100:2008, H.3.4 and H.3.5: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, b(30) = -0.1494(41) degC."""
    line = fit_line(H3_T, H3_B, origin=20.0)
    assert line.intercept == pytest.approx(-0.1712, abs=5.25e-5)
    assert line.u_intercept == pytest.approx(0.0029, abs=5.25e-5)
    assert line.slope == pytest.approx(0.00218, abs=5.25e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5.25e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5.4e-4)
    value, u = line.at(30.0)
    assert value == pytest.approx(-0.1494, abs=5.4e-5)
    assert u == pytest.approx(0.0041, abs=5.4e-5)


@pytest.mark.parametrize(
    ("freedom", "confidence", "t"),
    # JCGM 100:2008, Table G.2, more decimals from any t table
    [(12, 0.95, 2.17881), (34, 0.95, 2.03224), (9, 0.95, 2.26216), (16, 0.99, 2.92078), (1, 0.95, 12.7062)],
)
def test_uncertainty_coverage_factor_is_students_t(freedom, confidence, t):
    """The coverage factor equals the tabulated t to its last decimal."""
    assert coverage_factor(freedom, confidence) == pytest.approx(t, rel=6e-6)


def test_uncertainty_effective_freedom_of_the_gum_end_gauge():
    """JCGM 100:2008, H.1.6: contributions of 25 (18), 9.7 (25.6), 2.9 (50) and 16.6 nm (2) give 16 degrees of freedom."""
    assert math.floor(effective_freedom([(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)])) == 16


def test_decision_probabilities_of_the_printed_examples():
    """JCGM 106:2012, 7.3.3: breakdown voltage 92 %, burst pressure 99 % (numbers of the examples from memory)."""
    assert conformance_probability(-5.47, 0.05, upper=-5.40) == pytest.approx(0.9192433407662289, abs=1e-6)
    assert conformance_probability(509.7, 8.6, lower=490.0) == pytest.approx(0.9890095473848222, abs=1e-6)


def test_decision_guard_band_of_two_u_keeps_false_acceptance_below_the_quoted_risk():
    """ILAC-G8:09/2019: with w = U the specific risk at the acceptance limit is below 2.5 %."""
    edge = acceptance_limit(30.0, upper=500.0, guard=2.0)
    assert edge == 440.0
    assert 1.0 - conformance_probability(edge, 30.0, upper=500.0) == pytest.approx(0.022750131948179195, abs=1e-6)


def test_decision_acceptance_limit_for_a_rise_in_micron():
    """JCGM 106:2012, 8.3.2 with 1.6449 u one-sided: 500 micron and u = 30 accept below 450.65 micron."""
    assert acceptance_limit(30.0, upper=500.0, guard=1.6448536) == pytest.approx(450.654, abs=0.001)


@pytest.mark.parametrize(
    ("rise", "outcome"), [(430, Outcome.PASS), (460, Outcome.UNDECIDED), (540, Outcome.UNDECIDED), (550, Outcome.FAIL)]
)
def test_decision_rise_against_a_limit_of_500_micron(rise, outcome):
    """With u = 30 micron and a one-sided 95 % guard band: below 450.7 accept, above 549.3 reject, between undecided."""
    assert decide(float(rise), 30.0, upper=500.0, guard=1.6448536) is outcome
