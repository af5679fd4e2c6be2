"""Sealed stretches give back every payload to the byte."""

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from baytrace.journal.chain import Columns, event_line
from baytrace.journal.compact import (
    Source,
    decode_floats,
    decode_ints,
    encode_floats,
    encode_ints,
    skip_floats,
    skip_ints,
)
from baytrace.journal.reader import JournalReader
from baytrace.journal.sealing import Sealed, heads_of, seal, unseal
from baytrace.journal.store import Stored
from baytrace.journal.stretch import Stretch, from_payloads
from baytrace.measure.faults import VerificationFailed
from baytrace.measure.reading import Event, Raw
from journal_kit import START_NS, opened, sealed

I64 = st.integers(-(2**63), 2**63 - 1)
STAMP = st.integers(1_764_000_000, 1_764_000_100).map(lambda s: s * 10**9) | I64
VALUE = (
    st.integers(-(10**6), 10**6).map(lambda n: n / 100)
    | st.floats(width=32)
    | st.integers(0, 2**64 - 1).map(lambda bits: struct.unpack("<d", struct.pack("<Q", bits))[0])
    | st.just(-0.0)
)
READING = st.tuples(st.integers(1, 4), STAMP, STAMP, VALUE, st.integers(0, 65535))
COMMIT = st.tuples(st.lists(READING, max_size=5), st.lists(st.text(max_size=5), max_size=2), STAMP)


def stretch_of(commits):
    rows = [row for readings, _, _ in commits for row in readings]
    columns = Columns.of(*zip(*rows, strict=True)) if rows else Columns.of((), (), (), (), ())
    lines = [event_line(Event(1, 2, "note", "s", {"text": text})) for _, texts, _ in commits for text in texts]
    counts = [np.array([len(commit[part]) for commit in commits], np.int64) for part in (0, 1)]
    return Stretch(5, 100, "boot", *counts, np.array([commit[2] for commit in commits], np.int64), columns, lines)


@settings(deadline=None)
@given(commits=st.lists(COMMIT, min_size=1, max_size=12))
def test_a_sealed_stretch_rebuilds_every_payload(commits):
    """Any numbers, any mix of readings and events: the payloads are the same bytes, the stamps the same numbers."""
    stretch = stretch_of(commits)
    again = unseal(5, 100, "boot", seal(stretch))
    assert again.payloads() == stretch.payloads()
    assert again.wall_ns.tolist() == stretch.wall_ns.tolist()
    assert heads_of(seal(stretch).heads) == (len(commits[-1][0]), len(commits[-1][1]), commits[-1][2])


@settings(deadline=None)
@given(commits=st.lists(COMMIT, min_size=1, max_size=12))
def test_payloads_taken_apart_together_are_what_they_were(commits):
    """Reading payloads in bulk and building them in bulk are each other's inverse."""
    stretch = stretch_of(commits)
    payloads = stretch.payloads()
    again = from_payloads(5, 100, "boot", stretch.wall_ns.tolist(), stretch.readings.tolist(), payloads)
    assert again.payloads() == payloads
    assert again.reading_seqs().tolist() == stretch.reading_seqs().tolist()
    assert again.event_seqs().tolist() == stretch.event_seqs().tolist()


@given(values=arrays(np.int64, st.integers(0, 60), elements=I64))
def test_any_whole_numbers_come_back(values):
    """Also where differences run over 64 bits."""
    source = Source(encode_ints(values))
    assert decode_ints(source).tolist() == values.tolist()
    assert source.done()


@given(
    bits=arrays(np.uint64, st.integers(0, 60), elements=st.integers(0, 2**64 - 1))
    | arrays(np.float64, 20, elements=VALUE).map(lambda a: a.view(np.uint64))
)
def test_any_floats_come_back_by_their_bits(bits):
    """Every NaN, signed zero and subnormal number."""
    values = bits.view(np.float64)
    assert decode_floats(Source(encode_floats(values))).view(np.uint64).tolist() == bits.tolist()


