"""What an exported session holds, read by programs that are not ours."""

import csv
import functools
import json
import math
import subprocess
import zipfile
from importlib.resources import files

import bagit
import jsonschema_rs
import pyarrow.parquet as pq
import pytest

from baytrace.measure.faults import BadInput, EnvironmentFailed
from baytrace.measure.reading import Mark, Reading
from baytrace.records import signing
from baytrace.records.exporting import FORMATS, export_session
from baytrace.records.replay import replay
from baytrace.records.report.wording import VERIFY
from baytrace.records.session import session_record
from baytrace.records.trace_csv import read_trace
from baytrace.records.trace_file import TraceTable
from baytrace.records.verifying import State, verify_pack
from record_kit import CHECKS, Session, channel, packed, unpacked, vacuum_session


@pytest.fixture(scope="module")
def session():
    return vacuum_session(leak_pa_s=0.05, minutes=(13, 11))


@pytest.fixture(scope="module")
def pack(session, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pack")
    return packed(session, folder)


@pytest.fixture(scope="module")
def bag(pack):
    return unpacked(pack, pack.parent / "bag")


def test_a_pack_verifies_with_the_key_known(pack, session):
    """Container, bag, signature, chain, readings and verdicts are each said to be good."""
    report = verify_pack(pack, signing.known_keys(pack.parent / "keys"))
    assert [check.what for check in report.checks] == CHECKS
    assert {check.state for check in report.checks} == {State.OK}
    assert report.good
    assert (report.session, report.signature) == (session.id, "known")
    assert report.head == session_chain_head(session)
    assert json.dumps(report.to_json())


def session_chain_head(session):
    closed = next(item for item in session.journal.kept if getattr(item, "kind", "") == "session_closed")
    return next(link.digest for link in session.journal.chain if link.last == closed.seq)


def test_other_keys_are_said_apart(pack, session, tmp_path):
    """Unknown without trusted keys is a caution; with them a fault; unsigned is neither known nor unknown."""
    assert verify_pack(pack).good
    assert verify_pack(pack).signature == "unknown"
    other = signing.make_key(tmp_path / "other")
    report = verify_pack(pack, [other])
    assert not report.good
    assert "nobody vouched for" in report.summary()
    unsigned = export_session(session.journal, session.id, tmp_path, "pack")
    assert (verify_pack(unsigned).good, verify_pack(unsigned).signature) == (True, "absent")
    assert not verify_pack(unsigned, [other]).good


def test_the_bag_is_a_bag(bag):
    """The independent bagit package accepts it."""
    assert bagit.Bag(str(bag)).validate()


def test_openssl_alone_checks_the_signature(bag, pack):
    """The lines of the manual, run as they stand there in the unpacked directory; the report gives the same ones."""
    manual = (files("baytrace_dashboards") / "manual" / "packs.md").read_text(encoding="utf-8")
    lines = [line.strip() for line in manual.splitlines() if line.startswith(("    sha256sum", "    openssl"))]
    assert len(lines) == 3
    said = [
        subprocess.run(line, shell=True, cwd=bag, capture_output=True, text=True, check=True).stdout for line in lines
    ]
    assert "Signature Verified Successfully" in said[1]
    assert said[2].split()[0] == signing.known_keys(pack.parent / "keys")[0].fingerprint
    # the report breaks a long line where a shell allows it
    assert set(lines[:2]) <= {" ".join(line.replace("\\\n", " ").split()) for line in VERIFY}


def test_an_unpacked_pack_verifies_too(bag):
    """The directory, and the directory around it."""
    assert verify_pack(bag).good
    assert verify_pack(bag.parent).good


def test_parquet_carries_units_and_calibration(bag, session):
    """Any reader finds each reading with its unit, and the declaration of its channel in the metadata."""
    file = pq.ParquetFile(bag / "data" / "readings.parquet")
    said = json.loads(file.metadata.metadata[b"baytrace"])
    vacuum = next(channel for channel in said["channels"].values() if channel["name"] == "vacuum")
    assert (vacuum["unit"], vacuum["ucum"], vacuum["instrument"]) == ("micron", "um[Hg]", "gauge-7")
    assert vacuum["calibration"]["due"] == "2027-03-02"
    assert said["si_units"]["vacuum"] == "Pa"
    rows = file.read().to_pylist()
    kept = [item for item in session.journal.kept if hasattr(item, "raw")]
    assert [(row["seq"], row["value"], row["mono_ns"]) for row in rows] == [
        (item.seq, item.raw.value, item.raw.mono_ns) for item in kept
    ]
    assert {row["unit"] for row in rows if row["channel"] == "low"} == {"psi"}


def test_session_json_follows_its_schema(bag):
    """The published JSON Schema accepts it, and refuses it with a key too many."""
    schema = json.loads((files("baytrace.records") / "session.schema.json").read_text(encoding="utf-8"))
    document = json.loads((bag / "data" / "session.json").read_text(encoding="utf-8"))
    checker = jsonschema_rs.validator_for(schema)
    assert checker.is_valid(document)
    assert not checker.is_valid(document | {"surprise": 1})


def test_csvw_describes_every_column(bag):
    """Titles are the headings, in order; units are UCUM codes."""
    described = json.loads((bag / "data" / "readings.csv-metadata.json").read_text(encoding="utf-8"))
    with (bag / "data" / "readings.csv").open(encoding="utf-8", newline="") as file:
        headings = next(csv.reader(file))
    columns = described["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == headings
    assert described["url"] == "readings.csv"
    assert {column["titles"]: column.get("urn:baytrace:ucum") for column in columns}["low_side [psi]"] == "[psi]"
    assert len({column["name"] for column in columns}) == len(columns)


def test_judging_the_exported_trace_gives_the_same_verdict(bag, session):
    """Same finding and evidence from readings.csv as the bench said; also without the description beside it."""
    said = session_record(session.journal, session.id).verdicts[0].verdict
    beside = read_trace(bag / "data" / "readings.csv")
    assert replay(session.plan, beside)[0].to_json() == said
    alone = bag.parent / "alone.csv"
    alone.write_bytes((bag / "data" / "readings.csv").read_bytes())
    assert replay(session.plan, read_trace(alone))[0].finding == said["finding"] == "leak"


def test_every_value_reads_back_to_the_same_bits(bag):
    """SI values from the CSV are those the bench worked out, calibration and atmosphere included."""
    rows = pq.ParquetFile(bag / "data" / "readings.parquet").read().to_pylist()
    kept = sorted((row["channel"], row["si"]) for row in rows)
    items = read_trace(bag / "data" / "readings.csv").items
    assert sorted((item.channel, item.value) for item in items if isinstance(item, Reading)) == kept


def test_every_format_comes_alone(session, tmp_path):
    """One file each, named by the session; nothing else is left in the directory."""
    for name in FORMATS:
        made = export_session(session.journal, session.id, tmp_path / name, name)
        assert made.stat().st_size > 1000
        left = {path.name for path in made.parent.iterdir()}
        assert left - {made.name} <= {made.name + "-metadata.json"}
    with pytest.raises(BadInput, match="no format"):
        export_session(session.journal, session.id, tmp_path, "xlsx")


def test_progress_rises_to_the_end(session, tmp_path):
    """From the first to 1, never back."""
    shares = []
    export_session(session.journal, session.id, tmp_path, "pack", lambda share, _: shares.append(share))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_an_open_session_can_be_exported(tmp_path):
    """Up to the newest item; verify says that it was open."""
    session = Session()
    session.read(vacuum=500.0)
    report = verify_pack(export_session(session.journal, session.id, tmp_path))
    assert report.good
    assert any("still open" in check.text for check in report.checks)


LIVE = "=HYPERLINK(A1)"


def test_a_mark_is_no_formula_in_the_table(tmp_path):
    """The file that a spreadsheet opens begins such a cell with an apostrophe; the trace reads back as it was said, and the pack
    verifies.
    """
    session = _marked(LIVE)
    pack = export_session(session.journal, session.id, tmp_path)
    with zipfile.ZipFile(pack) as bag:
        [name] = [name for name in bag.namelist() if name.endswith("readings.csv")]
        assert f"'{LIVE}" in bag.read(name).decode()
    made = export_session(session.journal, session.id, tmp_path, "csv")
    assert LIVE in [item.text for item in read_trace(made).items if isinstance(item, Mark)]
    assert verify_pack(pack).good


def test_a_pack_of_an_older_program_verifies_with_its_marks_as_they_are(tmp_path, monkeypatch):
    """Programs before 0.4.0 wrote marks into the table as they were said."""
    session = _marked(LIVE)
    with monkeypatch.context() as older:
        older.setattr(TraceTable, "write", functools.partialmethod(TraceTable.write, cell=str))
        pack = export_session(session.journal, session.id, tmp_path)
    assert verify_pack(pack).good


def _marked(text):
    session = Session()
    session.read(vacuum=500.0)
    session.mark(text)
    session.read(vacuum=501.0)
    session.close()
    return session


def test_two_readings_of_one_instant_are_both_kept(tmp_path):
    """They take two rows of the same time; an open coil is `INF`; what is no number leaves its cell empty."""
    session = Session(plan={})
    session.read(coil=12.5)
    session.read(coil=12.6, oil=math.nan)
    session.read(coil=math.inf)
    session.close()
    made = export_session(session.journal, session.id, tmp_path, "csv")
    read = [item for item in read_trace(made).items if isinstance(item, Reading)]
    assert [item.value for item in read] == [12.5, 12.6, math.inf]


def test_an_atmosphere_known_before_the_session_travels_with_it(tmp_path):
    """Gauge pressures read back as absolute as they were, though no barometer spoke in the session."""
    channels = [channel("low", "low_side", "psi", "0.3 psi", "manifold-1")]
    state = {"ahead_ns": None, "atmosphere_pa": 84_000.0, "atmosphere_known": True, "last_ns": {}}
    session = Session(plan={}, channels=channels, interpreter=state)
    session.read(low=10.0)
    session.close()
    made = export_session(session.journal, session.id, tmp_path, "csv")
    reading = next(item for item in read_trace(made).items if isinstance(item, Reading) and item.channel == "low")
    assert reading.value == 10.0 * 6894.7572931683635 + 84_000.0
    assert reading.quality == 0


def test_a_channel_declared_anew_is_written_in_its_first_unit(tmp_path):
    """A gauge switched from psi to kPa in the middle gives one column that means the same."""
    from baytrace.records.vocabulary import Kind

    session = Session(plan={}, channels=[channel("low", "low_side", "psia", "0.3 psi", "m")])
    session.read(low=100.0)
    session.wait(1)
    session.note(Kind.CHANNEL_DECLARED, version=9, channel=channel("low", "low_side", "kPaa", "1 kPa", "m").to_json())
    session.read(low=689.47572931683635)
    session.close()
    made = export_session(session.journal, session.id, tmp_path, "csv")
    values = [item.value for item in read_trace(made).items if isinstance(item, Reading)]
    assert values[1] == pytest.approx(values[0], rel=1e-14)
    assert verify_pack(export_session(session.journal, session.id, tmp_path)).good


def test_long_sessions_are_merged_in_windows(tmp_path, monkeypatch):
    """However small the window, the table is the same."""
    from baytrace.records import trace_file

    session = vacuum_session(minutes=(2, 1))
    whole = export_session(session.journal, session.id, tmp_path / "whole", "csv").read_bytes()
    monkeypatch.setattr(trace_file, "_WINDOW", 3)
    monkeypatch.setattr(trace_file, "_BUFFER", 7)
    assert export_session(session.journal, session.id, tmp_path / "parts", "csv").read_bytes() == whole


def test_a_directory_that_cannot_be_written_is_an_environment_fault(session, tmp_path):
    """One line, exit code 5."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(EnvironmentFailed, match="could not be written"):
        export_session(session.journal, session.id, tmp_path / "file", "csv")


def test_a_second_export_replaces_the_first_whole(session, tmp_path):
    """No half file is ever under the final name."""
    first = export_session(session.journal, session.id, tmp_path, "pack")
    assert export_session(session.journal, session.id, tmp_path, "pack") == first
    assert verify_pack(first).good
