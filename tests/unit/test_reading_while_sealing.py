"""Whoever reads a journal slowly while it is written sees every item once, and the chain whole."""

import time

import pytest

from baytrace.journal import sealer
from baytrace.journal.reader import JournalReader
from baytrace.journal.sqlite import open_journal
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Event, Raw


@pytest.fixture
def writing(tmp_path):
    """A journal being written whose commits are still open when a reader begins."""
    with open_journal(tmp_path, clock=SystemClock()) as journal:
        journal.append([], [Event(1, 1, "channel_declared", "", {"version": 1, "channel": {"name": "c"}})]).result()
        write(journal, 300)
        yield journal


def write(journal, count):
    for number in range(count):
        events = [Event(1, 1, "mark", "", {"text": str(number)})] if number % 7 == 0 else []
        journal.append([Raw("c", float(number), 1, 1)] * (1 + number % 3), events).result()


def seal_now(journal, monkeypatch):
    """Everything written so far, and a little more, goes into one block."""
    before = journal.health()["sealed_fraction"]
    monkeypatch.setattr(sealer, "COMMITS", 320)
    write(journal, 60)
    end = time.monotonic() + 60
    while journal.health()["sealed_fraction"] == before:
        assert time.monotonic() < end
        time.sleep(0.3)  # the writer seals when nobody wants it


def numbers(chunks):
    return [seq for chunk in chunks for seq in sorted([*chunk.seq.tolist(), *(event.seq for event in chunk.events)])]


def test_columns_come_once_though_they_are_sealed_meanwhile(writing, tmp_path, monkeypatch):
    """A reader that stopped after a page goes on behind it, also when that page is part of a larger block by then."""
    with JournalReader(tmp_path) as reader:
        slow = reader.columns()
        first = next(slow)
        seal_now(writing, monkeypatch)
        got = numbers([first, *slow])
        assert got == list(range(1, got[-1] + 1))


def test_items_and_links_come_once_too(writing, tmp_path, monkeypatch):
    """The same for items one by one, and for the links of the chain with their digests."""
    with JournalReader(tmp_path) as reader:
        items, links = reader.items(after=5), reader.links()
        got = [next(items) for _ in range(100)]
        told = [next(links) for _ in range(100)]
        seal_now(writing, monkeypatch)
        got += items
        told += links
        assert [item.seq for item in got] == list(range(6, got[-1].seq + 1))
        assert [link.commit for link in told] == list(range(1, told[-1].commit + 1))
        assert told == list(reader.links(1, told[-1].commit))
        assert all(isinstance(item, (Stored, Event)) for item in got)


def test_a_running_journal_verifies_while_it_is_sealed(writing, tmp_path, monkeypatch):
    """Sealing between two pages of a verification is no fault of the journal."""
    whole = JournalReader.pages

    def interrupted(reader):
        pages = whole(reader)
        yield next(pages)
        seal_now(writing, monkeypatch)
        yield from pages

    monkeypatch.setattr(JournalReader, "pages", interrupted)
    report = verify(tmp_path)
    assert report.faults == []
    assert report.commits > 360
