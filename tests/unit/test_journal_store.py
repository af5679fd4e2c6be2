"""The journal keeps what it is given, in order, and gives it back."""

import math
import shutil
import struct

import apsw
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from baytrace.journal.chain import (
    GENESIS,
    Columns,
    decode_payload,
    encode_payload,
    header,
    link_digest,
    verify_links,
)
from baytrace.journal.jobs import NamedColumns
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import backup, open_journal, restore
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.journal.writer import WriterStopped
from baytrace.measure.faults import BadInput, EnvironmentFailed, VerificationFailed
from baytrace.measure.reading import Event, Raw
from journal_kit import CLOCK, START_NS, event, filled, opened, sealed

I64 = st.integers(-(2**63), 2**63 - 1)
BITS = st.integers(0, 2**64 - 1).map(lambda bits: struct.unpack("<d", struct.pack("<Q", bits))[0])
ROW = st.tuples(BITS | st.floats(), I64, I64, st.integers(0, 65535))
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


def bits(value):
    return struct.pack("<d", value)


def test_a_commit_has_the_bytes_and_the_digest_that_were_published():
    """The canonical payload, the header and the digest of a fixed commit never change."""
    columns = Columns.of([1, 2], [10, 20], [1, 2], [1.5, math.inf], [0, 128])
    payload = encode_payload(columns, [Event(30, 3, "mark", "s", {"text": "isolated", "who": "Ä"})])
    assert (
        payload.hex()
        == (
            "0200000001000000"
            "0100000002000000"
            "0a000000000000001400000000000000"
            "01000000000000000200000000000000"
            "000000000000f83f000000000000f07f"
            "00008000"
        )
        + (b'{"data":{"text":"isolated","who":"\\u00c4"},"kind":"mark","mono_ns":3,"session":"s","time_ns":30}\n').hex()
    )
    assert header(1, 1, 3, 40_000_000, "boot-1") == b"baytrace-journal-1 1 1 3 40000000 boot-1\n"
    digest = link_digest(GENESIS, header(1, 1, 3, 40_000_000, "boot-1"), payload)
    assert digest == VECTOR


VECTOR = "07004d78256f11afcacc0fc0cf5d31e21ef1fe778157cda9234992949520aa06"


@given(rows=st.lists(ROW, max_size=20), data=st.dictionaries(st.text(), JSON, max_size=4), session=st.text())
def test_any_reading_and_any_event_come_back_from_a_payload(rows, data, session):
    """Every float by its bits, every integer of 64 bits, every text, in order."""
    values, walls, monos, qualities = zip(*rows, strict=True) if rows else ((), (), (), ())
    columns = Columns.of([7] * len(rows), walls, monos, values, qualities)
    given_event = Event(5, 6, "note", session, data)
    back, events = decode_payload(encode_payload(columns, [given_event]), first=11)
    assert [column.tobytes() for column in back] == [column.tobytes() for column in columns]
    assert events == [given_event._replace(seq=11 + len(rows))]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(groups=st.lists(st.lists(ROW, min_size=1, max_size=6), min_size=1, max_size=8))
def test_any_reading_comes_back_from_the_file(tmp_path_factory, groups):
    """Appended readings are there after reopening, equal by their bits, numbered without a gap, and the chain holds."""
    directory = tmp_path_factory.mktemp("journal")
    with opened(directory, "ohms") as journal:
        futures = [journal.append([Raw("ohms", *row) for row in rows], []) for rows in groups]
        receipts = [future.result(10) for future in futures]
    assert [receipt.last - receipt.first + 1 for receipt in receipts] == [len(rows) for rows in groups]
    with open_journal(directory, clock=CLOCK) as journal:
        items = list(journal.items(after=1))
        assert [item.seq for item in items] == list(range(2, 2 + sum(map(len, groups))))
        kept = [(bits(item.raw.value), *item.raw[2:]) for item in items]
        assert kept == [(bits(row[0]), *row[1:]) for rows in groups for row in rows]
    assert verify(directory).ok


