"""A loop that is truly tight, held before a real daemon on a clock twenty times as fast, while faults befall its gauge and the daemon.

Without a fault it passes; so every pass and every refusal below is the fault's doing. A pass must rest on readings: the longest
silence within the hold, as the journal has it, decides what may be said.
"""

import random
import time
from dataclasses import dataclass
from itertools import pairwise

import pytest

from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.records.playing import Player
from baytrace.records.vocabulary import Kind
from fault_harness import NS, PATIENCE_S, Lines
from gauge_bench import GaugeBench

RATE = 20.0
PUMPED_S, HOLD_S, MAX_GAP_S = 30.0, 300.0, 60.0
"Of the bench's time."
SPARE_S = 20.0
PLAN = {"evacuation": {"volume_l": 2.0, "deep_vacuum_s": 20.0, "hold_s": HOLD_S, "max_gap_s": MAX_GAP_S}}


@dataclass
class Fault:
    """`do` at `at_s` of the hold, for `for_s`; all in the bench's time. `passes`: None where the length of the gap decides."""

    do: str
    at_s: float = 150.0
    for_s: float = 0.0
    passes: bool | None = None


FAULTS = {
    "no fault": Fault("nothing", passes=True),
    "a small gap": Fault("stall", for_s=25.0, passes=True),
    "a large gap in the middle": Fault("stall", for_s=100.0, passes=False),
    "a gauge that falls silent for good": Fault("stall", for_s=1e9, passes=False),
    "a gauge unplugged for a moment": Fault("unplug", for_s=15.0),
    "garbage for a while": Fault("garbage", for_s=40.0, passes=True),
    "kill -9 during the hold": Fault("kill"),
    "kill -9 and a long pause": Fault("kill", for_s=120.0, passes=False),
    "air let in while nobody looked": Fault("stall and let air in", for_s=30.0, passes=False),
}


class Tight(Lines):
    """A gauge on a loop that holds: 20 Pa and the gauge's noise, every value printed once."""

    def __init__(self, folder):
        super().__init__(folder, RATE)
        self._chance = random.Random(3)
        self.level_pa = 20.0
        self.printed = set()

    def text(self, number):
        value = f"{self.level_pa + self._chance.gauss(0.0, 0.03):.7f}"
        self.printed.add(float(value))
        return value


class Scene(GaugeBench):
    def __init__(self, nursery, folder):
        super().__init__(
            nursery, folder, gauge=Tight(folder), more='period_s = 1.0\naccuracy = "10 % of reading"', rate=RATE
        )

    def mark(self, text):
        self.daemon.post(f"/api/sessions/{self.session}/marks", {"text": text})

    def play(self, fault):
        self.start()
        self.session = self.daemon.post("/api/sessions", {"title": "hold", "plan": PLAN})["id"]
        self.talk(5.0)
        self.mark("pump on")
        self.talk(PUMPED_S)
        self.mark("isolated")
        self.talk(fault.at_s)
        getattr(self, fault.do.replace(" ", "_"))(min(fault.for_s, HOLD_S))
        self.talk(HOLD_S + SPARE_S - fault.at_s - min(fault.for_s, HOLD_S - fault.at_s))
        closed = self.daemon.post(f"/api/sessions/{self.session}/close", {})
        assert self.daemon.stop(PATIENCE_S) == 0
        return closed["verdicts"]["evacuation"]

    # ------------------------------------------------------------------ faults

    def nothing(self, for_s):
        self.talk(for_s)

    def stall(self, for_s):
        self.gauge.stalled = True
        self.talk(for_s)
        self.gauge.stalled = for_s >= HOLD_S

    def stall_and_let_air_in(self, for_s):
        self.gauge.level_pa *= 3.0
        self.stall(for_s)

    def unplug(self, for_s):
        self.gauge.unplug()
        self.talk(for_s)
        self.gauge.plug()
        self.daemon.until(self.up, PATIENCE_S)

    def garbage(self, for_s):
        chance, due = random.Random(5), [0.0]

        def babble():
            if time.monotonic() >= due[0]:
                due[0] = time.monotonic() + 0.2
                self.gauge.babble(chance.choice([b"\xff\xfe", b"\x00\x00 12,", b"#", b"Pa", b"\x80\r\n\xfe"]))

        self.talk(for_s, babble)

    def kill(self, for_s):
        self.daemon.kill()
        self.talk(for_s)
        self.daemon.launch()
        self.daemon.wait_up(PATIENCE_S)
        self.daemon.until(self.up, PATIENCE_S)


def silence_s(items):
    """The longest stretch without a reading in the hold, in s of the bench's time."""
    (begun,) = [
        item.time_ns
        for item in items
        if not isinstance(item, Stored) and item.kind == Kind.MARK and item.data["text"] == "isolated"
    ]
    (ended,) = [item.time_ns for item in items if not isinstance(item, Stored) and item.kind == Kind.SESSION_CLOSED]
    times = [
        begun,
        *[item.raw.wall_ns for item in items if isinstance(item, Stored) if item.raw.wall_ns > begun],
        ended,
    ]
    return max(after - before for before, after in pairwise(times)) / NS


@pytest.mark.server
@pytest.mark.slow
@pytest.mark.parametrize("name", FAULTS)
def test_a_tight_hold_under_a_fault(nursery, tmp_path, name):
    """A pass rests on evidence: a small gap passes, a large one never does, whatever made it; nothing is judged that was not sent."""
    fault, scene = FAULTS[name], Scene(nursery, tmp_path)
    try:
        verdict = scene.play(fault)
    finally:
        scene.close()
    report = verify(tmp_path / "journal")
    assert report.ok, report.faults
    with JournalReader(tmp_path / "journal") as journal:
        items = list(journal.items())
    silent_s, said = silence_s(items), (verdict["verdict"], verdict["finding"])
    passes = silent_s <= MAX_GAP_S if fault.passes is None else fault.passes
    assert (said == ("pass", "tight")) is passes, (silent_s, verdict)
    assert said[0] != "pass" or silent_s <= MAX_GAP_S
    values = [item.raw.value for item in items if isinstance(item, Stored)]
    assert set(values) <= scene.gauge.printed, "a value was stored that was not sent whole"
    assert len(values) == len(set(values))
    (started,) = [item for item in items if not isinstance(item, Stored) and item.kind == Kind.SESSION_STARTED]
    player = Player(started)
    for item in items:
        if started.seq < item.seq <= verdict_seq(items):
            player.reading(item) if isinstance(item, Stored) else player.event(item)
    assert player.verdict("evacuation").to_json() == verdict, "a replay says other than was said live"


def verdict_seq(items):
    """The last item the final verdict rests on."""
    finals = [
        item.data["after_seq"]
        for item in items
        if not isinstance(item, Stored) and item.kind == Kind.VERDICT and item.data["final"]
    ]
    return finals[-1]
