"""`export`, `judge` and `verify` on a machine that has a trace pack, or a CSV file, and nothing else."""

import csv
import json
from pathlib import Path

import pytest

from baytrace.cli import run
from baytrace.records.exporting import export_session
from baytrace.records.pack_journal import PackJournal
from baytrace.records.session import session_record
from baytrace.records.signing import PUBLIC, make_key
from record_kit import packed, unpacked, vacuum_session


def invoke(capsys, *arguments):
    code = run([str(each) for each in arguments])
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.fixture(scope="module")
def session():
    return vacuum_session(leak_pa_s=0.05, minutes=(13, 11))


@pytest.fixture(scope="module")
def pack(session, tmp_path_factory):
    folder = tmp_path_factory.mktemp("alone")
    return packed(session, folder)


@pytest.fixture(scope="module")
def bag(pack):
    return unpacked(pack, pack.parent / "bag")


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    """A directory without bench.toml or journal."""
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("form", ["csv", "parquet", "html"])
def test_a_pack_gives_the_same_files_as_the_journal(session, pack, bag, tmp_path, form):
    """CSV with its description, Parquet and the report, byte for byte, from the zip and from its directory."""
    wanted = export_session(session.journal, session.id, tmp_path / "journal", form)
    for number, source in enumerate((pack, bag)):
        to = tmp_path / str(number)
        assert run(["export", str(source), "--to", str(to), "--format", form]) == 0
        assert (to / wanted.name).read_bytes() == wanted.read_bytes()
        assert {path.name for path in to.iterdir()} == {path.name for path in wanted.parent.iterdir()}


def test_the_chain_is_found_again_in_a_pack(session, bag):
    """Every link of the session, each as the journal has it, and the digest before the first."""
    journal, record = PackJournal(bag / "data"), session_record(session.journal, session.id)
    assert journal.record.started_seq == record.started_seq
    said = journal.record.chain
    kept = list(journal.links(said.first_commit))
    assert kept == [link for link in session.journal.chain if said.first_commit <= link.commit <= said.last_commit]
    middle = (said.first_commit + said.last_commit) // 2
    assert list(journal.links(middle, middle)) == [link for link in kept if link.commit == middle]
    assert next(journal.links(said.first_commit - 1)).digest == session.journal.chain[said.first_commit - 2].digest
    assert list(journal.links(said.last_commit + 1)) == []
    assert journal.head().digest == said.head


def test_items_of_a_pack_are_those_of_the_journal(session, bag):
    """Readings and events in order, within the bounds asked for; one channel's readings by time."""
    journal = PackJournal(bag / "data")
    first = journal.record.started_seq
    wanted = list(session.journal.items(after=first + 9, until=first + 400))
    assert list(journal.items(after=first + 9, until=first + 400)) == wanted
    low = [item for item in session.journal.kept if getattr(item, "raw", None) and item.raw.channel == "low"]
    begin, end = low[3].raw.wall_ns, low[9].raw.wall_ns
    assert [item.seq for item in journal.readings("low", begin, end)] == [item.seq for item in low[3:9]]


def test_a_pack_is_not_packed_again(capsys, pack, tmp_path):
    """Signed anew it would no longer say whose record it is: one line, exit code 2."""
    code, _, err = invoke(capsys, "export", pack, "--to", tmp_path)
    assert code == 2
    assert "is a trace pack already" in err


def test_nothing_is_made_of_a_pack_that_does_not_hold(capsys, bag, tmp_path):
    """A changed file is named with exit code 4, for export and for judge."""
    changed = tmp_path / "changed"
    for file in bag.rglob("*"):
        if file.is_file():
            target = changed / file.relative_to(bag)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(
                file.read_bytes().replace(b"psi", b"kPa") if file.suffix == ".csv" else file.read_bytes()
            )
    for arguments in (
        ["export", changed, "--to", tmp_path / "x", "--format", "csv"],
        ["judge", changed, "--watch", "evacuation"],
    ):
        code, out, err = invoke(capsys, *arguments)
        assert (code, out) == (4, "")
        assert "readings.csv was changed" in err
        assert len(err.strip().splitlines()) == 1