def test_readings_come_before_events_within_a_commit(tmp_path):
    """A commit numbers its readings first, then its events, each in the order given."""
    with opened(tmp_path, "a") as journal:
        receipt = journal.append(
            [Raw("a", 1.0, 1, 1), Raw("a", 2.0, 2, 2)], [event("note", text="x"), event("note", text="y")]
        ).result(10)
        items = list(journal.items(after=1))
    assert (receipt.first, receipt.last) == (2, 5)
    assert [type(item) for item in items] == [Stored, Stored, Event, Event]
    assert [item.data["text"] for item in items[2:]] == ["x", "y"]


def test_an_undeclared_channel_is_refused_and_its_neighbours_are_kept(tmp_path):
    """A reading of an undeclared channel fails its own append alone, with a message that names the channel."""
    with opened(tmp_path, "a") as journal:
        good, bad = journal.append([Raw("a", 1.0, 1, 1)], []), journal.append([Raw("b", 1.0, 1, 1)], [])
        last = journal.append([Raw("a", 2.0, 2, 2)], [])
        with pytest.raises(BadInput, match="'b'"):
            bad.result(10)
        assert last.result(10).first == good.result(10).last + 1


@pytest.mark.parametrize("data", [{"value": math.nan}, {"value": object()}, {"value": {1, 2}}])
def test_data_that_is_no_json_is_refused(tmp_path, data):
    """An event that could not be read back the same is not taken."""
    with opened(tmp_path) as journal, pytest.raises(BadInput, match="no JSON"):
        journal.append([], [Event(1, 1, "note", "", data)]).result(10)


def test_an_empty_append_is_refused(tmp_path):
    """A commit of nothing would have no numbers."""
    with opened(tmp_path) as journal, pytest.raises(BadInput):
        journal.append([], []).result(10)


def test_a_new_declaration_gives_later_readings_a_new_version(tmp_path):
    """Readings keep the version of the declaration that stood when they came."""
    with opened(tmp_path, "a") as journal:
        journal.append([Raw("a", 1.0, 1, 1)], [event("channel_declared", version=2, channel={"name": "a"})]).result(10)
        journal.append([Raw("a", 2.0, 2, 2)], []).result(10)
        assert [stored.version for stored in journal.readings("a", 0, 10)] == [1, 2]
        with pytest.raises(BadInput, match="version 2"):
            journal.append([], [event("channel_declared", version=2, channel={"name": "other"})]).result(10)


def test_columns_are_stored_as_rows_would_be(tmp_path):
    """The quick way in and the plain way in give the same payload."""
    with opened(tmp_path, "a", "b") as journal:
        raws = [Raw("b", 1.0, 10, 1, 3), Raw("a", 2.0, 11, 2, 3)]
        one = journal.append(raws, []).result(10)
        two = journal.append_columns(["a", "b"], [1.0, 2.0], [10, 11], [1, 2], quality=3, place=[1, 0]).result(10)
        assert journal.payload_of(one.commit) == journal.payload_of(two.commit)
        with pytest.raises(BadInput, match="length"):
            journal.append_columns("a", [1.0, 2.0], [1], [1, 2]).result(10)
    assert NamedColumns("a", [1.0], 5, 6).numbered({"a": 9}).version.tolist() == [9]


def test_sealing_changes_nothing_a_reader_sees(tmp_path):
    """Items, ranges, events, payloads and links are the same before and after sealing."""
    with opened(tmp_path, "vacuum", "air") as journal:
        filled(journal, 1500)
        filled(journal, 1500, "air", start=700)

        def seen():
            return (
                list(journal.items()),
                list(journal.readings("air", START_NS + 7_000 * 10**9, START_NS + 9_000 * 10**9)),
                list(journal.events(kinds=["mark"], session="s1", after=500)),
                list(journal.linked_payloads()),
            )

        before = seen()
        assert journal.health()["sealed_fraction"] < 1.0
        filled(sealed(journal), 1, "air")
        assert journal.health()["sealed_fraction"] > 0.5
        after = seen()
        assert after[0][: len(before[0])] == before[0]
        assert [after[i][: len(before[i])] for i in (1, 2, 3)] == list(before[1:4])
        assert len(before[1]) == 2_000
        assert verify_links(GENESIS, journal.linked_payloads()) == journal.head().digest


