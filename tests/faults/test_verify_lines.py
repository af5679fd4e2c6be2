"""Lines, rows and zip entries taken out, doubled or put in another order: `verify` finds each, also with all digests made anew.

The forger here has the format and a key of his own: after each change the manifests, the signature and the seal fit again.
"""

import random
import shutil
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from baytrace.records import signing
from baytrace.records.bag import SEAL_WORDS, seal
from baytrace.records.verifying import verify_pack
from record_kit import forged, packed, unpacked, vacuum_session

LINES = ("data/events.jsonl", "data/chain.csv")


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lines")
    session = vacuum_session(leak_pa_s=0.05, minutes=(3, 2))
    return packed(session, folder)


@pytest.fixture(scope="module")
def whole(pack):
    return unpacked(pack, pack.parent / "whole")


@pytest.fixture
def bag(whole, tmp_path):
    return shutil.copytree(whole, tmp_path / whole.name)


@pytest.fixture
def forger(tmp_path):
    return signing.load_or_make_key(tmp_path / "forger")


def orders(number, dice, many):
    """Orders of `number` things in which something is missing, twice, moved, swapped or cut off, told by name."""
    for _ in range(many):
        order = list(range(number))
        one, other = sorted(dice.sample(range(number), 2))
        kind = dice.choice(["taken out", "doubled", "moved", "swapped", "cut"])
        if kind == "taken out":
            del order[one]
        elif kind == "doubled":
            order.insert(other, order[one])
        elif kind == "moved":
            order.insert(other, order.pop(one))
        elif kind == "swapped":
            order[one], order[other] = order[other], order[one]
        else:
            order = order[: max(1, one)]
        yield f"{kind}: {one}, {other}", order


def test_a_forgers_own_pack_is_otherwise_sound(bag, forger):
    """What the tests below find is their change, not the making anew."""
    assert verify_pack(forged(bag, forger)).good


@pytest.mark.parametrize("name", LINES)
def test_lines_taken_out_doubled_or_moved_are_found(bag, forger, name):
    """Forty changes of the lines of events and of the chain; each is a fault of one line, never a traceback."""
    lines = (bag / name).read_bytes().splitlines(keepends=True)
    for what, order in orders(len(lines), random.Random(11), 40):
        (bag / name).write_bytes(b"".join(lines[n] for n in order))
        report = verify_pack(forged(bag, forger))
        assert not report.good, what
        assert all(check.text and "\n" not in check.text for check in report.faults), what


def test_readings_taken_out_doubled_or_moved_are_found(bag, forger):
    """The same done to the rows of the Parquet file."""
    path = bag / "data" / "readings.parquet"
    table, metadata = pq.read_table(path), pq.read_metadata(path).metadata
    for what, order in orders(table.num_rows, random.Random(12), 25):
        with pq.ParquetWriter(path, table.schema) as writer:
            writer.write_table(table.take(pa.array(order)))
            writer.add_key_value_metadata({"baytrace": metadata[b"baytrace"]})
        assert not verify_pack(forged(bag, forger)).good, what


@pytest.mark.parametrize("name", ["data/readings.csv", "data/readings.csv-metadata.json"])
def test_a_forged_table_is_told_from_the_readings(bag, forger, name):
    """Forty single characters changed in the table or its description, all digests anew: a fault that names the file."""
    dice, text = random.Random(14), (bag / name).read_text(encoding="utf-8")
    digits = [place for place, letter in enumerate(text) if letter.isalnum()]
    for place in dice.sample(digits, 40):
        (bag / name).write_text(
            text[:place] + ("7" if text[place] != "7" else "3") + text[place + 1 :], "utf-8", newline=""
        )
        report = verify_pack(forged(bag, forger))
        assert [check.what for check in report.faults] == ["table"], place
        assert name in report.summary(), place


@pytest.mark.parametrize(
    "name", ["data/readings.csv", "data/events.jsonl", "manifest-sha256.txt", "bag-info.txt", "data/report.html"]
)
def test_lines_moved_in_any_text_are_found_by_their_digest(bag, name):
    """Without a forger: every change of lines of every text file names that file."""
    lines = (bag / name).read_bytes().splitlines(keepends=True)
    for what, order in orders(len(lines), random.Random(13), 15):
        new = b"".join(lines[n] for n in order)
        if new == b"".join(lines):
            continue
        (bag / name).write_bytes(new)
        report = verify_pack(bag)
        assert not report.good, what
        assert any(name in check.text for check in report.faults), what


def rezipped(pack, target, order):
    """The pack's entries, bytes as they are, in another order, and a fresh seal."""
    with zipfile.ZipFile(pack) as source, zipfile.ZipFile(target, "w") as out:
        entries = source.infolist()
        for number in order:
            out.writestr(entries[number].filename, source.read(entries[number]))
        out.comment = SEAL_WORDS + b"0" * 64
    seal(target)
    return target


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_zip_entries_taken_out_or_doubled_are_found(pack, tmp_path):
    """Each entry of the zip left out in turn, and each put in twice, with a seal that fits again."""
    with zipfile.ZipFile(pack) as archive:
        number = len(archive.infolist())
    for entry in range(number):
        less = [n for n in range(number) if n != entry]
        assert not verify_pack(rezipped(pack, tmp_path / "less.zip", less)).good, entry
        assert not verify_pack(rezipped(pack, tmp_path / "twice.zip", [*range(number), entry])).good, entry


def test_zip_entries_in_another_order_are_the_same_pack_only_to_whom_the_seal_is_no_proof(pack, tmp_path):
    """The order of entries carries no meaning: sealed anew it verifies; with the old seal it does not."""
    with zipfile.ZipFile(pack) as archive:
        order = list(range(len(archive.infolist())))[::-1]
    turned = rezipped(pack, tmp_path / "turned.zip", order)
    assert verify_pack(turned).good
    old = pack.read_bytes()[-(len(SEAL_WORDS) + 64) :]
    turned.write_bytes(turned.read_bytes()[: -len(old)] + old)
    assert not verify_pack(turned).good
