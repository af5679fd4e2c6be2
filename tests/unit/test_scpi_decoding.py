"""Answers of SCPI meters into values, identities and errors."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.reading import Quality
from baytrace_adapters._decode_scpi import Answer, error_entry, identity_facts, values_of
from baytrace_adapters._numbers import Unreadable

OHM, VOLT = Answer.for_channel("r", "ohm", 0), Answer.for_channel("t", "degC", 1)


@pytest.mark.parametrize("text", ["+1.23400000E+01", "12.34", " 1.234e1 ", "1.234E+01 Ohm", "12.34 Ω"])
def test_numbers_of_every_notation(text):
    """NR1, NR2 and NR3 numbers, with their own unit or none, are the value."""
    assert values_of(text.encode("latin-1", errors="ignore").strip() or b"12.34", [OHM])[0][1] == 0
    assert values_of(text.replace("Ω", "ohm").encode(), [OHM]) == [(12.34, 0)]


def test_several_numbers_of_one_answer():
    """Channels that share a query take their own field; a missing field refuses the answer."""
    assert values_of(b"+1.0E+01,+2.5E+01", [OHM, VOLT]) == [(10.0, 0), (25.0, 0)]
    with pytest.raises(Unreadable, match="has 1 numbers, none at 1"):
        values_of(b"+1.0E+01", [OHM, VOLT])


@pytest.mark.parametrize(
    ("text", "value", "quality"),
    [
        # SCPI-99: 9.9E37 infinity, -9.9E37 minus infinity, 9.91E37 not a number (clauses from memory)
        (b"9.9E37", math.inf, Quality.OVER_RANGE | Quality.OPEN_CIRCUIT),
        (b"+9.90000000E+37", math.inf, Quality.OVER_RANGE | Quality.OPEN_CIRCUIT),
        (b"-9.9E37", -math.inf, Quality.UNDER_RANGE),
        (b"9.91E37", math.nan, Quality.NOT_A_NUMBER),
        (b"OL", math.inf, Quality.OVER_RANGE | Quality.OPEN_CIRCUIT),
        (b"9.8E37", 9.8e37, 0),
    ],
)
def test_numbers_that_stand_for_something_else(text, value, quality):
    """Infinity on a resistance is an open circuit; not-a-number is no value."""
    ((got, flags),) = values_of(text, [OHM])
    assert got == value or (math.isnan(got) and math.isnan(value))
    assert flags == quality


@pytest.mark.parametrize(
    "text", [b"", b"+1.2.3", b"ERR", b"12 V", b"1 2", b"\xff12", b"12\x00", b'-113,"Undefined header"']
)
def test_what_is_no_answer(text):
    """Garbage, another unit, or an error entry is refused."""
    with pytest.raises(Unreadable):
        values_of(text, [OHM, VOLT] if b"," in text else [OHM])


def test_identity_and_error_entries():
    """`*IDN?` gives its fields; a number is no identity; the error queue's zero is no error."""
    assert identity_facts(b"Example,Ohmmeter 1,0,1.2,x") == {
        "identity": "Example,Ohmmeter 1,0,1.2,x",
        "maker": "Example",
        "model": "Ohmmeter 1",
        "version": "1.2,x",
    }
    for late in (b"+1.234E+01", b"12.3,4.5", b"", b"\x00\x01"):
        with pytest.raises(Unreadable):
            identity_facts(late)
    assert error_entry(b'+0,"No error"') is None
    assert error_entry(b'-113,"Undefined header; ""X"""') == '-113 Undefined header; ""X""'
    assert error_entry(b"-410, Query INTERRUPTED") == "-410 Query INTERRUPTED"
    with pytest.raises(Unreadable):
        error_entry(b"12.5")


@given(st.binary(max_size=60))
def test_any_bytes_give_a_value_or_a_reason(data):
    """No answer makes the decoders fail in another way than by saying why."""
    for decode in (lambda: values_of(data, [OHM, VOLT]), lambda: identity_facts(data), lambda: error_entry(data)):
        try:
            decode()
        except Unreadable:
            continue
