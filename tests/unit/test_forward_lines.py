"""Line protocol, and which row an item becomes."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.forward.cursor import Cursor, CursorFile
from baytrace.forward.lines import Stamps, encode
from baytrace.forward.rows import Encoder
from baytrace.forward.server import missing_of, series_of
from baytrace.journal.store import Stored
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Event, Quality, Raw
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for

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


def test_a_reading_is_sent_in_si_with_its_tags():
    """500 micron is sent as 66.66 Pa, by bench, channel, role and session."""
    encoder = Encoder("bay-1")
    started = Event(2, 2, "session_started", "s1", {}, 2)
    rows = list(encoder.rows([DECLARED, started, Stored(3, Raw("vac", 500.0, 10**18, 3, 0), 1, "b")]))
    line = rows[2].line
    assert "role=system_pressure" in line
    assert "session=s1" in line
    assert "value=66.66119370" in line
    assert rows[2].series == "reading|vac|s1"


def test_what_cannot_be_sent_is_counted():
    """A reading that is no number sends its quality alone; one of an unknown channel is counted."""
    encoder = Encoder("bay-1")
    bad = Stored(2, Raw("vac", math.nan, 10, 3, int(Quality.NOT_A_NUMBER)), 1, "b")
    stranger = Stored(3, Raw("who", 1.0, 10, 3, 0), 9, "b")
    rows = list(encoder.rows([DECLARED, bad, stranger]))
    assert "quality=1.0" in rows[1].line
    assert "value=" not in rows[1].line
    assert rows[2].line == ""
    assert encoder.unsendable == 1


def test_an_encoder_goes_on_from_its_state():
    """Another process sends the same lines from there."""
    items = [Stored(seq, Raw("vac", float(seq), 10**15 + seq, seq, 0), 1, "b") for seq in range(2, 9)]
    one = Encoder("b")
    first = list(one.rows([DECLARED, *items[:3]]))
    other = Encoder("b", one.state())
    assert first
    assert list(one.rows(items[3:])) == list(other.rows(items[3:]))


def test_a_read_back_shows_what_is_missing():
    """Every sent time must be there, series by series; empty tags do not count."""
    kept = {series_of({"__name__": "reading_value", "channel": "vac", "session": ""}): {1, 2}}
    assert missing_of([("reading|vac|", 1), ("reading|vac|", 3)], kept) == 1
    event = series_of({"__name__": "event_count", "bench": "b", "kind": "mark"})
    assert missing_of([("event|bench=b|kind=mark|session=", 7)], {event: {7}}) == 0


def test_the_cursor_survives_and_damage_is_told(tmp_path):
    """It is written whole; a damaged one is a person's to decide on."""
    file = CursorFile(tmp_path)
    assert file.read() == Cursor()
    file.write(Cursor(sent_seq=7, confirmed_seq=5, run="r"))
    assert CursorFile(tmp_path).read().confirmed_seq == 5
    file.file.write_text("{")
    with pytest.raises(BadInput, match="delete it"):
        file.read()
