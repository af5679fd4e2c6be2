"""Kill -9 at random instants under load: what the broker took must be in the journal, once, and the chain must verify.

    python tests/kill_storm.py --kills 200 --rate 1000 --pack 1

A real daemon hears `--rate` readings a second over a real mosquitto with its default limits (QoS 1), `--pack` a message, and is
killed after a random time of running, again and again; every third kill comes while it starts. For a client that is away
mosquitto keeps 1,000 messages, those on their way at the kill among them, and drops the rest though it confirmed them. So the
publisher holds back once `ROOM` messages are not in the journal yet (as many again may be stored and not acknowledged), and
what the broker itself counts as dropped is a figure of its own: it must be 0 for a storm to show anything.
"""

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import paho.mqtt.client as paho

from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.records.vocabulary import Kind
from fault_harness import PATIENCE_S, Messages
from nursery import Nursery, NurseryBench
from servers import Mosquitto

ROOM = 300

CONFIG = """
[bench]
name = "bay-1"
elevation_m = 0
journal = "journal"
[[instrument]]
name = "probes"
adapter = "mqtt"
url = "mqtt://127.0.0.1:{broker}"
reconnect_s = 0.5
[[instrument.channel]]
name = "vent"
role = "vent_air"
unit = "K"
topic = "bay/vent"
format = "{format}"
"""


class Storm:
    """A daemon, a broker, a publisher, and the kills."""

    def __init__(self, nursery, folder, *, rate, pack, seed):
        self.folder, self._chance = folder, random.Random(seed)
        (folder / "broker").mkdir()
        self.broker = Mosquitto(folder / "broker", lines=["sys_interval 1"]).start()
        self.dropped = Dropped(self.broker.port)
        form = "senml" if pack > 1 else "number"
        self.daemon = NurseryBench(nursery, folder, CONFIG.format(broker=self.broker.port, format=form))
        self.messages = Messages(self.broker.port, rate, pack if pack > 1 else 0)
        self._pack = pack
        self._before = self._looked = time.monotonic()
        self._backlog = 0

    def run(self, kills):
        """What the journal holds afterwards, as a dict of figures."""
        self.daemon.start(PATIENCE_S)
        self.daemon.until(self._up, PATIENCE_S)
        self.daemon.post("/api/sessions", {"title": "storm", "plan": {"evacuation": {}}})
        self._before = time.monotonic()
        for kill in range(kills):
            if kill % 3:
                self._talk(self._chance.uniform(0.0, 0.8))
            else:
                self._talk(self._chance.uniform(0.0, 0.3), heard=False)
            self.daemon.kill()
            self.daemon.launch()
        self._talk(1.0)
        return self._found(kills)

    def _up(self):
        try:
            return self.daemon.get("/api/bench", 0.3)["instruments"][0]["state"] == "up"
        except OSError:
            return False

    def _talk(self, seconds, *, heard=True):
        """Publish for `seconds`; counted from when the daemon hears, or from now."""
        end = None if heard else time.monotonic() + seconds
        gives_up = time.monotonic() + PATIENCE_S
        while end is None or time.monotonic() < end:
            assert time.monotonic() < gives_up, self.daemon.said()
            now = time.monotonic()
            if now - self._looked > 0.02:
                self._looked, self._backlog = now, self.messages.published - self._stored_messages()
            before = self.messages.published
            self.messages.step(now - self._before, most=ROOM - self._backlog)
            self._backlog += self.messages.published - before
            self._before = now
            if end is None and self._up():
                end = time.monotonic() + seconds
            time.sleep(0.002)

    def _stored_messages(self):
        with JournalReader(self.folder / "journal") as journal, journal._reading() as db:
            count = "SELECT (SELECT coalesce(sum(readings), 0) FROM blocks) + (SELECT coalesce(sum(readings), 0) FROM commits)"
            return db.execute(count).get // self._pack

    def _found(self, kills):
        self.messages.settle()
        last = self.messages.last_word()
        self.messages.settle()
        with JournalReader(self.folder / "journal") as journal:
            after = journal.head().last
            self.daemon.until(lambda: last in stored_numbers(journal, after), PATIENCE_S)
        code = self.daemon.stop(PATIENCE_S)
        with JournalReader(self.folder / "journal") as journal:
            items = list(journal.items())
        counted = Counter(int(item.raw.value) for item in items if isinstance(item, Stored))
        report = verify(self.folder / "journal")
        return {
            "kills": kills,
            "published": len(self.messages.taken),
            "stored": sum(counted.values()),
            "dropped by the broker": self.dropped.count(),
            "lost": len(set(self.messages.taken) - set(counted)),
            "twice": sum(times > 1 for times in counted.values()),
            "never sent": len([value for value in counted if not 0 < value <= last]),
            "gaps named": sum(not isinstance(item, Stored) and item.kind == Kind.GAP for item in items),
            "starts": sum(not isinstance(item, Stored) and item.kind == Kind.BENCH_STARTED for item in items),
            "chain": "verifies" if report.ok else str(report.faults[:3]),
            "exit": code,
        }

    def close(self):
        if self.daemon.process is not None and self.daemon.process.poll() is None:
            self.daemon.kill()
        self.messages.finish()
        self.dropped.close()
        self.broker.stop()


class Dropped:
    """What mosquitto says of messages it dropped for want of room."""

    def __init__(self, port):
        self._said = 0
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("$SYS/broker/publish/messages/dropped")
        self._client.loop_start()

    def _hear(self, _client, _userdata, message):
        self._said = int(message.payload)

    def count(self):
        time.sleep(2.5)  # it is told once a second
        return self._said

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


def stored_numbers(journal, after):
    return {int(item.raw.value) for item in journal.items(after=max(0, after - 5000)) if isinstance(item, Stored)}


def storm(nursery, folder, *, kills, rate=1000, pack=1, seed=1):
    """Figures of one storm in `folder`."""
    scene = Storm(nursery, folder, rate=rate, pack=pack, seed=seed)
    try:
        return scene.run(kills)
    finally:
        scene.close()


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--rate", type=float, default=1000.0, help="readings a second")
    parser.add_argument("--pack", type=int, default=1, help="readings a message")
    parser.add_argument("--seed", type=int, default=1)
    wish = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, Nursery() as nursery:
        found = storm(nursery, Path(folder), kills=wish.kills, rate=wish.rate, pack=wish.pack, seed=wish.seed)
    found |= {"readings a second": wish.rate, "a message": wish.pack, "took s": round(time.monotonic() - begun, 1)}
    sys.stdout.write(json.dumps(found, indent=1) + "\n")
    sound = (
        not found["dropped by the broker"]
        and not found["lost"]
        and not found["twice"]
        and not found["never sent"]
        and found["chain"] == "verifies"
    )
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
