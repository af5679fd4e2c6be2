"""Packs forged by someone who has the format and a key: told in one line with exit code 4, never by a traceback, whatever is in them."""

import json
import os
import shutil
from contextlib import suppress
from hashlib import sha256

import pyarrow as pa
import pytest

from baytrace.cli import run
from baytrace.records import signing
from forger_kit import DEEP, describe_anew, forge, rechained, rewrite
from record_kit import forged, packed, unpacked, vacuum_session

SEEDS = int(os.environ.get("BAYTRACE_FORGERIES", "150"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("forged")
    return unpacked(packed(vacuum_session(leak_pa_s=0.05, minutes=(1, 0.1)), folder), folder / "whole")


@pytest.fixture
def bag(whole, tmp_path):
    return shutil.copytree(whole, tmp_path / whole.name)


@pytest.fixture(scope="module")
def forger(tmp_path_factory):
    return signing.load_or_make_key(tmp_path_factory.mktemp("forger"))


def judged(capfd, bag, *options):
    """Exit code of `verify`, its last line on stderr, and all it wrote."""
    code = run(["verify", str(bag), *options])
    out, err = capfd.readouterr()
    return code, (err.strip().splitlines() or [""])[-1], out + err


def told(capfd, bag, *options):
    """The line of a pack that does not verify."""
    code, line, said = judged(capfd, bag, *options)
    assert code == 4, said
    assert "Traceback" not in said
    assert line.startswith("baytrace: ")
    assert "verification failed" in line
    return line


def test_hundreds_of_forgeries_are_all_told(whole, tmp_path, forger, capfd):
    """One thing changed at random in events, record, readings, metadata, table or tags, and all sealed anew: exit 4 and a line.

    Only where the chain was made to fit too may a pack verify: then the change is one that says nothing (a key nobody reads).
    """
    key = tmp_path / "forger.pem"
    key.write_text(forger.public.pem)
    passed = 0
    for seed in range(SEEDS):
        bag = shutil.copytree(whole, tmp_path / "bag" / whole.name)
        how, chained = forge(bag, seed)
        with suppress(UnicodeDecodeError):  # bag-info.txt is no text any more: the old manifests tell
            forged(bag, forger)
        code, line, said = judged(capfd, bag, *(["--key", str(key)] if seed % 2 else []))
        assert "Traceback" not in said, (seed, how, said)
        assert code in (0, 4), (seed, how, said)
        assert code == 4 or chained or "bag-info" in how, (seed, how, said)
        assert code == 0 or "verification failed" in line, (seed, how, said)
        passed += code == 0
        shutil.rmtree(tmp_path / "bag")
    assert passed < SEEDS / 4


@pytest.mark.parametrize("where", ["events.jsonl", "session.json", "readings.csv-metadata.json"])
def test_lists_within_lists_without_end_are_told(bag, forger, capfd, where):
    """A hundred thousand of them, where a reader that calls itself would break."""
    path = bag / "data" / where
    lines = path.read_text().splitlines(keepends=True)
    lines[0] = lines[0].replace("{", '{"deep":' + DEEP + ",", 1)
    path.write_text("".join(lines))
    assert where in told(capfd, forged(bag, forger))


def test_tag_files_that_are_no_text_are_told(bag, forger, capfd, tmp_path):
    """`bag-info.txt` and the manifests, with and without a key; each fits its digest."""
    key = tmp_path / "forger.pem"
    key.write_text(forger.public.pem)
    info = bag / "bag-info.txt"
    info.write_bytes(info.read_bytes() + b"Note: \xff\xfe\n")
    tags = bag / "tagmanifest-sha256.txt"
    lines = [line for line in tags.read_text().splitlines(keepends=True) if not line.endswith("bag-info.txt\n")]
    tags.write_text("".join([*lines, f"{sha256(info.read_bytes()).hexdigest()}  bag-info.txt\n"]))
    (bag / "tagmanifest-sha256.txt.sig").write_bytes(forger.sign(tags.read_bytes()))
    assert "bag-info.txt" in told(capfd, bag)
    assert "bag-info.txt" in told(capfd, bag, "--key", str(key))


@pytest.mark.parametrize(
    "change",
    [
        lambda said: said["channels"]["1"].update(unit="Pa"),
        lambda said: said["channels"]["1"]["calibration"].update(due="2037-03-02"),
        lambda said: said["channels"]["2"].update(role="vent_air"),
        lambda said: said["channels"].pop("3"),
        lambda said: said["si_units"].update(vacuum="bar"),
        lambda said: said.update(session="20200101T000000Z-other"),
        lambda said: said.update(format="baytrace-readings-9"),
        lambda said: said.update(more=1),
    ],
)
def test_metadata_of_the_readings_that_differ_from_the_declarations_are_told(bag, forger, capfd, change):
    """Units, calibrations and roles that other programs read from the Parquet file are those the events declare."""
    describe_anew(bag, change)
    assert "data/readings.parquet: its metadata" in told(capfd, forged(bag, forger))


def test_metadata_under_a_name_of_its_own_are_told(bag, forger, capfd):
    """Nothing rides along that no check has seen; the file written anew without a change is as good as before."""
    describe_anew(bag, lambda said: None, {b"pandas": b"{}"})
    assert "say something besides (pandas)" in told(capfd, forged(bag, forger))
    describe_anew(bag, lambda said: None)
    assert judged(capfd, forged(bag, forger))[0] == 0


def test_a_reading_after_the_end_of_the_chain_is_told(bag, forger, capfd):
    """With its number, in the record's count and in the table, but in no link."""
    session = json.loads((bag / "data" / "session.json").read_text())
    last = session["chain"]["last_seq"]
    events = (bag / "data" / "events.jsonl").read_text().splitlines()
    kept = [line for line in events if json.loads(line)["seq"] <= last]
    (bag / "data" / "events.jsonl").write_text("\n".join(kept) + "\n")

    def one_more(columns):
        for name, column in columns.items():
            more = pa.array([last + 1], pa.int64()) if name == "seq" else column[-1:]
            columns[name] = pa.concat_arrays([column, more])

    rewrite(bag, one_more)
    session["readings"] += 1
    session["chain"]["last_seq"] = last
    session["sign_offs"] = []
    (bag / "data" / "session.json").write_text(json.dumps(session))
    run(["verify", str(forged(bag, forger))])
    assert f"number {last + 1} lies beyond the end of the chain" in capfd.readouterr().out


def test_a_bag_forged_without_a_change_verifies(bag, forger, capfd):
    """The forger's tools leave an honest pack honest."""
    rechained(bag)
    assert judged(capfd, forged(bag, forger))[0] == 0


def test_export_and_judge_make_nothing_of_a_forged_pack(bag, forger, capfd, tmp_path):
    """The start of the session without what it needs: exit 4 and a line, as `verify`."""
    path = bag / "data" / "events.jsonl"
    lines = path.read_text().splitlines()
    said = json.loads(lines[0])
    del said["data"]["interpreter"]
    lines[0] = json.dumps(said, sort_keys=True, separators=(",", ":"))
    path.write_text("\n".join(lines) + "\n")
    forged(bag, forger)
    told(capfd, bag)
    assert run(["export", str(bag), "--to", str(tmp_path / "to"), "--format", "csv"]) == 4
    assert "cannot be understood" in capfd.readouterr().err
