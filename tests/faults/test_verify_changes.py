"""Whatever is done to a pack, `verify` says so: bytes, cuts, additions, and forgeries with a key of one's own."""

import json
import random
import shutil

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from baytrace.journal.chain import Columns, digest_of, encode_payload
from baytrace.records import signing
from baytrace.records.event_lines import event_text, read_events
from baytrace.records.exporting import export_session
from baytrace.records.readings_file import read_rows
from baytrace.records.verifying import verify_pack
from record_kit import forged, unpacked, vacuum_session


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("verify")
    session = vacuum_session(leak_pa_s=0.05, minutes=(11, 10))
    return export_session(session.journal, session.id, folder, "pack", keys=folder / "keys")


def changed(tmp_path, data):
    file = tmp_path / "changed.zip"
    file.write_bytes(data)
    return verify_pack(file)


def some_changes(data, number, seed):
    """Random one-byte changes, deletions, insertions, cuts and reorders, told apart by name."""
    dice = random.Random(seed)
    for _ in range(number):
        at = dice.randrange(len(data))
        kind = dice.choice(["byte", "byte", "byte", "bit", "deletion", "insertion", "cut", "reorder"])
        match kind:
            case "byte":
                new = data[:at] + bytes([(data[at] + dice.randrange(1, 256)) % 256]) + data[at + 1 :]
            case "bit":
                new = data[:at] + bytes([data[at] ^ (1 << dice.randrange(8))]) + data[at + 1 :]
            case "deletion":
                new = data[:at] + data[at + 1 :]
            case "insertion":
                new = data[:at] + bytes([dice.randrange(256)]) + data[at:]
            case "cut":
                new = data[:at]
            case _:
                other = dice.randrange(len(data))
                low, high = sorted((at, other))
                middle = (low + high) // 2
                new = data[:low] + data[middle:high] + data[low:middle] + data[high:]
        if new != data:
            yield f"{kind} at {at}", new


def test_a_hundred_random_changes_are_all_found(pack, tmp_path):
    """None verifies, none brings it down, and each fault is one line."""
    for name, data in some_changes(pack.read_bytes(), 100, 1):
        report = changed(tmp_path, data)
        assert not report.good, name
        assert all(check.text and "\n" not in check.text for check in report.faults), name


@pytest.mark.slow
def test_a_thousand_random_changes_are_all_found(pack, tmp_path):
    """As above, many more."""
    for name, data in some_changes(pack.read_bytes(), 1000, 2):
        assert not changed(tmp_path, data).good, name


def test_every_byte_of_the_zips_own_structure_counts(pack, tmp_path):
    """The directory at the end, its comment, and the head of the first entry: each single byte."""
    data = pack.read_bytes()
    structure = data.rindex(b"PK\x05\x06")
    for at in [*range(64), *range(structure - 40, len(data))]:
        assert not changed(tmp_path, data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]).good, at


