"""Plays a fault plan against the real daemon and compares what was sent with what its journal holds.

A plan is a TOML file: `promise`, `[send]` (what the instruments say meanwhile), `[broker]`, `[daemon]` (faults built in, see
`faulty_daemon`), `[disk]` (`size` of a real one, or what a faulty one does, see `faulty_disk`), `[[step]]` (`at_s`, `do`, and what that action takes) and `[expect]`. Every value sent is a number
of its own, so that a value lost, stored twice or never sent whole shows. What must hold after every plan:
- the chain verifies, and the daemon ended in order;
- of what the broker took (QoS 1), everything is stored once, unless the plan says the broker itself forgets;
- of the lines printed, nothing is stored that was not printed whole, none twice, in order; what is missing was printed in a
  stretch that the record names as a gap, or is the first piece after a port was opened, which may be a fragment: counted.

The plan's seconds stand still while a daemon starts, so that a busy machine plays the same plan; instruments talk on
meanwhile, and the publisher holds back before a broker with its default limits would drop what it queues for a bench away.
"""

import contextlib
import json
import os
import signal
import subprocess
import time
import tomllib
from collections import Counter, deque

import paho.mqtt.client as paho
import pytest

from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.records.vocabulary import Kind
from nursery import NurseryBench
from servers import Mosquitto, Pty

NS = 1_000_000_000
PAD_S = 1.5
"""A gap is known to the bench a little after it began, and its wire is heard a little after it came back."""
MOST_QUEUED = 700
"""Messages published while no daemon takes them: fewer than the 1,000 mosquitto queues for a client that is away."""
PATIENCE_S = 60.0

CONFIG = """
[bench]
name = "bay-1"
elevation_m = 0
journal = "{journal}"
[[instrument]]
name = "gauge"
adapter = "line"
port = "{port}"
period_s = 0.5
[[instrument.channel]]
role = "system_pressure"
unit = "Pa"
field = 0
[[instrument]]
name = "probes"
adapter = "mqtt"
url = "mqtt://127.0.0.1:{broker}"
reconnect_s = 0.5
period_s = 0.5
[[instrument.channel]]
name = "vent"
role = "vent_air"
unit = "K"
topic = "bay/vent"
format = "{format}"
"""


class Lines:
    """An instrument that prints numbered lines on a pseudo-terminal behind a link that survives being unplugged."""

    def __init__(self, folder, a_second):
        self.link = folder / "gauge"
        self.a_second, self.sent, self.stalled = a_second, {}, False
        self._number, self._due = 0, 0.0
        self.plug()

    def plug(self):
        self._pty = Pty()
        spare = self.link.with_suffix(".new")
        spare.symlink_to(self._pty.name)
        spare.replace(self.link)

    def unplug(self):
        self._pty.unplug()

    def babble(self, data):
        if self._pty.master >= 0:
            with contextlib.suppress(OSError):
                os.write(self._pty.master, data)

    @property
    def mute(self):
        return self._pty.master < 0 or self.stalled

    def text(self, number):
        return str(number)

    def step(self, passed_s):
        """Print what `passed_s` brought; a line the wire does not take whole was not printed whole."""
        self._due += passed_s * self.a_second
        while self._due >= 1.0:
            self._due -= 1.0
            self._number += 1
            if self.mute:
                continue
            line = f"{self.text(self._number)}\r\n".encode()
            try:
                taken = os.write(self._pty.master, line)
            except OSError:
                continue
            if taken == len(line):
                self.sent[self._number] = time.time_ns()


