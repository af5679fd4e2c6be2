"""A session that comes back from the journal by columns is the one that item by item would come back, to the bit."""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from baytrace.bench.session import resume, unclosed
from baytrace.journal.store import Stored
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Quality, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.records.playing import Player
from baytrace.watches import follow
from journal_kit import START_NS, opened, sealed

NS = 1_000_000_000


def channel(role, unit, name="", **keys):
    return Channel(name or str(role), role, unit_for(role, unit), Accuracy(), "wire", **keys)


CHANNELS = [
    channel(Role.SYSTEM_PRESSURE, "Pa"),
    channel(Role.LOW_SIDE, "psi", calibration=Calibration(gain=1.01, offset=-0.2)),
    channel(Role.HIGH_SIDE, "barg", calibration=Calibration(table=((0.0, 0.1), (20.0, -0.2)))),
    channel(Role.SUCTION_LINE, "degF"),
    channel(Role.LIQUID_LINE, "degC"),
    channel(Role.VENT_AIR, "degC"),
    channel(Role.AMBIENT_AIR, "degC"),
    channel(Role.SYSTEM_TEMPERATURE, "degC"),
    channel(Role.TANK_MASS, "g"),
    channel(Role.COIL_RESISTANCE, "ohm"),
    channel(Role.COIL_TEMPERATURE, "degC"),
    channel(Role.BAROMETER, "hPa"),
    channel(Role.AUXILIARY, "V", "aux"),
]
MIDDLE = dict(
    zip((each.name for each in CHANNELS), (30, 40, 14, 50, 42, 8, 24, 23, 8000, 13.4, 22, 1012, 5), strict=True)
)
QUALITIES = [Quality.GOOD] * 12 + [Quality.SOURCE_TIME] * 2 + list(Quality)
PLAN = {
    "evacuation": {},
    "charge": {"refrigerant": "R134a", "label_g": 500.0},
    "pressures": {"refrigerant": "R134a"},
    "sweep": {},
}
MARKS = ["pump on", "isolated", "charge start", "engine on", "charge end", "coil 1", "hello"]


def items(seed, seconds):
    """Commits of a session with every oddity: bad qualities, stamps out of order, restarts, new declarations, marks."""
    rng = random.Random(seed)
    declared = {str(version): each.to_json() for version, each in enumerate(CHANNELS, 1)}
    interpreter = Interpreter(CHANNELS, rng.choice([None, 250.0]))
    if rng.random() < 0.8:
        interpreter.anchor(START_NS, 10**12)

    def event(second, kind, data, session="s1"):
        return Event(START_NS + second * NS, 10**12 + second * NS, kind, session, data)

    said = [event(0, "channel_declared", {"version": int(v), "channel": c}, "") for v, c in declared.items()]
    yield [], said
    started = {"plan": PLAN, "channels": declared, "interpreter": interpreter.state(), "title": "odd", "bench": "b"}
    yield [], [event(0, "session_started", started)]
    version = len(CHANNELS)
    for second in range(seconds):
        chosen = rng.sample(CHANNELS, rng.randrange(0, len(CHANNELS) + 1))
        raws = []
        for each in chosen:
            quality = rng.choice(QUALITIES)
            value = rng.choice(
                [MIDDLE[each.name] + rng.gauss(0, 1), float("nan"), float("inf")][: 1 if rng.random() < 0.95 else 3]
            )
            late = rng.choice([0, 0, 0, 0, -3 * NS]) + rng.randrange(NS)
            raws.append(Raw(each.name, value, START_NS + second * NS + late, 10**12 + second * NS + late, int(quality)))
        events = [event(second, "heartbeat", {})] if second % 5 == 0 else []
        if rng.random() < 0.03:
            events.append(event(second, "mark", {"text": rng.choice(MARKS), "who": "Ada"}))
        if rng.random() < 0.01:
            where = {"wall_ns": START_NS + second * NS + rng.randrange(-NS, 9 * NS), "mono_ns": 10**12 + second * NS}
            events.append(event(second, "bench_started", where, ""))
        if rng.random() < 0.01:
            version += 1
            new = channel(Role.LOW_SIDE, rng.choice(["psi", "kPaa", "barg"]))
            events.append(event(second, "channel_declared", {"version": version, "channel": new.to_json()}, ""))
        rng.shuffle(events)
        if raws or events:
            yield raws, events