@pytest.mark.parametrize("through_32_bits", [False, True])
def test_slowly_varying_readings_take_under_three_bytes(through_32_bits):
    """Ten channels at 10 Hz, stamps in whole microseconds with 0.2 ms of jitter, two decimals."""
    rng = np.random.default_rng(7)
    n, channels = 16_000, 10
    stamps = 1_764_061_200 * 10**9 + np.repeat(np.arange(n // channels), channels) * 100_000_000
    stamps += rng.normal(0.0, 200e3, n).astype(np.int64)
    stamps = stamps // 1000 * 1000
    values = np.round(20.0 + np.cumsum(rng.normal(0.0, 0.01, (n // channels, channels)), axis=0), 2).reshape(-1)
    if through_32_bits:
        values = values.astype(np.float32).astype(np.float64)
    columns = Columns.of(
        np.tile(np.arange(1, channels + 1), n // channels), stamps, stamps - 10**18, values, np.zeros(n, int)
    )
    per = 10
    walls = stamps[per - 1 :: per] // 10**6 * 10**6 + 10**6
    stretch = Stretch(1, 1, "boot", np.full(n // per, per), np.zeros(n // per, np.int64), walls, columns, [])
    assert seal(stretch).size / n < 3.0


@given(data=st.data())
def test_a_damaged_block_is_refused(data):
    """Any changed byte and any cut, whether or not it would alter a payload."""
    stretch = stretch_of([([(1, 10, 5, 1.5, 0), (2, 11, 6, float("nan"), 1)], ["x"], 10**9)] * 3)
    sealed = seal(stretch)
    part = data.draw(st.integers(0, 2))
    raw = bytearray(sealed[part])
    place = data.draw(st.integers(0, len(raw) - 1))
    if data.draw(st.booleans()):
        raw[place] ^= data.draw(st.integers(1, 255))
    else:
        del raw[place:]
    changed = Sealed(*(bytes(raw) if i == part else piece for i, piece in enumerate(sealed)))
    with pytest.raises(VerificationFailed):
        unseal(5, 100, "boot", changed)


def test_a_channel_read_alone_is_the_same_as_among_all(tmp_path):
    """The first look at a sealed stretch leaves other channels' values packed; a second look finds everything, and both agree."""
    names = ["a", "b", "c"]
    with opened(tmp_path, *names) as journal:
        for index in range(3_000):
            raws = [
                Raw(
                    name, float("nan") if index % 500 == 7 else index / (place + 3), START_NS + index * 10**9 + place, 1
                )
                for place, name in enumerate(names)
            ]
            future = journal.append(raws, [])
        future.result(60)
        sealed(journal)
    end_ns = START_NS + 4_000 * 10**9
    with JournalReader(tmp_path) as alone, JournalReader(tmp_path) as among:
        whole = [item for item in among.items() if isinstance(item, Stored)]
        for name in names:
            expected = [repr(item) for item in whole if item.raw.channel == name]
            assert [repr(item) for item in alone.readings(name, START_NS, end_ns)] == expected
    with JournalReader(tmp_path) as one:
        first = [repr(item) for item in one.readings("b", START_NS, end_ns)]
        again = [repr(item) for item in one.readings("b", START_NS, end_ns)]
        assert first == again
        assert [repr(item) for item in one.items() if isinstance(item, Stored)] == [repr(item) for item in whole]


@given(values=st.lists(VALUE, max_size=60), whole=st.lists(I64, max_size=60))
def test_a_column_passed_over_ends_where_a_column_read_does(values, whole):
    """Behind either stands the next column, and the number of its values is known."""
    source = Source(encode_floats(np.array(values, np.float64)) + encode_ints(np.array(whole, np.int64)) + b"end")
    assert skip_floats(source) == len(values)
    assert skip_ints(source) == len(whole)
    assert source.take(3) == b"end"
