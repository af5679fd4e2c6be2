"""The bench's own parts, in memory: intake, sink, watchdog, live slot."""

import asyncio
import json
import math
from concurrent.futures import Future

import pytest
from pydantic import ValidationError

from baytrace.adapter import LinkState
from baytrace.bench.delivered import DeliveredKeys
from baytrace.bench.intake import MOST_WAITING, Intake
from baytrace.bench.live import Live, stale_after_s
from baytrace.bench.outbox import Outbox
from baytrace.bench.outlet import heard_mark
from baytrace.bench.running import kept_going
from baytrace.bench.session import complete_plan, mark_text, session_id, unused_id
from baytrace.bench.sink import InstrumentSink
from baytrace.bench.watchdog import StepDetector, stale_changes
from baytrace.journal.store import Receipt
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.clock import FastClock, SystemClock
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.reading import Event, Raw, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.web.session_routes import NewSession
from journal_kit import event, opened


class Clock(SystemClock):
    """A clock that stands where a test puts it."""

    def __init__(self):
        self.wall, self.mono = 10**18, 10**12

    def wall_ns(self):
        return self.wall

    def mono_ns(self):
        return self.mono


class Store:
    """A journal that counts, and fails while told to."""

    def __init__(self):
        self.kept, self.seq, self.fails = [], 0, 0

    def append(self, readings, events, **_):
        done = Future()
        if self.fails:
            self.fails -= 1
            done.set_exception(EnvironmentFailed("the disk is full"))
            return done
        first, self.seq = self.seq + 1, self.seq + len(readings) + len(events)
        self.kept.append((list(readings), list(events)))
        done.set_result(Receipt(first, self.seq, len(self.kept), ""))
        return done


def raw(value, at=1):
    return Raw("vac", value, at, at)


def channel():
    return Channel("vac", Role.SYSTEM_PRESSURE, unit_for(Role.SYSTEM_PRESSURE, "micron"), Accuracy.parse("1 micron"))


async def through(store, work):
    """Run an intake over `store` while `work(intake, seen)` acts; what was delivered, and what was said of the disk."""
    seen, said = [], []

    async def deliver(batch, receipt):
        seen.append((list(batch.readings), list(batch.events), receipt))

    intake = Intake(store, deliver, said.append, DeliveredKeys())
    running = asyncio.create_task(intake.run())
    await work(intake, seen)
    intake.finish()
    await running
    return seen, said


async def test_nothing_is_seen_before_it_is_stored():
    """A batch is delivered, and its sender told, only after its commit."""
    store, order = Store(), []

    async def work(intake, seen):
        del seen
        await intake.put([raw(1.0), raw(2.0)], lambda: order.append(len(store.kept)))

    seen, _ = await through(store, work)
    assert order == [1]
    assert [reading.value for reading in seen[0][0]] == [1.0, 2.0]


async def test_a_full_disk_holds_back_and_then_goes_on():
    """While storing fails nothing is acknowledged; when it works again nothing is missing, and both are said."""
    store, told = Store(), []
    store.fails = 2

    async def work(intake, seen):
        del seen
        await intake.put([raw(1.0)], lambda: told.append("stored"))
        await asyncio.sleep(0.05)
        assert told == []

    seen, said = await through(store, work)
    assert told == ["stored"]
    assert len(seen) == 1
    assert said == ["the disk is full", ""]


async def test_memory_is_bounded_while_the_disk_is_full():
    """Beyond its bound, `put` waits."""
    store = Store()
    store.fails = 10**6

    async def deliver(batch, receipt):
        raise AssertionError("nothing can be delivered")

    intake = Intake(store, deliver, lambda why: None, DeliveredKeys())
    running = asyncio.create_task(intake.run())
    await intake.put([raw(0.0)] * MOST_WAITING)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.2):
            await intake.put([raw(1.0)])
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_an_event_that_is_made_in_its_turn_knows_all_before_it_and_nothing_after():
    """A session begins with how the bench stands: readings on their way to the journal then are delivered first, later ones not."""
    store = Store()
    known = []

    async def work(intake, seen):
        await intake.put([raw(1.0)])
        await asyncio.sleep(0)  # the first commit is on its way
        await intake.put([raw(2.0)])

        def made():
            known.append([reading.value for readings, _, _ in seen for reading in readings])
            return Event(0, 0, "session_started", "s", {})

        started = intake.event_made(made)
        await intake.put([raw(3.0)])
        await started

    seen, _ = await through(store, work)
    assert known == [[1.0, 2.0]]
    assert [[event.kind for event in events] for _, events, _ in seen if events] == [["session_started"]]
    assert [reading.value for readings, _, _ in seen for reading in readings] == [1.0, 2.0, 3.0]


