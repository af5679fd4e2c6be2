"""Lines made few enough to draw."""

import gc
import math
import tracemalloc

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.journal.thinning import Drawn, Thinned, thinned, with_gaps
from baytrace.measure.instant import NS

values = st.lists(st.floats(-1e9, 1e9) | st.sampled_from([math.nan, math.inf]), max_size=500)


def line_of(steps, series):
    times = np.cumsum(np.resize(np.array(steps, np.int64), len(series)))
    return Drawn(times, np.array(series, float))


@settings(deadline=None)
@given(st.lists(st.integers(0, 10**10), min_size=1, max_size=20), values, st.integers(2, 60), st.integers(1, 200))
def test_no_peak_is_lost(steps, series, most, page):
    """The highest and lowest finite value are always drawn, at their own times, in order, within the budget, however it came."""
    line = line_of(steps, series)
    thin = Thinned(most)
    for start in range(0, len(series), page):
        thin.put(line.times[start : start + page], line.values[start : start + page])
    drawn = thin.drawn()
    assert len(drawn.times) <= most
    assert (np.diff(drawn.times) >= 0).all()
    assert thin.count == len(series)
    finite = [v for v in series if math.isfinite(v)]
    if finite:
        assert (np.nanmax(drawn.values), np.nanmin(drawn.values)) == (max(finite), min(finite))
    came = set(zip(line.times.tolist(), series, strict=True))
    assert all((t, v) in came for t, v in zip(*map(np.ndarray.tolist, drawn), strict=True) if math.isfinite(v))


@settings(deadline=None)
@given(values, st.integers(500, 700))
def test_few_readings_are_all_drawn(series, most):
    """Nothing is left out while there is room; what is not finite is a break."""
    line = line_of([NS], series)
    drawn = thinned(*line, most)
    assert drawn.times.tolist() == line.times.tolist()
    assert [math.isfinite(v) for v in drawn.values] == [math.isfinite(v) for v in series]


def test_the_beginning_is_drawn_as_finely_as_the_end():
    """A day at 1 Hz fed reading by reading: every hour has the same share of the points."""
    thin = Thinned(1200)
    for start in range(0, 86_400, 60):
        times = np.arange(start, start + 60, dtype=np.int64) * NS
        thin.put(times, np.sin(times / 1e12))
    drawn = thin.drawn()
    share = np.bincount(drawn.times // (3600 * NS), minlength=24)
    assert len(drawn.times) > 600
    assert share.min() > share.max() / 2


def test_memory_stays_the_same_however_long_the_line():
    """Of three million readings, put a page at a time, no more is held than of a hundred thousand."""
    thin = Thinned(720)
    gc.collect()
    tracemalloc.start()
    held = []
    for start in range(0, 3_000_000, 10_000):
        times = np.arange(start, start + 10_000, dtype=np.int64) * NS
        thin.put(times, times % 977 / 7.0)
        del times
        held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert max(held[10:]) < 2 * max(held[:10])
    assert len(thin.drawn().times) <= 720


def test_a_hole_breaks_the_line():
    """Neighbours too far apart get a nan between them."""
    line = with_gaps(Drawn(np.array([0, 10, 100]), np.array([1.0, 2.0, 3.0])), 20)
    assert line.times.tolist() == [0, 10, 55, 100]
    assert math.isnan(line.values[2])
