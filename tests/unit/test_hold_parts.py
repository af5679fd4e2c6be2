"""The parts of the hold's fit: cells, solver, memory, wild readings, drying pools, outlook."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

import hold_traces as traces
from baytrace.physics import rise_solver
from baytrace.physics.gauge_noise import Gauge, memory
from baytrace.physics.outlook import more_time
from baytrace.physics.pressure_rise import fit
from baytrace.physics.rise_cells import CAPACITY, Cells
from baytrace.physics.rise_shapes import Kind
from baytrace.physics.rise_warmth import Thermal
from baytrace.physics.wild_readings import WildReadings

GAUGE, THERMAL = Gauge(0.133, 0.1, 0.133), Thermal(295.15, 0.6, 0.0)


@given(st.lists(st.floats(0.0, 5000.0), min_size=1, max_size=400), st.floats(0.5, 4.0))
@settings(max_examples=60, deadline=None)
def test_hold_cells_keep_count_and_mean(steps, first_length):
    """However long a hold and however it is sampled, cells stay few, ordered, and lose no reading."""
    cells = Cells(first_length)
    times = np.cumsum(steps)
    for index, time in enumerate(times.tolist()):
        cells.add(time, float(index), None)
    means = cells.means()
    assert len(cells) <= CAPACITY
    assert means.readings.sum() == len(steps)
    assert (means.pressure * means.readings).sum() == pytest.approx(sum(range(len(steps))))
    assert np.all(np.diff(means.time_s) >= 0.0)


def test_hold_cells_cut_forgets_what_came_later():
    """A hold cut at an instant keeps no cell that begins at or after it."""
    cells = Cells()
    for second in range(100):
        cells.add(float(second), 1.0)
    cells.cut(60.0)
    assert cells.readings == 60
    assert cells.means().time_s.max() < 60.0


@given(st.integers(0, 10_000), st.floats(20.0, 5000.0), st.floats(-0.3, 0.5), st.floats(-200.0, 400.0))
@settings(max_examples=40, deadline=None)
def test_hold_solver_agrees_with_a_general_one(seed, tau, rate, vapour):
    """The closed-form constrained minimum is that of a general bounded optimiser."""
    rng = np.random.default_rng(seed)
    time = np.linspace(1.0, 900.0, 60)
    shape = 1.0 - np.exp(-time / tau)
    pressure = 50.0 + rate * time + vapour * shape + rng.normal(0.0, 1.0, 60)
    most = np.array([300.0])
    normal = rise_solver.normal(np.ones(60), time, shape[None, :], pressure)
    found = rise_solver.minimum(normal, most)

    def squares(x):
        return float(np.sum((pressure - x[0] - x[1] * time / 900.0 - x[2] * shape) ** 2))

    general = minimize(squares, [50.0, 0.0, 1.0], bounds=[(None, None), (0.0, None), (0.0, 300.0)], method="L-BFGS-B")
    assert found.rate[0] >= 0.0
    assert 0.0 <= found.vapour[0] <= 300.0
    assert found.chi2[0] <= general.fun * (1.0 + 1e-6) + 1e-6


def test_hold_solver_spans_hold_exactly_the_level():
    """At either end of the rate's span the best allowed vapour meets the level; beyond it nothing does."""
    rng = np.random.default_rng(3)
    time = np.linspace(1.0, 900.0, 60)
    shape = 1.0 - np.exp(-time / 200.0)
    pressure = 50.0 + 0.05 * time + 80.0 * shape + rng.normal(0.0, 1.0, 60)
    normal = rise_solver.normal(np.ones(60), time, shape[None, :], pressure)
    most, level = np.array([500.0]), rise_solver.minimum(normal, np.array([500.0])).chi2 + 4.0
    span = rise_solver.rate_span(normal, most, level)
    vapour = np.linspace(0.0, 500.0, 20_001)
    for end in (span.low[0], span.high[0]):
        least = min(rise_solver.chi2(normal, np.full(1, end), np.full(1, one))[0] for one in vapour.tolist())
        assert least == pytest.approx(level[0], abs=0.05)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_hold_memory_is_estimated_without_the_bias_of_the_fit(rho):
    """The memory of residuals of a four-parameter fit is corrected for what the fit took out of it."""
    rng = np.random.default_rng(17)
    n, found = 100, []
    time = np.linspace(0.0, 1.0, n)
    design = np.column_stack([np.ones(n), time, 1.0 - np.exp(-time / 0.3)])
    for _ in range(200):
        errors = np.zeros(n)
        errors[0] = rng.normal()
        for i in range(1, n):
            errors[i] = rho * errors[i - 1] + np.sqrt(1.0 - rho**2) * rng.normal()
        coefficients, *_ = np.linalg.lstsq(design, errors, rcond=None)
        found.append(memory(errors - design @ coefficients, 4).rho)
    assert np.mean(found) == pytest.approx(rho, abs=0.08)