def test_a_changed_file_is_named(pack, tmp_path):
    """In an unpacked pack, one changed byte in any file names that file; a missing or added file is named too."""
    for name in [
        "data/readings.csv",
        "data/events.jsonl",
        "data/report.pdf",
        "bag-info.txt",
        "manifest-sha256.txt",
        "signing-key.pem",
    ]:
        bag = unpacked(pack, tmp_path / name.replace("/", "-"))
        content = bytearray((bag / name).read_bytes())
        content[len(content) // 2] ^= 4
        (bag / name).write_bytes(content)
        assert name in verify_pack(bag).summary()
    bag = unpacked(pack, tmp_path / "missing")
    (bag / "data" / "chain.csv").unlink()
    assert "data/chain.csv is missing" in verify_pack(bag).summary()
    bag = unpacked(pack, tmp_path / "added")
    (bag / "data" / "more.txt").write_text("more")
    assert "data/more.txt is in no manifest" in verify_pack(bag).summary()


@pytest.mark.parametrize("name", ["tagmanifest-sha256.txt.sig", "signing-key.pem"])
def test_a_signature_cannot_be_taken_away(pack, tmp_path, name):
    """The pack says by whom it is signed; without the signature or its key it does not verify."""
    bag = unpacked(pack, tmp_path)
    (bag / name).unlink()
    report = verify_pack(bag)
    assert not report.good
    assert "missing" in report.summary()


@pytest.fixture
def forger(tmp_path):
    return signing.load_or_make_key(tmp_path / "forger")


def rewrite(bag, change):
    """The readings with `change(columns)` done to them."""
    path = bag / "data" / "readings.parquet"
    file = pq.read_table(path)
    columns = {name: file.column(name).combine_chunks() for name in file.schema.names}
    change(columns)
    pq.write_table(pa.Table.from_arrays(list(columns.values()), schema=file.schema), path)


def test_a_forged_reading_breaks_the_chain(pack, tmp_path, forger):
    """All digests and the signature made anew: the chain, the SI value and the verdict still tell, and the key is unknown."""
    bag = unpacked(pack, tmp_path / "bag")

    def lower(columns):
        values = columns["value"].to_pylist()
        values[-20] = values[-20] * 0.5
        columns["value"] = pa.array(values, pa.float64())

    rewrite(bag, lower)
    report = verify_pack(forged(bag, forger))
    assert report.signature == "unknown"
    assert {"chain", "readings"} <= {check.what for check in report.faults}
    assert any("does not hold" in check.text for check in report.faults)


def test_a_reading_left_out_is_missed(pack, tmp_path, forger):
    """By its number."""
    bag = unpacked(pack, tmp_path / "bag")
    gone = []

    def drop(columns):
        gone.append(columns["seq"][100].as_py())
        for name, column in columns.items():
            columns[name] = pa.concat_arrays([column[:100], column[101:]])

    rewrite(bag, drop)
    faults = [check.text for check in verify_pack(forged(bag, forger)).faults]
    assert f"number {gone[0]} is missing" in faults


def rewrite_events(bag, change):
    path = bag / "data" / "events.jsonl"
    events = [change(event) for event in read_events(path)]
    path.write_text("".join(event_text(event) + "\n" for event in events if event is not None))


def test_a_forged_verdict_is_told_by_what_differs(pack, tmp_path, forger):
    """Even with the chain worked out anew, the watch says what it said: finding and evidence are compared."""
    bag = unpacked(pack, tmp_path / "bag")

    def better(event):
        if event.kind != "verdict":
            return event
        verdict = event.data["verdict"] | {"verdict": "pass", "finding": "tight"}
        evidence = dict(verdict["evidence"])
        evidence["rise_rate"] = evidence["rise_rate"] | {"value": 0.001}
        return event._replace(data=dict(event.data) | {"verdict": verdict | {"evidence": evidence}})

    rewrite_events(bag, better)
    rechain(bag)
    faults = [check.text for check in verify_pack(forged(bag, forger)).faults]
    assert any('finding was "tight", is "leak" now' in text for text in faults)
    assert any("evidence.rise_rate.value was 0.001" in text and "(by " in text for text in faults)
    assert not any("link" in text for text in faults)


def rechain(bag):
    """Work out the chain again, as someone who knows the program could."""
    rows = [row.stored for row in read_rows(bag / "data" / "readings.parquet")]
    events = list(read_events(bag / "data" / "events.jsonl"))
    session = json.loads((bag / "data" / "session.json").read_text())
    lines = (bag / "data" / "chain.csv").read_text().splitlines()
    previous, out = session["chain"]["previous"], [lines[0]]
    from baytrace.journal.store import Link

    for line in lines[1:]:
        commit, first, last, wall, boot, _ = line.split(",")
        link = Link(int(commit), int(first), int(last), int(wall), boot, "")
        mine = [row for row in rows if link.first <= row.seq <= link.last]
        said = [event for event in events if link.first <= event.seq <= link.last]
        cells = [(row.version, row.raw.wall_ns, row.raw.mono_ns, row.raw.value, row.raw.quality) for row in mine]
        payload = encode_payload(Columns.of(*(zip(*cells, strict=True) if cells else ((),) * 5)), said)
        previous = digest_of(previous, link, payload)
        out.append(f"{commit},{first},{last},{wall},{boot},{previous}")
    (bag / "data" / "chain.csv").write_text("\n".join(out) + "\n")
    session["chain"]["head"] = previous
    (bag / "data" / "session.json").write_text(json.dumps(session))


def test_the_end_cannot_be_cut_off(pack, tmp_path, forger):
    """Items after the middle left out, chain and all: session.json says where the chain ends."""
    bag = unpacked(pack, tmp_path / "bag")
    lines = (bag / "data" / "chain.csv").read_text().splitlines()
    last = int(lines[len(lines) // 2].split(",")[2])
    (bag / "data" / "chain.csv").write_text("\n".join(lines[: len(lines) // 2 + 1]) + "\n")
    rewrite_events(bag, lambda event: event if event.seq <= last else None)

    def cut(columns):
        keep = sum(1 for seq in columns["seq"].to_pylist() if seq <= last)
        for name, column in columns.items():
            columns[name] = column[:keep]

    rewrite(bag, cut)
    report = verify_pack(forged(bag, forger))
    assert any("not where session.json says" in check.text for check in report.faults)


@pytest.mark.parametrize("name", ["session.json", "events.jsonl", "readings.parquet", "chain.csv"])
def test_files_that_are_not_ours_are_told(pack, tmp_path, forger, name):
    """Signed rubbish is still rubbish: a fault, never a traceback."""
    for content in [b"", b"{}", b"\x00\xff" * 99, b"[1,2]\n"]:
        bag = unpacked(pack, tmp_path / "bag")
        (bag / "data" / name).write_bytes(content)
        report = verify_pack(forged(bag, forger))
        assert not report.good
        assert name in report.summary() or "chain" in report.summary()
        shutil.rmtree(tmp_path / "bag")