class Messages:
    """A publisher of numbered readings, QoS 1, one a message or in SenML packs; `taken` are those the broker confirmed."""

    def __init__(self, port, a_second, pack):
        self.a_second, self.pack = a_second, pack
        self.taken = {}
        self._number, self._due, self._on_way, self._confirmed = 0, 0.0, {}, deque()
        self.published = 0
        "Messages, not readings."
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.max_inflight_messages_set(5000)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = lambda _c, _u, mid, _r, _p: self._confirmed.append((mid, time.time_ns()))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _sort(self):
        """Take note of what was confirmed. The client's own thread only lists it: a lock shared with it could never be free."""
        while self._confirmed:
            mid, time_ns = self._confirmed[0]
            if (numbers := self._on_way.pop(mid, None)) is None:
                return  # confirmed before `publish` came back
            self._confirmed.popleft()
            self.taken.update(dict.fromkeys(numbers, time_ns))

    def step(self, passed_s, *, most=MOST_QUEUED):
        """Publish what `passed_s` brought, at most `most` messages; what is held back is not made up for later."""
        self._due += passed_s * self.a_second
        size = max(self.pack, 1)
        while self._due >= size and most > 0:
            self._due -= size
            most -= 1
            self._publish(range(self._number + 1, self._number + 1 + size))
        self._due = min(self._due, size)

    def last_word(self):
        """One more message; its number. When it is stored, nothing published before is still to come."""
        self._publish(range(self._number + 1, self._number + 2))
        return self._number

    def _publish(self, numbers):
        self._number = numbers[-1]
        now = time.time()
        payload = str(numbers[0])
        if self.pack:
            payload = json.dumps(
                [{"bt": now, "n": "vent", "u": "K", "v": n, "t": i / 1e4} for i, n in enumerate(numbers)]
            )
        self._on_way[self._client.publish("bay/vent", payload, 1).mid] = numbers
        self._sort()
        self.published += 1

    def settle(self, within_s=PATIENCE_S):
        """Until the broker has confirmed everything."""
        end = time.monotonic() + within_s
        while self._on_way and time.monotonic() < end:
            self._sort()
            time.sleep(0.02)

    def finish(self):
        self._client.disconnect()
        self._client.loop_stop()


