"""The machine's clock as the bench reads it."""

import time

from baytrace.measure.clock import SystemClock


def test_stamps_are_nanoseconds_in_whole_microseconds():
    """The unit stays the nanosecond; the last three digits are idle, never ahead of the machine, and never go back."""
    clock, last = SystemClock(), 0
    for _ in range(1000):
        before, mono, after = time.monotonic_ns(), clock.mono_ns(), time.monotonic_ns()
        assert before - 1000 < mono <= after
        assert mono >= last
        assert mono % 1000 == clock.wall_ns() % 1000 == 0
        last = mono
    assert abs(clock.wall_ns() - time.time_ns()) < 10**9
