"""The clock of a demo waits for what it sent: both processes read one time, and it stands while anything is on its way."""

import asyncio
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.bench.live import LiveChannel
from baytrace.bench.pacing import Taken
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.clock import NS
from baytrace.measure.paced_clock import AHEAD_S, LEASE_S, Board, Leader, PacedClock
from baytrace.measure.reading import Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import parse_unit

START_NS = 1_800_000_000 * NS


@pytest.fixture
def board(tmp_path):
    return Board.made(tmp_path / "clock", 1000.0, START_NS)


def test_it_stands_still_until_it_is_led(board):
    """Nobody leads: time stands at its start, however long that takes."""
    clock = PacedClock(board)
    time.sleep(0.02)
    assert clock.wall_ns() == START_NS


def test_it_stands_at_the_end_of_its_lease(board):
    """A leader that is not heard of for a while stops the clock, and it goes on from there without a jump."""
    clock = PacedClock(board)
    leader = Leader(clock)
    leader.look()
    time.sleep(0.05)  # fifty clock seconds, were nobody asked
    stood = clock.elapsed_ns()
    assert stood == int(LEASE_S * NS)
    leader.look()
    assert stood <= clock.elapsed_ns() < stood + int(LEASE_S * NS)
    assert leader.stood_s > 0.04


def test_two_processes_read_one_time(board, tmp_path):
    """A second map of the same board tells the same time."""
    one, two = PacedClock(board), PacedClock(Board(tmp_path / "clock"))
    Leader(one).look()
    before, there, after = one.mono_ns(), two.mono_ns(), one.mono_ns()
    assert before <= there <= after
    assert (two.rate, two.start_ns) == (1000.0, START_NS)


def test_it_waits_for_what_the_other_has_not_done(board):
    """The instruments' process falls behind: the clock stops two turns ahead of it, and goes on when it has caught up."""
    clock = PacedClock(board)
    leader = Leader(clock)
    for _ in range(30):
        leader.look()
        time.sleep(0.002)
    reached = clock.elapsed_ns()
    assert reached == 2 * int(AHEAD_S * NS)  # what a board allows before its follower has spoken
    clock.done(clock.mono_ns())
    leader.look()
    time.sleep(0.002)
    assert clock.elapsed_ns() > reached


def test_it_waits_for_what_has_not_been_taken(board):
    """While something is on its way the clock stands."""
    clock, waiting = PacedClock(board), [True]
    leader = Leader(clock, lambda: not waiting[0])
    assert not leader.look()
    time.sleep(0.01)
    assert clock.elapsed_ns() == 0
    waiting[0] = False
    assert leader.look()


@settings(deadline=None, max_examples=25)
@given(deeds=st.lists(st.sampled_from(["look", "done", "late"]), max_size=40))
def test_it_never_runs_backwards_or_past_its_limit(tmp_path_factory, deeds):
    """Whatever leader and follower do, in whatever order, time never goes back and never passes the limit."""
    clock = PacedClock(Board.made(tmp_path_factory.mktemp("board") / "clock", 1000.0, START_NS))
    leader, last = Leader(clock), 0
    for deed in deeds:
        if deed == "look":
            leader.look()
        elif deed == "done":
            clock.done(clock.mono_ns())
        else:
            time.sleep(0.002)
        now = clock.elapsed_ns()
        assert last <= now <= clock.board.limit_ns
        last = now


async def test_a_sleeper_sleeps_in_clock_time(board):
    """Thirty clock seconds pass in thirty milliseconds where the clock is led, and never sooner by the clock."""
    clock = PacedClock(board)
    leading = asyncio.create_task(Leader(clock).lead())
    following = asyncio.create_task(_follow(clock))
    before = clock.elapsed_ns()
    await clock.sleep(30.0)
    assert clock.elapsed_ns() - before >= 30 * NS
    for task in (leading, following):
        task.cancel()
    await asyncio.gather(leading, following, return_exceptions=True)


async def _follow(clock):
    while True:
        clock.done(clock.mono_ns())
        await asyncio.sleep(0.001)


class Stopped:
    """A clock that is set by hand (s)."""

    def __init__(self):
        self.now_s = 0.0

    def mono_ns(self):
        return int(self.now_s * NS)


def test_a_channel_that_is_due_is_waited_for(monkeypatch):
    """A channel not heard for two periods holds the clock; heard again, it goes on; one silent for good is waited for once."""
    live = LiveChannel(Channel("gauge", Role.SYSTEM_PRESSURE, parse_unit("Pa"), Accuracy.parse("1 Pa")))
    clock, real = Stopped(), [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: real[0])
    taken = Taken({"gauge": live}, clock)
    assert taken()  # never heard: nothing is known to be on its way
    live.take(Reading(0, "gauge", Role.SYSTEM_PRESSURE, 1.0, 0, 1), 1.0, 0)
    clock.now_s = 2.5
    assert taken()
    clock.now_s = 3.5
    assert not taken()
    live.take(Reading(0, "gauge", Role.SYSTEM_PRESSURE, 1.0, 0, 2), 1.0, clock.mono_ns())
    assert taken()
    clock.now_s = 8.0
    assert not taken()
    real[0] += 2.0
    assert taken()  # unplugged, or dead: the others go on
    live.take(Reading(0, "gauge", Role.SYSTEM_PRESSURE, 1.0, 0, 3), 1.0, clock.mono_ns())
    assert taken()
    clock.now_s = 12.0
    assert not taken()