class Scene:
    """The daemon, its wires and the plan's actions."""

    def __init__(self, nursery, folder, plan):
        self._nursery, self.folder, self.plan = nursery, folder, plan
        send = {"seconds": 5.0, "lines_per_s": 20, "readings_per_s": 100, "pack": 0} | plan.get("send", {})
        self.seconds = send["seconds"]
        self.disk = folder / "disk"
        self.disk.mkdir()
        self._mounted = False
        if size := plan.get("disk", {}).get("size"):
            self._mount(size)
        broker_folder = folder / "broker"
        broker_folder.mkdir()
        self.broker = Mosquitto(broker_folder, persistent=plan.get("broker", {}).get("persistent", False)).start()
        self.lines = Lines(folder, send["lines_per_s"])
        self.daemon = self._daemon(send)
        self.messages = Messages(self.broker.port, send["readings_per_s"], send["pack"])
        self.deaths = 0

    def _daemon(self, send):
        config = CONFIG.format(
            journal=self.disk / "journal",
            port=self.lines.link,
            broker=self.broker.port,
            format="senml" if send["pack"] else "number",
        )
        daemon = NurseryBench(self._nursery, self.folder, config)
        daemon.faults = dict(self.plan.get("daemon", {}))
        done = {step["do"] for step in self.plan.get("step", ())}
        self.clock_file, self.disk_file, self.breaks_file = (self.folder / name for name in ("clock", "does", "breaks"))
        self.clock_file.write_text("0")
        self.breaks_file.write_text("0")
        does = {key: value for key, value in self.plan.get("disk", {}).items() if key != "size"}
        self.disk_file.write_text(json.dumps(does))
        if "set clock" in done:
            daemon.faults["clock_file"] = str(self.clock_file)
        if "break adapter" in done:
            daemon.faults["breaks_file"] = str(self.breaks_file)
        if does or "fail disk" in done:
            daemon.faults["disk_file"] = str(self.disk_file)
        return daemon

    def _mount(self, size):
        command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(self.disk)]
        if os.geteuid() != 0 or subprocess.run(command, check=False, capture_output=True).returncode:
            pytest.skip("needs the right to mount a small file system")
        self._mounted = True

    # ------------------------------------------------------------------ playing

    def play(self):
        self.daemon.start(PATIENCE_S)
        self.daemon.until(
            lambda: all(row["state"] == "up" for row in self.daemon.get("/api/bench")["instruments"]), PATIENCE_S
        )
        self.session = self.daemon.post("/api/sessions", {"title": "fault plan", "plan": {"evacuation": {}}})["id"]
        steps = sorted(self._timed_steps(), key=lambda step: step[0])
        plan_s, before, queued_from = 0.0, time.monotonic(), None
        while plan_s < self.seconds or steps:
            now = time.monotonic()
            passed, before = now - before, now
            self.lines.step(passed)
            room = MOST_QUEUED if queued_from is None else MOST_QUEUED - (self.messages.published - queued_from)
            self.messages.step(passed, most=room)
            if queued_from is None:
                plan_s += passed
            elif self._heard():
                queued_from = None
            while steps and steps[0][0] <= plan_s:
                _, act, keys = steps.pop(0)
                act(**keys)
            if self.daemon.process is None or self.daemon.process.poll() is not None:
                queued_from = self.messages.published
                self._start_again()
            time.sleep(0.005)
        self._settle()

    def _heard(self):
        """Whether the daemon that was started again answers."""
        try:
            return self.daemon.get("/healthz", within_s=0.3)
        except OSError:
            return None

    def _timed_steps(self):
        undo = {
            "unplug": self.plug,
            "stall": self.speak,
            "kill broker": self.start_broker,
            "fill disk": self.free_disk,
            "fail disk": self.fail_disk,
        }
        for step in self.plan.get("step", ()):
            keys = {key: value for key, value in step.items() if key not in ("at_s", "do", "for_s")}
            yield step["at_s"], getattr(self, step["do"].replace(" ", "_")), keys
            if step["do"] in undo:
                yield step["at_s"] + step["for_s"], undo[step["do"]], {}

    def _start_again(self):
        """Without the fault that ended it; instruments talk on while the daemon starts."""
        self.deaths += 1
        self.daemon.log.close()
        self.breaks_file.write_text("0")
        self.daemon.faults = {key: value for key, value in self.daemon.faults.items() if not key.startswith("die")}
        self.daemon.launch()

    def _settle(self):
        """Until everything the broker confirmed and everything printed is stored, or nothing more comes."""
        self.daemon.wait_up(PATIENCE_S)
        self.messages.settle()
        last = self.messages.last_word()
        self.messages.settle()
        end = time.monotonic() + PATIENCE_S
        printed = max(self.lines.sent, default=0)
        with JournalReader(self.disk / "journal") as journal:
            while time.monotonic() < end:
                raws = [item.raw for item in journal.items() if isinstance(item, Stored)]
                if any(raw.channel == "vent" and raw.value == last for raw in raws) and (
                    self.lines.mute or any(raw.channel == "system_pressure" and raw.value == printed for raw in raws)
                ):
                    break
                time.sleep(0.2)
        self.exit = self.daemon.stop(PATIENCE_S)

    def close(self):
        with contextlib.suppress(Exception):
            if self.daemon.process is not None:
                self.daemon.kill()
        self.messages.finish()
        self.lines.unplug()
        self.broker.stop()
        if self._mounted:
            subprocess.run(["umount", "-l", str(self.disk)], check=True)

    # ------------------------------------------------------------------ actions

    def kill_daemon(self):
        self.daemon.process.send_signal(signal.SIGKILL)
        self.daemon.process.wait()

    def unplug(self):
        self.lines.unplug()

    def plug(self):
        self.lines.plug()

    def garbage(self, data):
        self.lines.babble(bytes.fromhex(data))

    def stall(self):
        self.lines.stalled = True

    def speak(self):
        self.lines.stalled = False

    def kill_broker(self):
        self.broker.kill()

    def start_broker(self):
        self.broker.start()

    def set_clock(self, off_s):
        self._tell(self.clock_file, str(int(off_s * NS)))

    def break_adapter(self):
        self._tell(self.breaks_file, str(int(self.breaks_file.read_text()) + 1))

    def fail_disk(self, **does):
        """Without a word of what it does it is sound again."""
        self._tell(self.disk_file, json.dumps(does))

    def _tell(self, file, text):
        whole = file.with_suffix(".new")  # the daemon may be reading what it was told just before
        whole.write_text(text)
        whole.replace(file)
        self.daemon.process.send_signal(signal.SIGUSR1)

    def fill_disk(self):
        with contextlib.suppress(OSError), (self.disk / "ballast").open("wb", buffering=0) as file:
            while file.write(b"x" * 4096):
                pass

    def free_disk(self):
        (self.disk / "ballast").unlink()


