"""What people wrote opens in a spreadsheet as text, and comes back as it was."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.records.plain_cells import meant, plain

LIVE = ("=", "+", "-", "@")


@given(st.text())
def test_a_text_comes_back_as_it_was(text):
    """Whatever it holds, apostrophes and all."""
    assert meant(plain(text)) == text


@given(st.text(), st.sampled_from(["", " ", "\t", "\r\n"]), st.sampled_from(LIVE))
def test_no_cell_is_a_formula(text, before, sign):
    """A cell never begins with what a spreadsheet works out, blanks before it or not."""
    assert plain(before + sign + text)[0] == "'"


@pytest.mark.parametrize("text", ["isolated", "coil 1", "it's in", "2000 rpm", "12 = 3 x 4", ""])
def test_ordinary_words_stay_as_they_are(text):
    """Nothing is added to what no spreadsheet would work out."""
    assert plain(text) == text
