"""What a report says of how completely each channel was heard."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.records.report.completeness import Heard, completeness
from baytrace.records.session import session_record
from record_kit import NS, START_NS, vacuum_session


def heard(seconds, unusable=(), block=7):
    """Fed in blocks, as a trend hands them on."""
    times = START_NS + (np.array(seconds) * NS).astype(np.int64)
    values = np.where(np.isin(np.arange(len(times)), unusable), np.nan, 1.0)
    found = Heard()
    for at in range(0, len(times), block):
        found.put(times[at : at + block], values[at : at + block])
    return found


def test_a_silence_is_found_wherever_it_lies():
    """Within the record, across two blocks, before the first reading, and after the last."""
    steady = np.arange(1.0, 100.0)
    for seconds, begin, length in (
        (np.delete(steady, slice(30, 41)), 30, 12),
        (np.delete(steady, slice(7, 14)), 7, 8),
        (steady[50:], 0, 51),
        (steady[:50], 50, 50),
    ):
        found = heard(seconds)
        found.over(START_NS, START_NS + 100 * NS)
        assert (found.silence.begin_ns - START_NS, found.silence.length_ns) == (begin * NS, length * NS)


@pytest.mark.parametrize("every", [0.1, 0.5, 1.0, 2.5, 60.0])
def test_the_usual_spacing_is_the_readings_own(every):
    """A few long silences do not move it."""
    seconds = np.cumsum([every] * 40 + [50 * every] * 3 + [every] * 40)
    assert heard(seconds).usual_s == pytest.approx(every, rel=1e-6)


def test_one_reading_has_no_spacing():
    """Nor have several of one instant."""
    assert heard([1.0]).usual_s is None
    assert heard([1.0, 1.0, 1.0]).usual_s is None


@given(st.lists(st.floats(0.001, 1e5), min_size=3, max_size=200), st.integers(1, 50))
def test_blocks_make_no_difference(steps, block):
    """Counts, silence and spacing are those of the whole, however it was cut; the spacing lies between the readings' own."""
    seconds = np.cumsum(steps)
    found, whole = heard(seconds, unusable=[1], block=block), heard(seconds, unusable=[1], block=1000)
    assert (found.readings, found.unusable, found.silence) == (whole.readings, whole.unusable, whole.silence)
    assert found.readings == len(steps)
    assert found.unusable == 1
    assert found.usual_s == pytest.approx(whole.usual_s)
    assert min(steps[1:]) * (1 - 1e-6) - 1e-8 <= found.usual_s <= max(steps[1:]) * (1 + 1e-6) + 1e-8


def test_every_channel_of_the_session_has_its_row():
    """One that was never heard says so, and none is left out."""
    session = vacuum_session(minutes=(0.2, 0.2))
    record = session_record(session.journal, session.id)
    channels = [said for instrument in record.instruments for said in instrument.channels]
    found = heard(np.arange(1.0, 200.0, 2.0), unusable=[3, 4])
    found.over(START_NS, START_NS + 1000 * NS)
    rows = completeness(record, {channels[0]["name"]: found})
    assert len(rows) == len(channels)
    assert rows[0][1:5] == ["100", "2 s", "2", "13 min 21 s"]
    assert {tuple(row[1:]) for row in rows[1:]} == {("none", "", "", "the whole session", "")}