def test_events_are_found_by_kind_and_session(tmp_path):
    """The filter gives exactly the events a look at all of them would."""
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 40)
        journal.append([], [event("note", "s2", text="other"), event("mark", "s2", text="end")]).result(10)
        every = [item for item in journal.items() if isinstance(item, Event)]
        for kinds, session in (
            ((), ""),
            (("mark",), ""),
            (("mark", "note"), "s2"),
            ((), "s1"),
            (("nothing",), ""),
            ((), "nowhere"),
        ):
            wanted = [e for e in every if (not kinds or e.kind in kinds) and (not session or e.session == session)]
            assert list(journal.events(kinds, session)) == wanted


def test_items_between_two_numbers(tmp_path):
    """`after < seq <= until`, wherever the bounds fall."""
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 60)
        every = list(journal.items())
        for after, until in ((0, 0), (0, 1), (7, 30), (31, 31), (100, 5000), (len(every), None)):
            assert list(journal.items(after, until)) == every[after:until]


def test_a_range_beyond_every_calendar_is_the_whole_journal(tmp_path):
    """Instants that no 64 bits hold end at what can be held, not with an error of the database."""
    journal = opened(tmp_path, "vacuum")
    filled(journal, 2)
    assert len(list(journal.readings("vacuum", -(1 << 70), 1 << 70))) == 16
    journal.close()


def test_links_follow_each_other_and_a_forged_one_does_not(tmp_path):
    """Anyone can check links with payloads from any known digest on; a change of one bit is named by its commit."""
    with opened(tmp_path, "vacuum") as journal:
        filled(journal, 30)
        pairs = list(journal.linked_payloads(10, 20))
        assert [link.commit for link, _ in pairs] == list(range(10, 21))
        assert verify_links(journal.digest_before(10), pairs) == pairs[-1][0].digest
        link, payload = pairs[4]
        pairs[4] = (link, payload[:-1] + bytes([payload[-1] ^ 1]))
        with pytest.raises(VerificationFailed, match="commit 14"):
            verify_links(journal.digest_before(10), pairs)


def test_a_second_daemon_is_refused_with_the_number_of_the_first(tmp_path):
    """One daemon a journal; the message names the process to stop."""
    import os

    with opened(tmp_path), pytest.raises(EnvironmentFailed, match=f"process {os.getpid()}"):
        open_journal(tmp_path, clock=CLOCK)
    open_journal(tmp_path, clock=CLOCK).close()


def test_a_reader_beside_the_writer_sees_what_is_durable(tmp_path):
    """Another connection reads while the daemon writes, and there must be a journal to read."""
    with pytest.raises(EnvironmentFailed):
        JournalReader(tmp_path / "none")
    with opened(tmp_path, "vacuum") as journal, JournalReader(tmp_path) as reader:
        made = filled(journal, 5)
        assert [item.raw for item in reader.items() if isinstance(item, Stored)] == made
        assert reader.head() == journal.head()
        assert verify(tmp_path).head == journal.head()


def test_a_stretch_of_another_boot_keeps_its_boot(tmp_path):
    """Readings say in which run of the daemon they came, also when sealed."""
    for boot in ("first", "second"):
        with opened(tmp_path, "vacuum", boot=boot) as journal:
            filled(journal, 4200, a_commit=1)
            sealed(journal)
    with opened(tmp_path) as journal:
        boots = [item.boot for item in journal.items() if isinstance(item, Stored)]
    assert boots == ["first"] * 4200 + ["second"] * 4200
    assert verify(tmp_path).ok


