"""Packs and reports from the real journal, while it is written and after."""

import pytest

from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import VerificationFailed
from baytrace.measure.reading import Event
from baytrace.records.exporting import export_session
from baytrace.records.verifying import verify_journal, verify_pack
from record_kit import CHECKS, vacuum_session


@pytest.fixture
def kept(tmp_path):
    """The invented session, appended to a journal on disk commit by commit."""
    session = vacuum_session(leak_pa_s=0.05, minutes=(3, 2))
    journal = open_journal(tmp_path / "journal", clock=SystemClock(), boot="boot-1")
    for link in session.journal.chain:
        items = session.journal.kept[link.first - 1 : link.last]
        events = [item for item in items if isinstance(item, Event)]
        readings = [item.raw for item in items if not isinstance(item, Event)]
        journal.append(readings, events).result(timeout=30)
    yield journal, session
    journal.close()


def test_a_pack_from_the_journal_verifies(kept, tmp_path):
    """Beside its writer and after it closed, with the same contents; the journal itself verifies too."""
    journal, session = kept
    report = verify_pack(export_session(journal, session.id, tmp_path / "live"))
    assert report.good, report.summary()
    assert [check.what for check in report.checks] == CHECKS
    journal.close()
    with JournalReader(tmp_path / "journal") as reader:
        again = verify_pack(export_session(reader, session.id, tmp_path / "later"))
    assert again.good
    assert again.head == report.head
    assert "commits" in verify_journal(tmp_path / "journal")


def test_a_changed_journal_does_not_verify(kept, tmp_path):
    """One byte of a payload, and the commit is named."""
    import apsw

    journal, _ = kept
    journal.close()
    database = apsw.Connection(str(tmp_path / "journal" / "journal.sqlite"))
    number, payload = database.execute("SELECT id, payload FROM commits ORDER BY id DESC LIMIT 1").fetchone()
    database.execute("UPDATE commits SET payload = ? WHERE id = ?", (payload.replace(b"seen", b"sewn"), number))
    database.close()
    with pytest.raises(VerificationFailed, match=str(number)):
        verify_journal(tmp_path / "journal")