def test_hold_wild_readings_are_dropped_and_steps_are_kept():
    """One or two stray values vanish; a step is taken after three, whole and in order."""
    wild = WildReadings(1.0)
    kept = []
    values = [50.0] * 5 + [9000.0, 0.0] + [50.0] * 5 + [800.0, 801.0, 802.0, 803.0]
    for index, value in enumerate(values):
        good = wild.take(index, value)
        kept += [(index, value)] if good is None else good
    assert [value for _, value in kept] == [50.0] * 10 + [800.0, 801.0, 802.0, 803.0]
    assert [time for time, _ in kept] == sorted(time for time, _ in kept)
    assert wild.dropped == 2


def filled(pressures, period=1.0):
    cells = Cells()
    for index, pressure in enumerate(pressures):
        cells.add(index * period, float(pressure), 295.15)
    return cells.means()


def test_hold_drying_pool_is_no_leak():
    """A pool that dries out in the hold rises straight and then stands: water, and no leak."""
    rng = np.random.default_rng(9)
    time = np.arange(900.0)
    found = fit(filled(40.0 + 0.3 * np.minimum(time, 500.0) + rng.normal(0.0, 0.3, 900)), GAUGE, THERMAL)
    assert found.kind is Kind.DRYING
    assert found.rate.low == 0.0
    assert found.rate.high < 0.025
    assert found.vapour.low > 100.0


def test_hold_drying_pool_is_moisture_to_the_watch():
    """The same, through the whole watch: moisture, not leak."""
    items = [traces.pressure(s, 40.0 + 0.3 * min(s, 450.0) + 0.1 * (s % 3)) for s in range(906)]
    assert traces.follow(traces.watch(phase="hold"), items).verdict().finding == "moisture"


def test_hold_pool_follows_saturation_with_temperature():
    """Vapour over a pool that warms by 3 K rises by saturation's 6 % a kelvin; with a thermometer that is no leak."""
    from baytrace.physics.moisture import saturation_pressure

    rng = np.random.default_rng(10)
    cells = Cells()
    for second in range(1800):
        kelvin = 293.15 + 3.0 * second / 1800.0
        level = 2000.0 * (1.0 - np.exp(-second / 200.0)) * saturation_pressure(kelvin) / saturation_pressure(293.15)
        cells.add(float(second), float(30.0 * kelvin / 293.15 + level + rng.normal()), kelvin + 0.05 * rng.normal())
    found = fit(cells.means(), GAUGE, Thermal(294.65, 0.6, 0.0))
    assert found.rate.low < 0.01


@pytest.mark.parametrize("tau", [8.0, 12.0, 20.0])
@pytest.mark.parametrize("measured", [True, False])
def test_hold_fast_pool_in_a_warming_loop_is_moisture(tau, measured):
    """Water that fills the loop in seconds and then climbs with 3 K of warming, seen or unseen, is water and no leak."""
    from baytrace.physics.moisture import saturation_pressure

    rng, items = np.random.default_rng(8), []
    for second in range(910):
        kelvin = 295.0 + 3.0 * second / 900.0
        level = 20.0 + (float(saturation_pressure(kelvin)) - 20.0) * (1.0 - np.exp(-second / tau))
        items.append(traces.pressure(second, level + 0.3 * rng.normal()))
        items.append(traces.temperature(second, kelvin + 0.05 * rng.normal()))
    view = traces.channels(temperature=measured)
    kept = items if measured else [item for item in items if item.channel == "p"]
    assert traces.follow(traces.watch(view, phase="hold"), kept).verdict().finding == "moisture"


def test_hold_interval_is_wider_without_a_thermometer():
    """Unknown temperature widens the interval of the rate by the stated allowance, it never narrows it."""
    rng = np.random.default_rng(11)
    means = filled(60.0 + rng.normal(0.0, 0.2, 900))
    known, unknown = fit(means, GAUGE, THERMAL), fit(means, GAUGE, Thermal(295.15, 5.8, 3.0))
    assert unknown.rate.high > known.rate.high
    # 3 K in 295 K of 60 Pa over 900 s, rectangular, at 95 %
    assert unknown.rate.high > 1.96 * 60.0 * 3.0 / 295.15 / 900.0 / 3.0**0.5


def test_hold_constant_display_still_has_an_interval():
    """A display that never moves does not prove a rate of exactly nothing: its step bounds what could hide."""
    found = fit(filled([50.0] * 900), GAUGE, THERMAL)
    assert found.rate.high > 0.05 * 0.133 / 900.0


def test_hold_outlook_shrinks_as_the_hold_goes_on():
    """The time still needed is foretold, and less is foretold once part of it has passed."""
    rng = np.random.default_rng(12)
    time = np.arange(3600.0)
    pressures = 40.0 + 0.05 * time + rng.normal(0.0, 0.5, 3600)

    def needed(seconds):
        found = fit(filled(pressures[:seconds]), GAUGE, THERMAL)
        return more_time(found, lambda later: later.rate.low > 0.035)

    early, later = needed(240), needed(480)
    assert early is not None
    assert early.middle_s > 60.0
    assert early.low_s <= early.middle_s <= early.high_s
    assert later is None or later.middle_s < early.middle_s + 240.0
