"""Keys of stored messages: kept with their readings, across restarts, and no more of them than needed."""

from baytrace.bench.delivered import KEY, MOST_KEPT, ROW, DeliveredKeys, read_rows
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Raw
from journal_kit import opened


def keys(first, count):
    return [number.to_bytes(KEY, "big") for number in range(first, first + count)]


def test_keys_come_back_after_a_restart_in_order(tmp_path):
    """What was kept with stored readings is there for the next run, oldest first, by instrument."""
    with opened(tmp_path, "vent") as journal:
        kept = DeliveredKeys(journal.change(read_rows).result(10))
        for turn in range(5):
            write = kept.keep({"probes": keys(turn * 300, 300), "other/one": keys(turn, 1)})
            journal.append([Raw("vent", 1.0, 1, 1)], [], also=write).result(10)
    with opened(tmp_path) as journal:
        again = DeliveredKeys(journal.change(read_rows).result(10))
        assert again.of("probes") == keys(0, 1500)
        assert again.of("other/one") == keys(0, 5)
        assert again.of("nobody") == []


def test_keys_of_readings_that_were_refused_are_not_kept(tmp_path):
    """Readings and keys go to disk together or not at all."""
    with opened(tmp_path, "vent") as journal:
        write = DeliveredKeys().keep({"probes": keys(0, 3)})
        error = journal.append([Raw("unknown", 1.0, 1, 1)], [], also=write).exception(10)
        assert isinstance(error, BadInput)
        assert journal.change(read_rows).result(10) == []


def test_old_keys_are_dropped(tmp_path):
    """The memory is bounded, on disk too, and holds the newest."""
    with opened(tmp_path, "vent") as journal:
        kept = DeliveredKeys()
        total = MOST_KEPT + 5 * ROW
        for first in range(0, total, 5000):
            count = min(5000, total - first)
            journal.append([Raw("vent", 1.0, 1, 1)], [], also=kept.keep({"probes": keys(first, count)})).result(10)
        rows = journal.change(read_rows).result(10)
        assert sum(len(row) // KEY for _, row in rows) <= MOST_KEPT + 2 * ROW
        assert DeliveredKeys(rows).of("probes") == keys(total - MOST_KEPT, MOST_KEPT)


def test_a_new_session_drops_what_stood_under_identifiers(tmp_path):
    """On disk as in memory: after the broker counts anew only keys of messages with their own time are left."""
    packets = [bytes([1, 1]) + bytes(7) + bytes([i]) for i in range(5)]
    lasting = keys(1, 700)
    with opened(tmp_path, "vent") as journal:
        kept = DeliveredKeys()
        journal.append(
            [Raw("vent", 1.0, 1, 1)], [], also=kept.keep({"probes": packets + lasting, "b": packets})
        ).result(10)
        write = kept.keep({"probes": packets[:1]}, forget=["probes", "never heard"])
        journal.append([Raw("vent", 1.0, 1, 1)], [], also=write).result(10)
        again = DeliveredKeys(journal.change(read_rows).result(10))
        for one in (kept, again):
            assert one.of("probes") == lasting + packets[:1]
            assert one.of("b") == packets
            assert one.of("never heard") == []