async def test_an_event_alone_is_a_commit_of_its_own():
    """A session's start shares its commit with nothing."""
    store = Store()

    async def work(intake, seen):
        del seen
        await intake.put([raw(1.0)])
        seq = await intake.event_made(lambda: Event(1, 1, "session_started", "s", {}))
        await intake.put([raw(2.0)])
        assert seq == 2

    await through(store, work)
    assert [(len(readings), len(events)) for readings, events in store.kept] == [(1, 0), (0, 1), (1, 0)]


async def test_an_acknowledgement_is_never_forgotten():
    """Even an empty batch calls back."""
    told = []

    async def work(intake, seen):
        del seen
        await intake.put([], lambda: told.append(1))

    await through(Store(), work)
    assert told == [1]


class Recorder:
    def __init__(self):
        self.clock, self.said, self.changes = Clock(), [], 0
        self.holding = False

    async def take(self, instrument, samples, committed):
        del instrument, samples
        if committed:
            committed()

    def record(self, kind, data, committed=None):
        self.said.append((str(kind), dict(data)))
        if committed:
            committed()

    def changed(self):
        self.changes += 1


async def test_a_babbling_wire_does_not_fill_the_disk():
    """Rejected frames are kept up to a rate, beyond it counted, and acknowledged either way."""
    recorder, acknowledged = Recorder(), []
    sink = InstrumentSink("gauge", "line", recorder)
    for _ in range(500):
        await sink.reject(b"?" * 9000, "no number", lambda: acknowledged.append(1))
    kept = [data for kind, data in recorder.said if kind == "rejected"]
    assert 0 < len(kept) < 50
    assert all(len(data["frame"]) < 6000 for data in kept)
    assert all(data["size"] == 9000 for data in kept)
    assert len(acknowledged) == 500
    assert sink.counts["rejected"] == 500


async def test_rejected_frames_do_not_fill_the_memory_while_the_disk_is_full():
    """What cannot be stored waits in memory, so none is kept then; each is counted."""
    recorder = Recorder()
    recorder.holding = True
    sink = InstrumentSink("gauge", "line", recorder)
    await sink.reject(b"?", "no number")
    assert recorder.said == []
    assert sink.counts == {"rejected": 1, "rejected unkept": 1}


def test_a_change_of_the_wire_is_an_event_once():
    """Saying the same twice records nothing new; counts are reported as what is new."""
    recorder = Recorder()
    sink = InstrumentSink("gauge", "line", recorder)
    for _ in range(3):
        sink.link(LinkState.LOST, "unplugged")
    sink.count("retry", 4)
    sink.report_counts()
    sink.report_counts()
    assert [kind for kind, _ in recorder.said] == ["instrument", "counted"]
    assert recorder.said[1][1]["times"] == 4


def test_silence_is_told_once_and_taken_back():
    """A channel that falls silent turns stale after its time, and fresh with its next reading."""
    clock, live = Clock(), Live([channel()])
    one = live.channels["vac"]
    one.take(Reading(10**18, "vac", Role.SYSTEM_PRESSURE, 66.0, 0, 1), 500.0, clock.mono)
    clock.mono += int((stale_after_s(1.0) - 1.0) * 1e9)
    assert stale_changes(live.channels, clock, 0) == []
    clock.mono += 2 * 10**9
    assert [change.stale for change in stale_changes(live.channels, clock, 0)] == [True]
    assert stale_changes(live.channels, clock, 0) == []
    one.take(Reading(10**18 + 1, "vac", Role.SYSTEM_PRESSURE, 66.0, 0, 2), 500.0, clock.mono)
    assert [change.stale for change in stale_changes(live.channels, clock, 0)] == [False]


@pytest.mark.parametrize(("step", "told"), [(3600 * 10**9, True), (-3600 * 10**9, True), (200_000_000, False)])
def test_a_set_clock_is_noticed_and_drift_is_not(step, told):
    """A jump of the wall clock is told once, with its size."""
    clock = Clock()
    steps = StepDetector(clock)
    clock.wall += step + 10**9
    clock.mono += 10**9
    assert bool(steps.look()) is told
    assert steps.look() == 0


def test_unchanged_is_not_stale():
    """Identical readings keep a channel fresh, and the instant of its last change is known."""
    live = Live([channel()])
    one = live.channels["vac"]
    for seq in range(1, 4):
        one.take(Reading(seq * 10**9, "vac", Role.SYSTEM_PRESSURE, 66.0, 0, seq), 500.0, seq * 10**9)
    assert one.changed_ns == 10**9
    assert one.count == 3


