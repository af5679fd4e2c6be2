"""The doctor tells what became of alarms and verdicts that should go out."""

from types import SimpleNamespace

import pytest

from baytrace.commands._probes import letters
from baytrace.journal.sqlite import open_journal
from baytrace.measure.clock import SystemClock

ROW = "INSERT INTO outbox(target, key, body, made_ns, due_ns, state, error) VALUES(?, ?, '{}', 1, 0, ?, ?)"


def told(tmp_path, *rows):
    """What the doctor finds in a journal whose outbox holds these letters."""
    journal = open_journal(tmp_path / "journal", clock=SystemClock())
    try:
        for number, row in enumerate(rows):
            values = (row[0], f"k.{number}", *row[1:])
            journal.change(lambda db, values=values: db.execute(ROW, values)).result(timeout=10)
    finally:
        journal.close()
    config = SimpleNamespace(path=lambda name: tmp_path / name, bench=SimpleNamespace(journal="journal"))
    return list(letters(config))


@pytest.mark.parametrize(
    ("state", "error", "good", "words"),
    [
        ("dead", "refused: 400", False, "given up; last: refused: 400"),
        ("waiting", "no answer", False, "wait: no answer"),
        ("waiting", "", True, "on their way"),
    ],
)
def test_letters_are_told_with_their_fate_and_cure(tmp_path, state, error, good, words):
    """Given up and waiting ones with the reason and a cure; those on their way are no trouble."""
    [found] = told(tmp_path, ("webhook", state, error))
    assert (found.what, found.good) == ("letters", good)
    assert f"1 for webhook {words}" in found.detail
    assert bool(found.cure) is not good


def test_without_letters_or_journal_there_is_nothing_to_tell(tmp_path):
    """A bench that has sent everything, and one that never ran."""
    assert told(tmp_path) == []
    config = SimpleNamespace(path=lambda name: tmp_path / "nowhere" / name, bench=SimpleNamespace(journal="journal"))
    assert list(letters(config)) == []
