"""The marks a page offers as buttons are those the watches act on."""

import pytest

from baytrace.watches.evacuation.phases import meaning
from baytrace.watches.pressure_hold.watch import BEGIN, END
from baytrace.watches.watch import watches


def test_an_evacuation_understands_every_mark_it_offers():
    """Each button of an evacuation means something to it, and something different."""
    said = [meaning(text) for text in watches()["evacuation"].marks]
    assert None not in said
    assert len(set(said)) == len(said)


def test_a_pressure_hold_understands_every_mark_it_offers():
    """One button begins the standing test and one ends it."""
    begin, end = watches()["pressure_hold"].marks
    assert BEGIN.search(begin)
    assert END.search(end)


@pytest.mark.parametrize("watch", sorted(watches()))
def test_offered_marks_are_short_words(watch):
    """They fit on a button that is read from across the bay."""
    assert all(0 < len(text) <= 20 for text in getattr(watches()[watch], "marks", ()))