def test_a_frame_carries_what_is_newer_than_the_cursor():
    """A client that comes back gets the readings since, and inf is no JSON number."""
    live = Live([channel()])
    for seq, value in ((1, 1.0), (2, 2.0), (3, math.inf)):
        live.channels["vac"].take(Reading(seq * 10**9, "vac", Role.SYSTEM_PRESSURE, value, 0, seq), value, seq)
    assert live.frame(1, 10, 101_325.0)["trends"]["vac"]["value"] == [2.0, None]
    assert live.frame(3, 10, 101_325.0)["trends"] == {}


def test_a_plan_gets_what_the_session_knows():
    """Refrigerant and label reach the watches that ask for them; an unknown watch is named."""
    plan = complete_plan({"charge": {"tolerance_g": 20}, "sweep": {}}, "R1234yf", 480.0)
    assert plan["charge"] == {"refrigerant": "R1234yf", "label_g": 480.0, "tolerance_g": 20}
    assert plan["sweep"] == {}
    with pytest.raises(BadInput, match="there are:"):
        complete_plan({"charm": {}}, "", None)


def test_a_job_without_a_plan_asks_for_no_coils():
    """Coils belong to another job: a session that names no watch follows the loop alone."""
    assert list(complete_plan({}, "R134a", 500.0)) == ["evacuation", "charge", "pressures"]


def test_session_ids_sort_by_start_and_are_safe_names():
    """Whatever the title says, the id is a plain file name."""
    assert session_id(0, "Blue van / ../../etc") == "19700101T000000Z-blue-van-etc"
    assert session_id(0, "車") == "19700101T000000Z"


def test_no_two_sessions_of_a_journal_share_an_id(tmp_path):
    """Two of one title within a second, or after a clock set back, would become one record: the later ones are numbered."""
    journal = opened(tmp_path)
    found = []
    for _ in range(3):
        found.append(unused_id(journal, 0, "van"))
        journal.append([], [event("session_started", found[-1])]).result(10)
    assert found == ["19700101T000000Z-van", "19700101T000000Z-van-2", "19700101T000000Z-van-3"]
    journal.close()


@pytest.mark.parametrize(
    ("text", "kept"),
    [("pump on", "pump on"), (" pump\0on\0", "pump on"), ("a\tb\nc", "a b c"), ("x" * 2000, "x" * 2000)],
)
def test_a_mark_is_a_line_every_table_can_hold(text, kept):
    """A control character, such as the zero a small program ends its text with, would make the session's table unreadable."""
    assert mark_text(text) == kept


@pytest.mark.parametrize("text", ["", " ", "\0", "x" * 2001])
def test_what_is_no_mark_is_refused_not_cut(text):
    """Nothing is left out of what somebody said without a word."""
    with pytest.raises(BadInput):
        mark_text(text)


@pytest.mark.parametrize(
    "payload",
    [
        b"\xff",
        b"{",
        b"{}",
        b'{"text":5}',
        b'{"text":{"a":1}}',
        b'{"text":"x","who":5}',
        b'{"text":"\\ud800"}',
        b'{"a":' * 100_000,
        b'{"text":1' + b"0" * 5000 + b"}",
    ],
)
def test_a_mark_over_mqtt_that_cannot_be_read_is_refused(payload):
    """Whatever anybody publishes is either a mark or refused with a reason; it never ends the way out for alarms."""
    with pytest.raises(BadInput):
        heard_mark(payload)


async def test_what_carries_alarms_is_started_again_when_it_breaks(caplog):
    """A fault of ours is told, and the next attempt follows."""
    tried, again = [], asyncio.Event()

    async def run():
        tried.append(1)
        if len(tried) == 1:
            raise RuntimeError("ours")
        again.set()

    running = asyncio.create_task(kept_going("outlet", run))
    async with asyncio.timeout(10):
        await again.wait()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert "outlet broke" in caplog.text


def test_a_letter_holds_whatever_an_event_does(tmp_path):
    """A text that no UTF-8 can hold is written as JSON writes it: a letter that cannot be made would end the bench at each start."""
    journal = opened(tmp_path)
    said = Event(1, 1, "alarm", "", {"who": "\ud800", "text": "°"}, 7)
    assert json.loads(Outbox(journal, "bay", ["mqtt"], ()).letter(said).body)["who"] == "\ud800"
    journal.close()


def test_a_session_is_not_begun_with_what_is_no_text():
    """Half a surrogate pair in a plan's free settings is refused where it comes in."""
    with pytest.raises(ValidationError, match="surrogate"):
        NewSession.model_validate({"plan": {"limits": {"limits": [{"channel": "\ud800"}]}}})


def test_a_fast_clock_agrees_with_its_twin():
    """Two processes with the same start and rate tell the same time."""
    start = SystemClock().wall_ns()
    one, two = FastClock(60.0, start), FastClock(60.0, start)
    assert abs(one.wall_ns() - two.wall_ns()) < 0.5e9
    assert one.real_seconds(60.0) == 1.0
