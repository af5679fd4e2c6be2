"""The settling test, the search for cycles and their means, on made-up records."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.physics.cycles import cycle_means, find_cycles, noise_of, sliding_mean
from baytrace.physics.settling import block_means, judge_settling


def relaxing(tau, step, noise, length=900.0, seed=0):
    times = np.arange(0.0, length)
    rng = np.random.default_rng(seed)
    return times, 100.0 + step * np.exp(-times / tau) + rng.normal(0.0, noise, len(times))


def called_at(times, values, band, **more):
    """The first instant, asked every five seconds, at which it is called settled."""
    for end in np.arange(60.0, times[-1], 5.0):
        seen = times <= end
        if judge_settling(times[seen], values[seen], band, slowest_s=200.0, **more).settled:
            return float(end)
    return None


@settings(max_examples=25, deadline=None)
@given(st.floats(10.0, 90.0), st.floats(20.0, 100.0), st.floats(0.01, 0.4), st.integers(0, 1000))
def test_a_relaxing_mean_is_called_only_within_its_band(tau, step, noise, seed):
    """One exponential in white noise: what is to come at the call is within the band, and the instant found is near."""
    times, values = relaxing(tau, step, noise, seed=seed)
    band, truth = 1.0, tau * np.log(step)
    called = called_at(times, values, band)
    assert called is not None
    assert step * np.exp(-called / tau) < 1.15 * band
    found = judge_settling(times, values, band, slowest_s=200.0)
    assert found.settled
    assert found.since_s == pytest.approx(truth, abs=60.0)
    assert found.mean == pytest.approx(100.0, abs=0.6)


def test_correlated_noise_does_not_fool_the_interval():
    """A drifting mean hidden in noise that is alike from reading to reading is not called; the interval covers it."""
    rng = np.random.default_rng(3)
    times = np.arange(0.0, 300.0)
    noise = np.zeros(len(times))
    for index in range(1, len(times)):
        noise[index] = 0.97 * noise[index - 1] + rng.normal(0.0, 0.25)
    found = judge_settling(times, 100.0 + 0.01 * times + noise, 1.0, slowest_s=200.0)
    assert not found.settled
    assert found.remaining_bound > 1.0


def test_a_turning_point_is_not_settled():
    """A curve that stands still for a moment is not called while it must stay for a minute."""
    times = np.arange(0.0, 900.0)
    values = 100.0 + 30.0 * np.exp(-times / 25.0) - 12.0 * np.exp(-times / 120.0)
    called = called_at(times, values, 0.5, hold_s=60.0)
    assert called is not None
    assert 12.0 * np.exp(-called / 120.0) < 1.1


def test_it_says_how_long_it_expects():
    """Half-way down an exponential the wait told is of the right size."""
    times, values = relaxing(60.0, 50.0, 0.02, length=150.0)
    found = judge_settling(times, values, 1.0, slowest_s=200.0)
    assert not found.settled
    assert found.expected_s == pytest.approx(60.0 * np.log(50.0) - 150.0, abs=60.0)


def test_a_constant_without_noise_is_settled():
    """A record that never moves, as a simulator may write it."""
    times = np.arange(0.0, 120.0, 2.0)
    found = judge_settling(times, np.full(len(times), 5.0), 0.05, slowest_s=200.0)
    assert found.settled
    assert (found.mean, found.mean_uncertainty, found.since_s) == (5.0, 0.0, 0.0)


@pytest.mark.parametrize(("period", "sample"), [(14.0, 1.0), (30.0, 0.5), (45.0, 5.0), (75.0, 2.0)])
def test_cycles_are_found_with_period_and_duty(period, sample):
    """A saw-tooth that falls for 30 % of its cycle, under noise."""
    times = np.arange(0.0, 600.0, sample)
    phase = times / period % 1.0
    wave = np.where(phase < 0.3, 1.0 - phase / 0.3, (phase - 0.3) / 0.7)
    values = 300.0 + 60.0 * wave + np.random.default_rng(1).normal(0.0, 1.0, len(times))
    cycles = find_cycles(times, values, least_swing=15.0)
    assert cycles is not None
    assert cycles.period_s == pytest.approx(period, rel=0.03)
    assert cycles.duty == pytest.approx(0.3, abs=0.08)
    _, means = cycle_means(times, values, cycles.starts)
    assert np.mean(means) == pytest.approx(330.0, abs=2.0)


@pytest.mark.parametrize("tau", [5.0, 50.0, 500.0])
def test_relaxing_or_noisy_records_do_not_cycle(tau):
    """One crossing is no cycle, and noise does not pass the hysteresis."""
    times, values = relaxing(tau, 200.0, 2.0)
    assert find_cycles(times, values, least_swing=5.0) is None


def test_too_few_samples_a_cycle_are_not_taken_for_one():
    """Sampled every ten seconds, a 25 s cycle cannot be told."""
    times = np.arange(0.0, 900.0, 10.0)
    assert find_cycles(times, 300.0 + 30.0 * np.sin(2 * np.pi * times / 25.0), least_swing=10.0) is None


def test_means_are_means():
    """Blocks and sliding windows keep the mean of what they cover; noise is measured without the curve."""
    times, values = relaxing(50.0, 0.0, 1.0, length=2000.0)
    at, mean = block_means(times, values, 10.0)
    assert len(at) == 200
    assert np.mean(mean) == pytest.approx(np.mean(values), abs=0.01)
    assert sliding_mean(times, times, np.array([500.0, 0.0, 1999.0]), 100.0) == pytest.approx([500.0, 50.0, 1949.0])
    assert noise_of(values + 1e-3 * times**2) == pytest.approx(1.0, rel=0.1)
    assert noise_of(values[:3]) == 0.0


@pytest.mark.parametrize("quick", [15.0, 30.0, 45.0])
@pytest.mark.parametrize("slow", [80.0, 110.0])
def test_a_slow_mode_behind_a_quick_one_is_waited_for(quick, slow):
    """Where a quick mode gives way to a slow one within the tail, nothing is called while the slow one is beyond its band."""
    times = np.arange(0.0, 900.0)
    path = 30.0 * np.exp(-times / quick) + np.where(times < 160.0, 2.3 * (160.0 - times) / 60.0, 0.0)
    path += 13.0 * np.exp(-times / slow)
    noise = np.random.default_rng(round(quick + slow)).normal(0.0, 0.05, len(times))
    called = called_at(times, 290.0 + path + noise, 0.5, hold_s=60.0)
    assert called is not None
    assert called >= times[np.flatnonzero(path > 0.5)[-1]]


def taking_turns(strong, weak, period=26.0, length=900.0, drift=0.0):
    """A wave whose every other swing is a weak one, so that the means of neighbouring cycles differ for good."""
    times = np.arange(0.0, length, 1.0)
    number = np.floor(times / period)
    phase = times / period % 1.0
    swing = np.where(number % 2 == 0, strong, weak)
    noise = np.random.default_rng(3).normal(0.0, 0.3, len(times))
    return times, 280.0 + swing * (0.5 + 0.5 * np.cos(2.0 * np.pi * phase)) + drift * np.exp(-times / 120.0) + noise


def test_cycles_that_take_turns_settle_in_the_mean_of_two():
    """Strong and weak cycles in turn, 3.5 % apart in their means: the mean of two stands, and is what is called settled."""
    times, values = taking_turns(60.0, 40.0)
    cycles = find_cycles(times, values, least_swing=15.0)
    assert (round(cycles.period_s), cycles.turns) == (26, 2)
    found = judge_settling(times, values, 3.0, slowest_s=200.0, cycles=cycles)
    assert found.settled
    assert found.mean == pytest.approx(280.0 + 0.5 * 50.0, abs=0.5)


def test_turns_do_not_hide_a_mean_that_still_moves():
    """The same with a mean still on its way: not settled while more than the band is to come."""
    times, values = taking_turns(60.0, 40.0, length=300.0, drift=80.0)
    cycles = find_cycles(times, values, least_swing=15.0)
    assert not judge_settling(times, values, 3.0, slowest_s=200.0, cycles=cycles).settled


def test_cycles_of_one_kind_take_no_turns():
    """Swings that differ at random by 6 %: of 200 such records next to none is taken for one that takes turns."""
    times = np.arange(0.0, 900.0, 1.0)
    taken = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        swing = (50.0 + rng.normal(0.0, 3.0, 40))[np.floor(times / 26.0).astype(int)]
        wave = 280.0 + swing * (0.5 + 0.5 * np.cos(2.0 * np.pi * times / 26.0)) + rng.normal(0.0, 0.3, len(times))
        taken += find_cycles(times, wave, least_swing=15.0).turns == 2
    assert taken <= 10