def by_items(journal, started):
    player = Player(started)
    last = started.seq
    for item in journal.items(after=started.seq):
        if isinstance(item, Stored):
            player.reading(item)
        else:
            player.event(item)
        last = item.seq
    return player, last


def said(watches):
    return [repr(watches.status(name)) + repr(watches.verdict(name)) for name in PLAN]


@pytest.mark.parametrize("seed", range(4))
def test_resuming_by_columns_is_resuming_item_by_item(tmp_path, seed):
    """Watches say the same to the bit, the interpreter stands where it stood, marks and number are those of the journal."""
    with opened(tmp_path / "journal") as journal:
        for raws, events in items(seed, 400):
            journal.append(raws, events).result(10)
        sealed(journal)
        started = unclosed(journal)
        session, interpreter = resume(journal, started)
        player, last = by_items(journal, started)
        assert said(session.watches) == said(player.watches)
        assert interpreter.state() == player.interpreter.state()
        assert {name: repr(each) for name, each in interpreter.channels.items()} == {
            name: repr(each) for name, each in player.channels.items()
        }
        assert session.seq == last
        marks = [event.data["text"] for event in journal.events(kinds=("mark",))]
        assert [mark["text"] for mark in session.marks] == marks


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**9), page=st.integers(1, 60))
def test_pages_may_be_cut_anywhere(tmp_path_factory, seed, page):
    """Where one page ends and the next begins changes nothing."""
    with opened(tmp_path_factory.mktemp("j") / "journal") as journal:
        for raws, events in items(seed, 120):
            future = journal.append(raws, events)
        future.result(10)
        started = unclosed(journal)
        player, last = by_items(journal, started)
        other = Player(started)
        for after in range(started.seq, last, page):
            for chunk in journal.columns(after=after, until=min(after + page, last)):
                other.play(chunk, journal.channel_name)
        assert said(other.watches) == said(player.watches)
        assert other.interpreter.state() == player.interpreter.state()


def test_a_watch_that_breaks_while_resuming_is_set_aside_alone(tmp_path, monkeypatch):
    """One broken watch says so after the restart; the others are where they would be without it."""
    with opened(tmp_path / "journal") as journal:
        for raws, events in items(3, 200):
            future = journal.append(raws, events)
        future.result(10)
        started = unclosed(journal)
        whole = said(by_items(journal, started)[0].watches)

        def broken(self, reading):
            raise ValueError("out of its depth")

        monkeypatch.setattr(type(follow.build("sweep", {}, follow.View({}))), "reading", broken)
        session, _ = resume(journal, started)
        assert session.watches.broken == {"sweep": "ValueError: out of its depth"}
        assert said(session.watches)[:3] == whole[:3]


def test_a_reading_of_a_channel_nobody_declared_in_the_session_is_refused(tmp_path):
    """As item by item: one line names the channel."""
    with opened(tmp_path / "journal") as journal:
        for raws, events in items(5, 5):
            journal.append(raws, events).result(10)
        started = unclosed(journal)
        started.data["channels"].pop(str(len(CHANNELS)))
        with pytest.raises(BadInput, match="aux"):
            resume(journal, started)


def test_a_closed_session_is_not_resumed(tmp_path):
    """Only the newest session counts, and only while it was not closed."""
    with opened(tmp_path / "journal") as journal:
        assert unclosed(journal) is None
        for raws, events in items(1, 3):
            journal.append(raws, events).result(10)
        assert unclosed(journal).session == "s1"
        journal.append([], [Event(1, 1, "session_closed", "s1", {})]).result(10)
        assert unclosed(journal) is None
        journal.append([], [Event(1, 1, "session_started", "s2", {})]).result(10)
        assert unclosed(journal).session == "s2"
        journal.append([], [Event(1, 1, "session_closed", "s1", {})]).result(10)
        assert unclosed(journal).session == "s2"
