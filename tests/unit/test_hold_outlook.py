"""How much longer a hold takes: what may be going on, the odds of when, and how they are told."""

import math

import numpy as np
import pytest

from baytrace.physics.gauge_noise import Gauge
from baytrace.physics.outlook import Outlook, more_time
from baytrace.physics.pressure_rise import fit
from baytrace.physics.rise_beliefs import believed
from baytrace.physics.rise_cells import Cells
from baytrace.physics.rise_warmth import Thermal
from baytrace.watches.evacuation.waiting import further, needed, time_left

GAUGE, THERMAL = Gauge(0.133, 0.1, 0.133), Thermal(295.15, 0.6, 0.0)


def fitted(pressures, warming=0.0):
    cells = Cells()
    for second, pressure in enumerate(pressures.tolist()):
        cells.add(float(second), pressure, 295.15 + warming * second / 1000.0)
    found = fit(cells.means(), GAUGE, THERMAL)
    assert found is not None
    return found


def noisy(true, seed, noise=0.4):
    return true + np.random.default_rng(seed).normal(0.0, noise, true.size)


def test_hold_beliefs_sum_to_one_and_name_what_is_plain():
    """A long straight rise is believed a leak, a long one that levelled off a vapour; what nobody can tell is left open."""
    time = np.arange(2400.0)
    leak = believed(fitted(noisy(40.0 + 0.1 * time, 1)), 8)
    vapour = believed(fitted(noisy(40.0 + 300.0 * (1.0 - np.exp(-time / 200.0)), 2)), 8)
    early = believed(fitted(noisy(40.0 + 0.3 * time[:150], 3)), 8)
    for truths in (leak, vapour, early):
        assert sum(truth.weight for truth in truths) == pytest.approx(1.0)
    assert sum(truth.weight for truth in leak if truth.rate > 0.08) > 0.9
    assert sum(truth.weight for truth in vapour if truth.vapour > 250.0) > 0.9
    assert len({truth.rate > 0.0 and truth.vapour == 0.0 for truth in early}) == 2


def test_hold_outlook_span_holds_the_decision():
    """Of leaks whose proof is minutes away, the instant of proof lies in the span foretold for most, and is never past."""
    time, inside = np.arange(4000.0), 0
    for seed in range(6):
        pressures = noisy(40.0 + 0.08 * time, seed, 0.6)
        told = more_time(fitted(pressures[:300]), lambda later: later.rate.low > 0.05)
        assert told is not None
        assert 0.0 < told.low_s <= told.middle_s <= told.high_s
        took = next(s for s in range(300, 4000, 20) if fitted(pressures[:s]).rate.low > 0.05) - 300
        inside += told.low_s <= took <= told.high_s
    assert inside >= 4


def test_hold_outlook_says_never_when_the_figure_stands_on_the_limit():
    """A leak of just the limit is decided by no length of hold: no figure, rather than a wrong one."""
    rise = fitted(noisy(40.0 + 0.05 * np.arange(900.0), 5))
    limit = rise.rate.value
    told = more_time(rise, lambda later: later.rate.low > limit or later.rate.high < limit)
    assert told is None or math.isinf(told.high_s)


def test_hold_outlook_is_told_as_one_time_only_when_it_is_known_well():
    """One figure within a factor of two, else from when to when, else at least; what is set anyway counts."""
    sure, unsure = Outlook(360.0, 240.0, 600.0, 0.9), Outlook(200.0, 120.0, 540.0, 0.4)
    never = unsure._replace(high_s=math.inf)
    assert [further(one) for one in (sure, unsure, never)] == ["about 6 min", "2 min to 9 min", "at least 2 min"]
    assert further(unsure, 900.0) == "about 15 min"
    assert [time_left(one, 60.0) for one in (sure, unsure, never, None)] == [360.0, None, None, None]
    figure = needed(sure)
    assert figure is not None
    assert (figure.value, figure.low, figure.high, figure.confidence) == (360.0, 240.0, 600.0, 0.9)
    assert needed(unsure) is None