def test_state_outside_the_chain_is_kept(tmp_path):
    """Small state is durable, replaced in place, and leaves the chain alone."""
    with opened(tmp_path) as journal:
        journal.state_set("cursor", b"1").result(10)
        journal.state_set("cursor", b"2").result(10)
        journal.state_set("gone", b"x").result(10)
        journal.state_set("gone", None).result(10)
    with opened(tmp_path) as journal:
        assert (journal.state_get("cursor"), journal.state_get("gone")) == (b"2", None)
        assert journal.head() is None


def test_a_closed_journal_takes_nothing(tmp_path):
    """After `close` an append fails at once instead of waiting for ever."""
    journal = opened(tmp_path, "a")
    journal.close()
    journal.close()
    with pytest.raises(WriterStopped):
        journal.append([Raw("a", 1.0, 1, 1)], [])


def test_a_backup_taken_under_load_verifies_and_can_be_restored(tmp_path):
    """A backup is a whole number of commits; restored elsewhere it goes on; neither writes over anything."""
    with opened(tmp_path / "a", "vacuum") as journal:
        filled(journal, 2500)
        futures = [journal.append([Raw("vacuum", float(i), START_NS, i)], []) for i in range(200)]
        journal.backup(tmp_path / "b")
        futures[-1].result(10)
        with pytest.raises(EnvironmentFailed, match="exists"):
            backup(tmp_path / "a", tmp_path / "b")
    kept = verify(tmp_path / "b")
    assert kept.ok
    assert kept.commits >= 2501
    restore(tmp_path / "b", tmp_path / "c")
    with pytest.raises(EnvironmentFailed, match="exists"):
        restore(tmp_path / "b", tmp_path / "c")
    with opened(tmp_path / "c") as journal:
        assert journal.head() == kept.head
        assert journal.append([Raw("vacuum", 1.0, 1, 1)], []).result(10).commit == kept.commits + 1


def test_a_copied_folder_is_restored_with_its_log(tmp_path):
    """Who copies a journal's folder instead of making a backup has its newest commits in the log beside the file: none is lost."""
    with opened(tmp_path / "a", "vacuum") as journal:
        filled(journal, 30)
        shutil.copytree(tmp_path / "a", tmp_path / "copy")
    kept = verify(tmp_path / "copy")
    restore(tmp_path / "copy", tmp_path / "b")
    assert verify(tmp_path / "b").head == kept.head
    assert kept.readings == 240


@pytest.mark.parametrize("made", ["", "CREATE TABLE t(a)"])
def test_a_backup_of_what_is_no_journal_is_refused(tmp_path, made):
    """An empty file or another program's database is never called a backup of a journal."""
    apsw.Connection(str(tmp_path / "journal.sqlite")).execute(f"VACUUM; {made}").fetchall()
    with pytest.raises(EnvironmentFailed, match=r"no journal|another program"):
        backup(tmp_path, tmp_path / "b")
    assert not (tmp_path / "b" / "journal.sqlite").exists()


def test_nothing_is_called_stored_that_nobody_will_find(tmp_path):
    """A journal moved or deleted under the running daemon takes nothing; put back, it goes on where it was."""
    with opened(tmp_path / "a", "vacuum") as journal:
        filled(journal, 3)
        (tmp_path / "a").rename(tmp_path / "elsewhere")
        for _ in range(3):
            with pytest.raises(EnvironmentFailed, match=r"moved or deleted|cannot be opened"):
                journal.append([Raw("vacuum", 1.0, START_NS, 1)], []).result(10)
        assert not journal.health()["storing"]
        (tmp_path / "elsewhere").rename(tmp_path / "a")
        journal.append([Raw("vacuum", 1.0, START_NS, 1)], []).result(10)
        assert journal.health()["storing"]
    kept = verify(tmp_path / "a")
    assert kept.ok
    assert kept.readings == 25
