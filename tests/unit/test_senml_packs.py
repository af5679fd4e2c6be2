"""SenML packs (RFC 8428) into readings."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.reading import Quality
from baytrace_adapters._numbers import Unreadable
from baytrace_adapters._senml import PackReader, Wanted

NOW, MONO = 1_795_600_000_000_000_000, 5_000_000_000


def reader(**units):
    return PackReader({f"bay1/{name}": Wanted(name, unit) for name, unit in units.items()})


def read(pack, one=None):
    one = one or reader(a="degC", b="degC", r="ohm", h="%RH", p="micron")
    return one.read(pack if isinstance(pack, bytes) else json.dumps(pack).encode(), NOW, MONO)


def test_base_fields_hold_from_their_record_onwards():
    """RFC 8428, 4.1 and 4.6: base name, time, unit and value apply to their record and all after it, until they change."""
    pack = [
        {"bn": "bay1/", "bt": 1795600689, "bu": "Cel", "n": "a", "v": 1},
        {"n": "b", "v": 2, "t": 0.5},
        {"bn": "bay1/", "bt": 1795600700, "bv": 10, "n": "a", "v": 3},
        {"n": "b", "v": 4.5, "t": -1},
    ]
    found = read(pack)
    assert [(raw.channel, raw.value, raw.wall_ns) for raw in found.raws] == [
        ("a", 1.0, 1_795_600_689_000_000_000),
        ("b", 2.0, 1_795_600_689_500_000_000),
        ("a", 13.0, 1_795_600_700_000_000_000),
        ("b", 14.5, 1_795_600_699_000_000_000),
    ]
    assert all(raw.quality == Quality.SOURCE_TIME for raw in found.raws)
    assert found.timed
    assert not found.complaints


@pytest.mark.parametrize(("t", "behind_ns"), [(None, 0), (0, 0), (-2.5, -2_500_000_000), (1.5, 1_500_000_000)])
def test_a_time_below_two_to_the_28_counts_from_now(t, behind_ns):
    """RFC 8428, 4.5.3: a small time is relative to the arrival; it claims no clock of its own."""
    record = {"n": "bay1/a", "u": "Cel", "v": 1.0} | ({} if t is None else {"t": t})
    found = read([record])
    assert found.raws == [("a", 1.0, NOW + behind_ns, MONO + behind_ns, 0)]
    assert not found.timed


def test_units_must_be_the_channels():
    """A unit is checked by meaning (RFC 8428 and UCUM names); a wrong one is a complaint, a missing one is trusted."""
    good = [
        {"n": "bay1/p", "u": "um[Hg]", "v": 1},
        {"n": "bay1/r", "u": "Ohm", "v": 2},
        {"n": "bay1/h", "u": "%RH", "v": 3},
        {"n": "bay1/a", "v": 4},
    ]
    assert [raw.value for raw in read(good).raws] == [1.0, 2.0, 3.0, 4.0]
    found = read([{"n": "bay1/a", "u": "K", "v": 300}, {"n": "bay1/b", "u": "Cel", "v": 5}])
    assert [raw.value for raw in found.raws] == [5.0]
    assert found.complaints == ["unit 'K' of bay1/a where a has 'degC'"]
    assert read([{"n": "bay1/a", "u": "K", "v": 300}, {"n": "bay1/b", "v": 5}], None).complaints


def test_other_names_strings_and_booleans_are_counted_and_left_out():
    """What no channel asked for is no error and no reading."""
    found = read(
        [
            {"n": "bay1/a", "v": 1},
            {"n": "door", "vb": True},
            {"n": "bay1/b", "vs": "x"},
            {"n": "bay1/b", "s": 5},
            {"n": "other", "v": 3},
        ]
    )
    assert [raw.channel for raw in found.raws] == ["a"]
    assert found.others == 4


def test_a_meters_over_range_number_is_an_open_circuit():
    """9.9E37 passed on by a publisher means what it means in SCPI."""
    (raw,) = read([{"n": "bay1/r", "u": "Ohm", "v": 9.9e37}]).raws
    assert raw.value == math.inf
    assert raw.quality == Quality.OVER_RANGE | Quality.OPEN_CIRCUIT


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b"{}",
        b"[1]",
        b"7.5",
        b'[{"n":"bay1/a","v":NaN}]',
        b'[{"n":"bay1/a","v":"1"}]',
        b'[{"n":"bay1/a","v":true}]',
        b'[{"n":"bay1/a","v":1,"t":"now"}]',
        b'[{"n":"bay1/a","v":1,"t":true}]',
        b'[{"bver":11,"n":"bay1/a","v":1}]',
        b'[{"bn":5,"n":"a","v":1}]',
        b'[{"bn":"bay1/","bt":"x","n":"a","v":1}]',
        b'[{"bn":"bay1/","bv":"x","n":"a","v":1}]',
        b'[{"n":"bay1/a","v":1,"must_":0}]',
        b'[{"n":"bay1/a","v":1},{"n":"bay1/b","v":2,"must\\u005f":0}]',
        b'[{"n":["bay1/a"],"v":1}]',
        b'[{"n":"bay1/a","v":1e400}]',
        b'[{"n":"bay1/a","v":1,"t":1e400}]',
        b'[{"n":"bay1/a","v":1,"t":1795600689000}]',
        b'[{"n":"bay1/a","v":1,"t":1},{"n":"bay1/b","v":1,"bt":1e300}]',
        b'[{"bn":"bay1/","n":"a","v":1,"t":-3e9}]',
        b'[{"bn":"bay1/","bt":true,"n":"a","v":1}]',
        b'[{"bn":"bay1/","bv":true,"n":"a","v":1}]',
        b'\xff[{"n":"bay1/a","v":1}]',
        b'[{"n":"bay1/a","v":1}',
        b"[" * 100_000,
    ],
)
def test_what_is_no_pack_is_refused_whole(payload):
    """Damage anywhere refuses the pack, never half of it, and always with a reason."""
    with pytest.raises(Unreadable):
        read(payload)


NAMES = st.sampled_from(["a", "b"])
VALUES = st.floats(-1e6, 1e6) | st.integers(-1000, 1000)
RECORDS = st.lists(
    st.fixed_dictionaries(
        {"n": NAMES, "v": VALUES},
        optional={
            "t": st.integers(-100, 100),
            "bt": st.sampled_from([0, 1_795_600_000]),
            "bv": st.integers(0, 9),
            "u": st.just("Cel"),
        },
    ),
    min_size=1,
    max_size=20,
)


def resolved(pack):
    """The rules of RFC 8428, 4.6, written down a second time, plainly."""
    base = {"bn": "", "bt": 0, "bv": 0}
    for record in pack:
        base |= {key: record[key] for key in base if key in record}
        time = base["bt"] + record.get("t", 0)
        absolute = time >= 2**28
        yield (
            base["bn"] + record["n"],
            float(base["bv"] + record["v"]),
            time * 10**9 + (0 if absolute else NOW),
            absolute,
        )


@given(RECORDS)
def test_resolution_agrees_with_the_rules_written_plainly(pack):
    """However base fields are strewn, the quick way and the plain way give the same readings."""
    pack[0]["bn"] = "bay1/"
    found = read(pack)
    got = [(f"bay1/{raw.channel}", raw.value, raw.wall_ns, bool(raw.quality)) for raw in found.raws]
    assert got == list(resolved(pack))


@given(RECORDS, st.binary(min_size=1, max_size=5), st.integers(0, 10_000))
def test_a_damaged_pack_gives_no_value_that_was_not_sent(pack, junk, place):
    """Cut off anywhere, or with bytes before or after: refused, or exactly what was sent."""
    pack[0]["bn"] = "bay1/"
    payload = json.dumps(pack).encode()
    sent = {(raw.channel, raw.value) for raw in read(payload).raws}
    for damaged in (payload[: place % len(payload)], junk + payload, payload + junk):
        try:
            found = read(damaged)
        except Unreadable:
            continue
        assert {(raw.channel, raw.value) for raw in found.raws} == sent
