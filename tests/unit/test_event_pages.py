"""Events are read without their readings, and are the same."""

import numpy as np
import pytest

from baytrace.journal import sealing
from baytrace.journal.store import Stored
from baytrace.journal.stretch import from_payloads
from baytrace.measure.faults import VerificationFailed
from journal_kit import event, filled, opened, sealed


def test_events_of_a_sealed_journal_are_those_among_its_items(tmp_path):
    """Sealed or staged, by kind or all, one or many: what `events` and `last_event` give is what `items` gives."""
    with opened(tmp_path / "journal", "vacuum") as journal:
        filled(journal, 3_000)
        for number in range(5):
            journal.append([], [event("note", "s2", text=str(number)), event("mark", "s2", text="end")]).result(10)
        sealed(journal)
        assert 0.5 < journal.health()["sealed_fraction"] < 1.0
        among = [item for item in journal.items() if not isinstance(item, Stored)]
        assert list(journal.events()) == among
        marks = [each for each in among if each.kind == "mark"]
        assert list(journal.events(kinds=("mark",))) == marks
        assert journal.last_event(("mark",)) == marks[-1]
        assert journal.last_event(("mark",), "s1") == [each for each in marks if each.session == "s1"][-1]
        assert journal.last_event(("mark", "note"), "s2") == among[-1]
        assert journal.last_event(("never",)) is None
        assert journal.event(marks[7].seq) == marks[7]


def test_lines_that_make_no_sense_are_refused(tmp_path):
    """A cut or lengthened part of a block is a fault, never fewer events."""
    with opened(tmp_path / "journal", "vacuum") as journal:
        filled(journal, 40)
        payloads = [payload for _, payload in journal.linked_payloads(2)]
    counts = [8] * len(payloads)
    stretch = from_payloads(2, 2, "b", [10**18] * len(payloads), counts, payloads)
    heads, lines, _ = sealing.seal(stretch)
    numbers, found = sealing.lines_of(2, heads, lines)
    assert found == stretch.lines
    assert np.array_equal(numbers, stretch.event_seqs())
    for bad in ((heads[:-1], lines), (heads, lines[:-1]), (heads, lines + b"\0"), (b"", lines), (heads, b"")):
        with pytest.raises(VerificationFailed):
            sealing.lines_of(2, *bad)