class Found:
    """What the journal holds of a scene that was played."""

    def __init__(self, scene):
        self.scene = scene
        self.report = verify(scene.disk / "journal")
        with JournalReader(scene.disk / "journal") as journal:
            items = list(journal.items())
        self.events = [item for item in items if not isinstance(item, Stored)]
        raws = [item.raw for item in items if isinstance(item, Stored)]
        self.lines = [raw for raw in raws if raw.channel == "system_pressure"]
        self.messages = [raw for raw in raws if raw.channel == "vent"]

    def of(self, kind, **data):
        return [one for one in self.events if one.kind == kind and data.items() <= dict(one.data).items()]

    def breaks(self, instrument):
        """The events that say its wire was lost or fell silent."""
        said = self.of(Kind.INSTRUMENT, instrument=instrument)
        return [one for one in said if one.data["state"] in {"lost", "silent"}]

    def outages(self, instrument):
        """Stretches (UTC ns) in which the record says the instrument could not be heard."""
        ups = [one.time_ns for one in self.of(Kind.INSTRUMENT, instrument=instrument, state="up")]

        def back(time_ns):
            return min((up for up in ups if up >= time_ns), default=time.time_ns())

        found = [(one.time_ns, back(one.time_ns)) for one in self.breaks(instrument)]
        found += [(one.data["from_ns"], back(one.data["to_ns"])) for one in self.of(Kind.GAP)]
        return [(begin - int(PAD_S * NS), end + int(PAD_S * NS)) for begin, end in found]

    def unexplained(self, sent, stored, instrument):
        """Numbers sent, not stored, and not within a named outage."""
        outages = self.outages(instrument)
        return [
            number
            for number, time_ns in sent.items()
            if number not in stored and not any(begin <= time_ns <= end for begin, end in outages)
        ]


def check(found, expect):
    """The house rules of this file, then what the plan expects besides."""
    scene = found.scene
    assert found.report.ok, found.report.faults
    assert scene.exit == 0, scene.daemon.said()
    lines = [int(raw.value) for raw in found.lines]
    allowed = set(expect.get("line_values", ()))
    assert set(lines) - allowed <= set(scene.lines.sent), "a value was stored that was not sent whole"
    assert [value for value in lines if value not in allowed] == sorted(set(lines) - allowed)
    left_out = sum(one.data["times"] for one in found.of(Kind.COUNTED, instrument="gauge", what="fragment left out"))
    missing = found.unexplained(scene.lines.sent, set(lines), "gauge")
    assert len(missing) <= left_out, (missing[:5], left_out)
    counted = Counter(int(raw.value) for raw in found.messages)
    assert not [number for number, times in counted.items() if times > 1][:10], "stored twice"
    missing = [number for number in scene.messages.taken if number not in counted]
    if expect.get("broker_forgets"):
        missing = found.unexplained(scene.messages.taken, counted, "probes")
    assert not missing, f"{len(missing)} of {len(scene.messages.taken)} lost, first {missing[:5]}"
    assert len(scene.messages.taken) >= expect.get("least_messages", 50)
    assert len(lines) >= expect.get("least_lines", 20)
    assert scene.deaths == expect.get("deaths", 0)
    for instrument, times in expect.get("outages", {}).items():
        assert len(found.breaks(instrument)) == times, found.breaks(instrument)
    passes = [one for one in found.of(Kind.VERDICT) if one.data["verdict"]["verdict"] == "pass"]
    assert bool(passes) == expect.get("passes", False), passes
    for kind, least in expect.get("events", {}).items():
        assert len(found.of(kind)) >= least, f"{kind}: {len(found.of(kind))}"
    for alarm in expect.get("alarms", ()):
        states = [one.data["state"] for one in found.of(Kind.ALARM, alarm=alarm)]
        assert states, f"alarm {alarm} was never raised: {[dict(one.data) for one in found.of(Kind.ALARM)]}"


def play(nursery, folder, file):
    """Play the plan in `file` and check it; returns what was found for further questions."""
    plan = tomllib.loads(file.read_text(encoding="utf-8"))
    scene = Scene(nursery, folder, plan)
    try:
        scene.play()
        found = Found(scene)
        check(found, plan.get("expect", {}))
    except BaseException:
        print(scene.daemon.said())  # noqa: T201 - shown by pytest with the failure
        raise
    finally:
        scene.close()
    return found