def test_a_pack_is_judged_with_its_sessions_settings(capsys, session, pack):
    """The very verdict of the bench; a setting given on top changes it, as it would have on the bench."""
    said = session_record(session.journal, session.id).verdicts[0].verdict
    code, out, _ = invoke(capsys, "judge", pack, "--watch", "evacuation", "--json")
    assert code == {"pass": 0, "fail": 1, "undecided": 3}[said["verdict"]]
    assert json.loads(out) == said
    code, out, _ = invoke(capsys, "judge", pack, "--watch", "evacuation", "--set", "hold_s=7200", "--json")
    assert code == 3 or json.loads(out) != said


def test_a_csv_out_of_a_pack_is_judged_alone(capsys, session, bag, tmp_path):
    """The table moved elsewhere without its description still gives the finding."""
    (tmp_path / "trace.csv").write_bytes((bag / "data" / "readings.csv").read_bytes())
    plan = [f"{key}={value}" for key, value in session.plan["evacuation"].items()]
    settings = [word for each in plan for word in ("--set", each)]
    code, out, _ = invoke(capsys, "judge", "trace.csv", "--watch", "evacuation", *settings, "--json")
    assert (code, json.loads(out)["finding"]) == (1, "leak")


def test_what_is_no_pack_gets_one_line(capsys, tmp_path):
    """A zip that is none, an empty directory, a file that is not there: exit code 2 or 4, never a traceback."""
    (tmp_path / "half.zip").write_bytes(b"PK\x03\x04 and nothing more")
    (tmp_path / "empty").mkdir()
    for arguments, wanted in [
        (["judge", "half.zip", "--watch", "evacuation"], 4),
        (["judge", "empty", "--watch", "evacuation"], 2),
        (["export", "half.zip", "--to", "x", "--format", "csv"], 4),
        (["export", "empty", "--to", "x", "--format", "csv"], 2),
        (["export", "gone.zip", "--to", "x", "--format", "csv"], 2),
        (["verify", "empty"], 2),
        (["verify", "gone.zip"], 2),
        (["verify", "half.zip"], 4),
    ]:
        code, out, err = invoke(capsys, *arguments)
        assert code == wanted, (arguments, err)
        assert len(err.strip().splitlines()) == 1, err
        assert "Traceback" not in out + err


@pytest.mark.parametrize("inside", ["KEY.pem", "trusted/KEY.pem"])
def test_a_folder_of_keys_vouches_for_a_pack(capsys, pack, tmp_path, inside):
    """The bench's key lying in the folder makes the signature known, another's alone a fault."""
    keys = tmp_path / "keys" / inside
    keys.parent.mkdir(parents=True)
    keys.write_bytes((pack.parent / "keys" / PUBLIC).read_bytes())
    code, out, _ = invoke(capsys, "verify", pack, "--keys", "keys")
    assert (code, "by a known key" in out) == (0, True)
    keys.write_text(make_key(tmp_path / "other").pem, encoding="utf-8")
    code, _, err = invoke(capsys, "verify", pack, "--keys", "keys")
    assert (code, "nobody vouched for" in err) == (4, True)


def test_a_folder_without_a_key_vouches_for_nothing(capsys, pack, tmp_path):
    """A folder that is empty or not there is refused: without a key to hold it against, every signature would do."""
    (tmp_path / "empty").mkdir()
    for folder in ("empty", "gone"):
        code, out, err = invoke(capsys, "verify", pack, "--keys", folder)
        assert (code, out) == (2, "")
        assert f"{folder}: holds no public key" in err


def test_the_session_of_a_pack_is_named_in_json(capsys, pack, tmp_path, session):
    """`--json` prints the session's id and where the file lies; cautions about the key stay off stdout."""
    code, out, err = invoke(capsys, "export", pack, "--to", tmp_path / "to", "--format", "csv", "--json")
    assert code == 0
    said = json.loads(out)
    assert said["session"] == session.id
    assert "nobody vouched for" in err
    with Path(said["path"]).open(encoding="utf-8", newline="") as file:
        assert next(csv.reader(file))[0] == "time"
