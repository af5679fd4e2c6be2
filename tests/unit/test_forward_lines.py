"""Line protocol, and which row an item becomes."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.bench.live import LiveChannel
from baytrace.forward.cursor import Cursor, CursorFile, tell_standing
from baytrace.forward.lines import Stamps, encode
from baytrace.forward.looking import dropped, growth, warnings
from baytrace.forward.rows import Encoder, cut
from baytrace.forward.server import missing_of, series_of
from baytrace.journal.store import Stored
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Quality, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from timeserver import chunk_of

CHANNEL = Channel(
    "vac", Role.SYSTEM_PRESSURE, unit_for(Role.SYSTEM_PRESSURE, "micron"), Accuracy.parse("1 %  of reading"), "gauge"
)
DECLARED = Event(1, 1, "channel_declared", "", {"version": 1, "channel": CHANNEL.to_json()}, 1)


def split(line):
    """An independent, plain reader of one line of line protocol."""
    parts, part, escaped = [], "", False
    for mark in line:
        if escaped or mark == "\\":
            part += mark
            escaped = not escaped
        elif mark == " ":
            parts.append(part)
            part = ""
        else:
            part += mark
    return [*parts, part]


@pytest.mark.parametrize(
    ("role", "unit", "si"),
    [
        (Role.LOW_SIDE, "psi", "Pa"),
        (Role.AUXILIARY, "micron", "Pa"),
        (Role.AUXILIARY, "degF", "K"),
        (Role.AUXILIARY, "V", "V"),
    ],
)
def test_a_value_in_si_carries_the_unit_it_is_in(role, unit, si):
    """A channel that only rides along is brought to SI like any other, and its row and live state say so."""
    channel = Channel("one", role, unit_for(role, unit), Accuracy.parse("0"))
    declared = Event(1, 1, "channel_declared", "", {"version": 1, "channel": channel.to_json()}, 1)
    rows = rows_of(Encoder("b"), [declared, Stored(2, Raw("one", 5.0, 10**18, 3, 0), 1, "b")], {1: "one"})
    assert f",unit={si} " in rows[2].line
    assert LiveChannel(channel).to_json(0, 101_325.0)["unit"] == si


def test_a_line_is_what_the_protocol_says():
    """Tags are sorted, numbers are floats, time is ns, and the line ends."""
    line = encode("reading", {"channel": "low side", "bench": "bay-1", "none": ""}, {"value": 2.0}, 1700000000000000000)
    assert line == "reading,bench=bay-1,channel=low\\ side value=2.0 1700000000000000000\n"


@given(st.text(max_size=40), st.text(max_size=40), st.floats(allow_nan=False, allow_infinity=False))
def test_nothing_in_a_name_breaks_the_line(name, tag, value):
    """Whatever stands in names, there is one line of three parts."""
    line = encode("m" + name, {"t": tag}, {"value": value}, 5)
    assert line.count("\n") == 1
    assert line.endswith("\n")
    assert len(split(line.rstrip("\n"))) == 3


@pytest.mark.parametrize("fields", [{}, {"value": math.nan}, {"value": math.inf}])
def test_a_line_without_a_number_is_refused(fields):
    """What a server would drop in silence is not sent."""
    with pytest.raises(ValueError, match="finite"):
        encode("m", {}, fields, 1)


@given(st.lists(st.integers(0, 10**18), min_size=1, max_size=50))
def test_times_of_a_series_strictly_increase_by_whole_ms(times):
    """A server of millisecond resolution keeps every one apart."""
    stamps = Stamps()
    sent = [stamps.take("s", time) for time in times]
    assert all(b - a >= 1_000_000 for a, b in itertools.pairwise(sent))
    assert all(time % 1_000_000 == 0 for time in sent)


def rows_of(encoder, items, names=None):
    """The rows of items, by sequence number, as one body."""
    body = encoder.body(chunk_of(items), (names or {1: "vac"}).get)
    return {row.seq: row for part in body.parts for row in part.rows()}


def test_a_reading_is_sent_in_si_with_its_tags():
    """500 micron is sent as 66.66 Pa, by bench, channel, role and session."""
    started = Event(2, 2, "session_started", "s1", {}, 2)
    rows = rows_of(Encoder("bay-1"), [DECLARED, started, Stored(3, Raw("vac", 500.0, 10**18, 3, 0), 1, "b")])
    assert "role=system_pressure" in rows[3].line
    assert "session=s1" in rows[3].line
    assert "value=66.66119370" in rows[3].line
    assert rows[3].series == "reading|vac|s1"


def test_what_cannot_be_sent_is_counted():
    """A reading that is no number sends its quality alone; one of an unknown channel is counted."""
    encoder = Encoder("bay-1")
    bad = Stored(2, Raw("vac", math.nan, 10, 3, int(Quality.NOT_A_NUMBER)), 1, "b")
    stranger = Stored(3, Raw("who", 1.0, 10, 3, 0), 9, "b")
    rows = rows_of(encoder, [DECLARED, bad, stranger])
    assert "quality=1.0" in rows[2].line
    assert "value=" not in rows[2].line
    assert 3 not in rows
    assert encoder.unsendable == 1


def test_an_encoder_goes_on_from_its_state():
    """Another process sends the same lines from there."""
    items = [Stored(seq, Raw("vac", float(seq), 10**15 + seq, seq, 0), 1, "b") for seq in range(2, 9)]
    one = Encoder("b")
    assert rows_of(one, [DECLARED, *items[:3]])
    other = Encoder("b", one.state())
    assert rows_of(one, items[3:]) == rows_of(other, items[3:])


LOW = Channel("low", Role.LOW_SIDE, unit_for(Role.LOW_SIDE, "psi"), Accuracy.parse("1 psi"), "gauge")
AIR = Channel("air", Role.BAROMETER, unit_for(Role.BAROMETER, "hPa"), Accuracy.parse("1 hPa"), "station")
TABLE = Channel(
    "liquid",
    Role.LIQUID_LINE,
    unit_for(Role.LIQUID_LINE, "degF"),
    Accuracy.parse("1 degF"),
    "clamp",
    Calibration(gain=1.01, offset=-0.2, table=((0.0, 0.5), (100.0, -0.5))),
)
FOUR = {1: CHANNEL, 2: LOW, 3: AIR, 4: TABLE}
raws = st.tuples(
    st.sampled_from([1, 2, 3, 4]),
    st.floats(-1e6, 1e6) | st.sampled_from([math.nan, math.inf]),
    st.integers(0, 50),
    st.integers(0, 50),
    st.sampled_from([0, 0, 0, *[int(each) for each in Quality]]),
)


@given(st.lists(raws, max_size=60), st.booleans(), st.integers(1, 20))
def test_columns_become_the_very_readings_the_bench_judged(rows, anchored, most):
    """Value, time and quality of each row equal, to the bit, what the interpreter makes of readings one by one."""
    ms = 10**6
    items = [Event(1, 1, "channel_declared", "", {"version": v, "channel": c.to_json()}, v) for v, c in FOUR.items()]
    plain = Interpreter([Channel.from_json(channel.to_json()) for channel in FOUR.values()])
    if anchored:
        items.append(Event(1, 1, "bench_started", "", {"wall_ns": 10**15, "mono_ns": 0}, 5))
        plain.anchor(10**15, 0)
    for seq, (version, value, wall, mono, quality) in enumerate(rows, 6):
        raw = Raw(FOUR[version].name, value, 10**15 + wall * ms, mono * ms, quality)
        items.append(Stored(seq, raw, version, "b"))
    names = {version: channel.name for version, channel in FOUR.items()}
    encoder, sent = Encoder("b"), {}
    for piece in cut(chunk_of(items), most):
        sent |= {row.seq: row for part in encoder.body(piece, names.get).parts for row in part.rows()}
    stamps = Stamps()
    for item in items[len(items) - len(rows) :]:
        reading = plain.reading(item.raw)
        good = Quality(reading.quality).usable and math.isfinite(reading.value)
        said = [f"quality={float(reading.quality)!r}"] if reading.quality else []
        said += [f"value={reading.value!r}"] if good else []
        if not said:
            assert item.seq not in sent
            continue
        time_ns = stamps.take(reading.channel, reading.time_ns)
        assert sent[item.seq].line.endswith(f" {','.join(said)} {time_ns}\n")
        assert sent[item.seq].time_ms == time_ns // ms
    assert encoder.state()["interpreter"] == plain.state()


def test_alarms_verdicts_and_events_have_rows_of_their_own():
    """An alarm says whether it stands, a verdict what was found, anything else that it happened."""
    alarm = {"alarm": "low side/high", "state": "unacknowledged", "channel": "low", "priority": "high"}
    verdict = {"watch": "evacuation", "final": True, "verdict": {"verdict": "pass", "finding": "tight"}}
    events = [
        Event(10**9, 1, "alarm", "s1", alarm, 1),
        Event(10**9, 1, "verdict", "s1", verdict, 2),
        Event(10**9, 1, "mark", "s1", {"text": "pump on\nnow", "who": ""}, 3),
    ]
    rows = rows_of(Encoder("b"), events)
    assert rows[1].line == (
        "alarm,alarm=low\\ side/high,bench=b,channel=low,priority=high,session=s1 active=1.0 1000000000\n"
    )
    assert rows[2].line == (
        "verdict,bench=b,finding=tight,session=s1,verdict=pass,watch=evacuation final=1.0 1000000000\n"
    )
    assert rows[3].line == "event,bench=b,kind=mark,session=s1 count=1.0 1000000000\n"


@given(st.integers(0, 70), st.integers(0, 5), st.integers(1, 9))
def test_pieces_of_a_chunk_are_the_whole_chunk(readings, events, most):
    """Cut into pieces, nothing is lost and nothing changes its order."""
    kinds = [*[0] * readings, *[1] * events]
    items = [
        Event(1, 1, "mark", "", {}, seq) if kind else Stored(seq, Raw("vac", 1.0, seq, seq, 0), 1, "b")
        for seq, kind in enumerate(sorted(kinds, key=lambda each: hash((each, len(kinds))) % 7), 1)
    ]
    pieces = list(cut(chunk_of(items), most))
    seqs = [sorted([*piece.seq.tolist(), *(event.seq for event in piece.events)]) for piece in pieces]
    assert [seq for piece in seqs for seq in piece] == [item.seq for item in items]


def test_a_read_back_shows_what_is_missing():
    """Every sent time must be there, series by series; empty tags do not count."""
    kept = {series_of({"__name__": "reading_value", "channel": "vac", "session": ""}): np.array([1, 2])}
    assert missing_of({"reading|vac|": np.array([1, 3])}, kept)["reading|vac|"].tolist() == [3]
    event = series_of({"__name__": "event_count", "bench": "b", "kind": "mark"})
    assert missing_of({"event|bench=b|kind=mark": np.array([7])}, {event: np.array([7])}) == {}


@given(st.lists(st.lists(st.integers(0, 10**12), max_size=20), max_size=4))
def test_many_stamps_at_once_are_those_taken_one_by_one(batches):
    """Columns of times get the same stamps."""
    one, many = Stamps(), Stamps()
    for batch in batches:
        given_ms = many.take_all("s", np.array(batch, np.int64)).tolist()
        assert [ms * 10**6 for ms in given_ms] == [one.take("s", time) for time in batch]
    assert one.moved == many.moved


METRICS = """vm_app_start_timestamp 1700000000
flag{name="dedup.minScrapeInterval", value="0s", is_set="false"} 1
flag{name="retentionPeriod", value="1", is_set="false"} 1
vm_rows_ignored_total{reason="small_timestamp"} 7
vm_rows_invalid_total{type="influx"} 0
"""


def test_what_the_server_would_drop_is_told_beforehand():
    """No deduplication and a retention shorter than what waits are each one sentence; a fit server has none."""
    day = 86_400 * 10**9
    found = warnings(METRICS, oldest_ns=0, now_ns=40 * day)
    assert [("twice" in each, "31 days" in each) for each in found] == [(True, False), (False, True)]
    fit = METRICS.replace('"0s"', '"1ms"').replace('value="1"', 'value="100y"')
    assert warnings(fit, oldest_ns=0, now_ns=40 * day) == []
    assert warnings("up 1", oldest_ns=0, now_ns=40 * day) == []
    assert growth({}, dropped(METRICS)) == [
        'the server dropped 7 rows (vm_rows_ignored_total{reason="small_timestamp"})'
    ]


def test_the_cursor_survives_and_damage_is_told(tmp_path):
    """It is written whole; a damaged one is a person's to decide on."""
    file = CursorFile(tmp_path)
    assert file.read() == Cursor()
    file.write(Cursor(sent_seq=7, confirmed_seq=5, run="r"))
    assert CursorFile(tmp_path).read().confirmed_seq == 5
    file.file.write_text("{")
    with pytest.raises(BadInput, match="delete it"):
        file.read()
    tell_standing(tmp_path, "the forwarder ended")  # what is damaged is left as it is
    with pytest.raises(BadInput, match="delete it"):
        file.read()


def test_a_disk_that_refuses_the_cursor_is_one_line(tmp_path):
    """A folder that is gone, or full, is the environment's failure, not a traceback every five seconds."""
    file = CursorFile(tmp_path / "gone")
    with pytest.raises(EnvironmentFailed, match="cannot be kept"):
        file.write(Cursor())
    with pytest.raises(EnvironmentFailed, match="cannot be kept"):
        file.set_aside(seq=1)


def test_a_forwarder_that_ends_is_seen_to_stand_still(tmp_path):
    """The page never goes on showing the state of a process that is gone; the places stay."""
    CursorFile(tmp_path).write(Cursor(sent_seq=7, state="up to date"))
    tell_standing(tmp_path, "the forwarder ended with 2")
    found = CursorFile(tmp_path).read()
    assert (found.sent_seq, found.state, found.last_error) == (7, "stopped", "the forwarder ended with 2")
