"""A session as a record: a fold over its events."""

import json
from pathlib import Path

import pytest

import baytrace.records
from baytrace.measure.faults import BadInput
from baytrace.records.session import SessionRecord, fold, list_sessions, session_record
from baytrace.records.vocabulary import Kind
from record_kit import Session, vacuum_session

PUBLISHED = Path(baytrace.records.__file__).with_name("session.schema.json")


def test_everything_said_in_a_session_is_in_its_record():
    """Marks, notes, ledger, verdicts, close and later sign-off are all there, in order, with their instants."""
    session = vacuum_session(minutes=(1, 1))
    record = session_record(session.journal, session.id)
    assert [mark.data["text"] for mark in record.marks] == ["pump on", "isolated"]
    assert [entry.data["entry"] for entry in record.ledger] == ["recovered", "oil_drained", "oil_added"]
    assert record.started == "2026-11-25T10:00:00.000000000Z"
    assert record.outcome == record.verdicts[0].verdict["verdict"] != "pass"
    assert record.closed is not None
    assert [entry.data["who"] for entry in record.sign_offs] == ["Q. Sample"]
    assert [(said.verdict["watch"], said.final) for said in record.verdicts] == [("evacuation", True)]
    gauge = next(instrument for instrument in record.instruments if instrument.name == "gauge-7")
    assert gauge.facts == {"model": "VG-2", "serial": "0042"}
    assert gauge.channels[0]["calibration"]["certificate"] == "C-1207"


def test_the_last_final_verdict_counts():
    """A verdict noted on the way never replaces the one given at the close."""
    session = Session(plan={"evacuation": {}})
    early = {"watch": "evacuation", "verdict": "pass", "finding": "tight", "reasons": [], "evidence": {}}
    session.note(Kind.VERDICT, watch="evacuation", verdict=early, final=False, after_seq=session.started_seq)
    assert session_record(session.journal, session.id).verdicts[0].verdict == early
    session.close()
    record = session_record(session.journal, session.id)
    assert record.verdicts[0].final
    assert len(record.changes) == 2


def test_what_happened_to_the_bench_is_kept():
    """Gaps, silences, clock steps, restarts and links are told apart."""
    session = Session(plan={})
    session.note(Kind.GAP, channel="vacuum", from_ns=1, to_ns=2, cause="unplugged")
    session.note(Kind.STALE, channel="vacuum", since_ns=1, stale=True)
    session.note(Kind.CLOCK_STEP, step_ns=3_600_000_000_000, wall_ns=1, mono_ns=1)
    session.note(Kind.INSTRUMENT, instrument="gauge-7", state="lost", detail="")
    session.note(Kind.REJECTED, instrument="gauge-7", why="checksum", frame="", size=3)
    session.close()
    record = session_record(session.journal, session.id)
    assert [len(part) for part in (record.gaps, record.silences, record.clock_steps, record.links)] == [1, 1, 1, 1]
    assert record.rejected == 1


def test_an_unknown_session_is_refused_with_the_known_ones():
    """The message names what there is."""
    session = Session(plan={})
    with pytest.raises(BadInput, match="blue-van"):
        session_record(session.journal, "20200101T000000Z")
    with pytest.raises(BadInput, match="do not begin"):
        fold([])


def test_sessions_are_listed_newest_first():
    """With outcome and sign-off, where there are any."""
    session = vacuum_session(minutes=(1, 1))
    line = list_sessions(session.journal)[0]
    assert (line.session, line.signed_off) == (session.id, True)
    assert line.outcome == session_record(session.journal, session.id).outcome


def test_the_published_schema_is_that_of_the_code():
    """`session.schema.json` says what `session.json` holds: the model's schema and the program's name."""
    published = json.loads(PUBLISHED.read_text(encoding="utf-8"))
    model = SessionRecord.model_json_schema()
    assert published["$defs"] == model["$defs"]
    assert {name: said for name, said in published["properties"].items() if name != "program"} == model["properties"]
    assert set(published["required"]) == {*model["required"], "program"}
