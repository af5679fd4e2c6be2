"""RFC 3339 instants."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.instant import format_instant, parse_instant


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        # examples of RFC 3339, 5.8
        ("1985-04-12T23:20:50.52Z", 482196050_520000000),
        ("1996-12-19T16:39:57-08:00", 851042397_000000000),
        ("1990-12-31T23:59:60Z", 662688000_000000000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172_130000000),
    ],
)
def test_the_examples_of_the_standard(text, ns):
    """The instants printed in RFC 3339 are read as what they are."""
    assert parse_instant(text) == ns


@given(st.integers(0, 4_000_000_000 * 10**9))
def test_nanoseconds_survive(ns):
    """Writing and reading an instant changes nothing."""
    assert parse_instant(format_instant(ns)) == ns


@pytest.mark.parametrize(
    "text", ["2026-11-25", "2026-11-25T09:30:00", "2026-13-01T00:00:00Z", "yesterday", "", "2026-02-30T00:00:00Z"]
)
def test_what_is_no_instant_is_refused(text):
    """An instant without offset or outside the calendar is not guessed at."""
    with pytest.raises(BadInput):
        parse_instant(text)
