"""Decimation for charts."""

import math

from hypothesis import given
from hypothesis import strategies as st

from baytrace.bench.trends import decimate, with_gaps

values = st.lists(st.floats(-1e9, 1e9) | st.just(math.nan), max_size=500)


@given(values, st.integers(2, 60))
def test_no_peak_is_lost(series, most):
    """The highest and lowest finite value are always drawn, in time order, within the budget."""
    times = list(range(len(series)))
    out_times, out = decimate(times, series, most)
    assert len(out) <= max(most, 2)
    assert out_times == sorted(out_times)
    finite = [v for v in series if math.isfinite(v)]
    if finite:
        drawn = [v for v in out if math.isfinite(v)]
        assert (max(drawn), min(drawn)) == (max(finite), min(finite))


def test_a_hole_breaks_the_line():
    """Neighbours too far apart get a nan between them."""
    times, out = with_gaps([0, 10, 100], [1.0, 2.0, 3.0], 20)
    assert times == [0, 10, 55, 100]
    assert math.isnan(out[2])
