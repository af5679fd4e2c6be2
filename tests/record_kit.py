"""A journal in memory and an invented session in it, for tests of the record."""

import math
import random
import zipfile
from concurrent.futures import Future
from hashlib import sha256

from baytrace.journal.chain import GENESIS, Columns, digest_of, encode_payload
from baytrace.journal.store import Link, Receipt, Stored
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Event, Mark, Raw
from baytrace.records import bag as bagging
from baytrace.records.exporting import export_session
from baytrace.records.vocabulary import Kind
from baytrace.watches.follow import Follower

START_NS = 1_795_600_800_000_000_000  # 2026-11-25T10:00:00Z
NS = 1_000_000_000
CHECKS = ["container", "bag", "signature", "chain", "readings", "table", "verdicts"]
"What `verify` looks at, in order."


class MemoryJournal:
    """What `journal.store.Journal` promises, kept in lists."""

    def __init__(self, boot="boot-1"):
        self.boot = boot
        self.kept, self.chain = [], []
        self.versions = {}

    def append(self, readings, events):
        first = len(self.kept) + 1
        for raw in readings:
            self.kept.append(Stored(len(self.kept) + 1, raw, self.versions[raw.channel], self.boot))
        for event in events:
            self.kept.append(event._replace(seq=len(self.kept) + 1))
            if event.kind == Kind.CHANNEL_DECLARED:
                self.versions[event.data["channel"]["name"]] = event.data["version"]
        last = len(self.kept)
        rows = [(self.versions[raw.channel], raw.wall_ns, raw.mono_ns, raw.value, raw.quality) for raw in readings]
        payload = encode_payload(Columns.of(*(zip(*rows, strict=True) if rows else ((),) * 5)), events)
        link = Link(
            len(self.chain) + 1, first, last, events[0].time_ns if events else readings[0].wall_ns, self.boot, ""
        )
        previous = self.chain[-1].digest if self.chain else GENESIS
        self.chain.append(link._replace(digest=digest_of(previous, link, payload)))
        done = Future()
        done.set_result(Receipt(first, last, link.commit, self.chain[-1].digest))
        return done

    def items(self, after=0, until=None):
        yield from self.kept[after:until]

    def events(self, kinds=(), session="", after=0):
        for item in self.kept[after:]:
            if (
                isinstance(item, Event)
                and (not kinds or item.kind in kinds)
                and (not session or item.session == session)
            ):
                yield item

    def links(self, first_commit=1, last_commit=None):
        yield from self.chain[first_commit - 1 : last_commit]

    def head(self):
        return self.chain[-1] if self.chain else None


def channel(name, role, unit, accuracy, instrument, **calibration):
    said = {"calibrated": "2026-03-02", "due": "2027-03-02", "certificate": "C-1207"} | calibration
    return Channel.from_json(
        {"name": name, "role": role, "unit": unit, "accuracy": accuracy, "instrument": instrument, "calibration": said}
    )


CHANNELS = [
    channel("vacuum", "system_pressure", "micron", "10 % of reading + 1 micron", "gauge-7"),
    channel("loop_temp", "system_temperature", "degF", "1 K", "probe-2"),
    channel("low", "low_side", "psi", "0.3 psi", "manifold-1", gain=1.002, offset=-0.1),
    channel("high", "high_side", "kPa", "5 kPa", "manifold-1"),
    channel("vent", "vent_air", "degC", "1 K", "probe-2", due="2027-01-01"),
    channel("baro", "barometer", "hPa", "1 hPa", "weather-1"),
    channel("coil", "coil_resistance", "ohm", "0.5 % of reading + 0.02 ohm", "meter-4"),
    channel("oil", "auxiliary", "degC", "1 K", "probe-2"),
    channel("sump", "auxiliary", "degC", "1 K", "probe-2"),
]
PLAN = {"evacuation": {"volume_l": 2.0, "hold_s": 600, "deep_vacuum_s": 600, "refrigerant": "R134a"}}


class Session:
    """Builds a session as the bench does: durable first, then followed."""

    def __init__(
        self,
        plan=None,
        channels=None,
        title="Blue van, compressor replaced",
        session="20261125T100000Z-blue-van",
        **more,
    ):
        self.journal, self.id = MemoryJournal(), session
        self.channels = channels or CHANNELS
        self.time_ns, self.plan = START_NS, PLAN if plan is None else plan
        self.interpreter = Interpreter(self.channels)
        self.interpreter.anchor(START_NS, 5_000_000)
        self._event(
            Kind.BENCH_STARTED,
            {
                "bench": "bay 3",
                "version": "0",
                "boot": "boot-1",
                "wall_ns": START_NS,
                "mono_ns": 5_000_000,
                "elevation_m": None,
                "previous": "first",
            },
            session="",
        )
        self._event(Kind.IDENTITY, {"instrument": "gauge-7", "facts": {"model": "VG-2", "serial": "0042"}}, session="")
        for version, each in enumerate(self.channels, 1):
            self._event(Kind.CHANNEL_DECLARED, {"version": version, "channel": each.to_json()}, session="")
        data = {
            "session": session,
            "title": title,
            "vehicle": {"plate": "BT 1207", "model": "Van, diesel", "odometer": "84 210 km"},
            "refrigerant": "R134a",
            "label_g": 650.0,
            "plan": self.plan,
            "people": ["M. Example"],
            "fields": {"order": "A-17"},
            "bench": "bay 3",
            "channels": {str(n): each.to_json() for n, each in enumerate(self.channels, 1)},
            "interpreter": self.interpreter.state(),
        } | more
        self.followers = {name: Follower(name, settings, self.channels) for name, settings in self.plan.items()}
        self._event(Kind.SESSION_STARTED, data)
        self.started_seq = len(self.journal.kept)

    def _event(self, kind, data, session=None):
        mono = self.time_ns - START_NS + 5_000_000
        self.journal.append([], [Event(self.time_ns, mono, str(kind), self.id if session is None else session, data)])

    def mono(self):
        return self.time_ns - START_NS + 5_000_000

    def read(self, **values):
        """One commit of readings at the present instant, a few microseconds apart."""
        raws = [
            Raw(name, value, self.time_ns + n * 1000, self.mono() + n * 1000, 0)
            for n, (name, value) in enumerate(values.items())
        ]
        seq = len(self.journal.kept) + 1
        self.journal.append(raws, [])
        for n, raw in enumerate(raws):
            reading = self.interpreter.reading(raw, seq + n)
            for follower in self.followers.values():
                follower.item(reading)

    def mark(self, text, who="M. Example"):
        self._event(Kind.MARK, {"text": text, "who": who})
        for follower in self.followers.values():
            follower.item(Mark(self.time_ns, text, who, len(self.journal.kept)))

    def note(self, kind, **data):
        self._event(kind, data)

    def beat(self):
        self._event(Kind.HEARTBEAT, {})
        for follower in self.followers.values():
            follower.advance(self.time_ns)

    def wait(self, seconds):
        self.time_ns += round(seconds * NS)

    def close(self):
        after = len(self.journal.kept)
        outcomes = set()
        for name, follower in self.followers.items():
            verdict = follower.verdict().to_json()
            outcomes.add(verdict["verdict"])
            self._event(Kind.VERDICT, {"watch": name, "verdict": verdict, "final": True, "after_seq": after})
        outcome = next(each for each in ("fail", "undecided", "pass") if each in outcomes) if outcomes else "pass"
        self._event(Kind.SESSION_CLOSED, {"who": "M. Example", "comment": "", "outcome": outcome})
        return outcome


def vacuum_session(leak_pa_s=0.0, minutes=(14, 11), step_s=2.0, sign_off=True, close=True, **options):
    """Pull-down, deep vacuum, isolation and hold, with gauge noise; the loop leaks at `leak_pa_s`."""
    session = Session(**options)
    noise = random.Random(7)
    session.mark("pump on")
    seconds, micron = 0.0, 0.0
    while seconds < minutes[0] * 60:
        micron = 760_000 * math.exp(-seconds / 18.0) + 150.0
        _sample(session, micron, seconds, noise)
        seconds += step_s
    session.mark("isolated")
    held = 0.0
    while held < minutes[1] * 60:
        _sample(session, micron + leak_pa_s / 0.133322 * held, seconds + held, noise)
        held += step_s
    session.note(Kind.LEDGER, entry="recovered", value=612.0, unit="g", who="M. Example")
    session.note(Kind.LEDGER, entry="oil_drained", value=35.0, unit="mL", who="M. Example")
    session.note(Kind.LEDGER, entry="oil_added", value=40.0, unit="mL", who="M. Example")
    session.note(Kind.NOTE, text="Hose gasket replaced before the pull-down.", who="M. Example")
    if not close:
        return session
    session.close()
    if sign_off:
        session.wait(60)
        session.note(Kind.SIGNED_OFF, who="Q. Sample", role="quality", comment="seen")
    return session


def _sample(session, micron, seconds, noise):
    values = {"vacuum": round(micron * (1 + noise.gauss(0, 0.002)), 1)}
    if seconds % 10 < 2:
        values |= {"loop_temp": 71.3, "baro": 1009.2, "low": -14.2, "high": -98.5}
        session.beat()
    session.read(**values)
    session.wait(2.0)


def hard_session():
    """Everything a report must cope with: long words, many coils, failures, alarms, gaps, restarts, an overdue instrument."""
    long = "Donaudampfschifffahrtselektrizitaetenhauptbetriebswerkbauunterbeamtengesellschaft-lorry"
    channels = [
        *CHANNELS[:-2],
        channel(
            "a_channel_with_a_really_very_long_name_of_its_own",
            "auxiliary",
            "degC",
            "1 °C or 0.75 % of reading",
            long,
            calibrated="2025-01-01",
            due="2026-01-01",
        ),
    ]
    session = vacuum_session(
        leak_pa_s=0.05,
        minutes=(13, 11),
        sign_off=False,
        channels=channels,
        title=f"{long}, compressor and condenser replaced after a long search",
        close=False,
    )
    coils = []
    for n in range(1, 25):
        finding = "within" if n % 5 else "high"
        value = 12.3 + 0.02 * n + (0 if n % 5 else 2.5)
        figure = {"value": value, "low": value - 0.06, "high": value + 0.06, "unit": "ohm", "confidence": 0.95}
        coils.append({"position": n, "finding": finding, "resistance": figure, "at_reference": figure})
    coils.append({"position": 25, "finding": "open"})
    sweep = {
        "watch": "sweep",
        "verdict": "fail",
        "finding": "out of limits",
        "reasons": ["coils 5, 10, 15, 20 are high; coil 25 is open"],
        "evidence": {},
        "coils": coils,
    }
    figure = {"value": 640.0, "low": 630.0, "high": 650.0, "unit": "g", "confidence": 0.95}
    charge = {
        "watch": "charge",
        "verdict": "undecided",
        "finding": "undecided",
        "reasons": ["low side still moving, up to 12 kPa to come, about 3 min more", "superheat 6.2 K at 4.1 °C"],
        "evidence": {
            "charged_mass": figure,
            "superheat": {"value": 6.2, "low": 4.2, "high": 8.2, "unit": "K", "confidence": 0.95},
            "low_side_pressure": {
                "value": 301_000.0,
                "low": 298_000.0,
                "high": 304_000.0,
                "unit": "Pa",
                "confidence": 0.95,
            },
            "vent_temperature": {"value": 6.1, "unit": "degC"},
        },
    }
    for verdict in (sweep, charge):
        session.note(Kind.VERDICT, watch=verdict["watch"], verdict=verdict, final=True, after_seq=session.started_seq)
    for state in ("unacknowledged", "acknowledged", "returned"):
        session.note(
            Kind.ALARM,
            alarm="1",
            name="high side high",
            channel="high",
            state=state,
            priority="high",
            text="high side is 2400 kPa, limit 2200 kPa",
            value=2.4e6,
            unit="Pa",
            who="M. Example",
            comment="fan switched on",
        )
    session.note(
        Kind.GAP, channel="vacuum", from_ns=START_NS, to_ns=START_NS + 95 * NS, cause="cable pulled and put back"
    )
    session.note(Kind.STALE, channel="vacuum", since_ns=1, stale=True)
    session.note(Kind.CLOCK_STEP, step_ns=-3_600_000_000_000, wall_ns=1, mono_ns=1)
    session.note(Kind.STEP, step="seals replaced", state="done", who="M. Example", note="all of them " * 20)
    for n in range(30):
        session.wait(5)
        session.mark(f"coil {n}" if n else f"a mark <b>with</b> & signs, {long}")
        session.read(low=30.0 + n, high=1500.0 - 10 * n, vent=22.0 - n / 3)
    session._event(Kind.SESSION_CLOSED, {"who": "M. Example", "comment": "", "outcome": "fail"})
    return session


_LOOP = {
    "low_side_pressure": (342e3, 9e3, "Pa"),
    "high_side_pressure": (1399e3, 24e3, "Pa"),
    "pressure_ratio": (4.08, 0.12, "1"),
}
_CHARGED = {
    "charged_mass": (556.0, 5.9, "g"),
    "superheat": (11.2, 1.4, "K"),
    "subcooling": (8.5, 1.3, "K"),
    "vent_temperature": (15.26, 0.9, "degC"),
    "vent_depression": (17.6, 1.0, "K"),
}
_COILS = {"bank_median": (12.21, 0.12, "ohm"), "bank_spread": (0.22, 0.05, "ohm")}


def full_session():
    """Four tests that did not pass, with all their figures, a full sheet, and two who signed."""
    session = vacuum_session(leak_pa_s=0.05, minutes=(13, 11), sign_off=False, close=False)
    for watch, finding, figures in (
        ("charge", "not settled", _CHARGED),
        ("pressures", "both high", _LOOP),
        ("sweep", "undecided", _COILS),
    ):
        evidence = {
            name: {"value": value, "low": value - half, "high": value + half, "unit": unit, "confidence": 0.95}
            for name, (value, half, unit) in figures.items()
        }
        reason = "the low side was still moving, up to 12 kPa to come, about 3 min more would have been needed to say"
        verdict = {
            "watch": watch,
            "verdict": "undecided",
            "finding": finding,
            "reasons": [reason],
            "evidence": evidence,
        }
        session.note(Kind.VERDICT, watch=watch, verdict=verdict, final=True, after_seq=session.started_seq)
    for part in ("compressor", "condenser", "receiver_drier", "hose"):
        session.note(Kind.LEDGER, entry=f"replaced_{part}", value=1.0, unit="1", who="M. Example")
    session.note(Kind.LEDGER, entry="charged", value=556.0, unit="g", who="M. Example")
    session.close()
    session.note(Kind.SIGNED_OFF, who="M. Example", role="technician", comment="done by the label")
    session.note(
        Kind.SIGNED_OFF, who="Q. Sample", role="quality", comment="seen, the hold is to be done again after the fitting"
    )
    return session


def forged(bag, key):
    """Digests, manifests and signature made anew over whatever the bag now holds."""
    payload = {
        path.relative_to(bag).as_posix(): sha256(path.read_bytes()).hexdigest() for path in (bag / "data").iterdir()
    }
    (bag / bagging.MANIFEST).write_bytes(bagging._manifest(payload))
    info = (bag / bagging.BAG_INFO).read_text().splitlines()
    info = [line for line in info if not line.startswith("Baytrace-Signed-By")] + [
        f"Baytrace-Signed-By: {key.public.fingerprint}"
    ]
    (bag / bagging.BAG_INFO).write_text("\n".join(info) + "\n")
    (bag / bagging.KEY_FILE).write_text(key.public.pem)
    names = [bagging.BAGIT, bagging.BAG_INFO, bagging.MANIFEST, bagging.KEY_FILE]
    (bag / bagging.TAG_MANIFEST).write_bytes(
        bagging._manifest({name: sha256((bag / name).read_bytes()).hexdigest() for name in names})
    )
    (bag / bagging.SIGNATURE).write_bytes(key.sign((bag / bagging.TAG_MANIFEST).read_bytes()))
    return bag


def packed(session, folder):
    """The session's trace pack, signed with a key of the folder's own."""
    return export_session(session.journal, session.id, folder, "pack", keys=folder / "keys")


def unpacked(pack, to):
    """The bag within a pack, laid open in `to`."""
    with zipfile.ZipFile(pack) as archive:
        archive.extractall(to)
    return next(to.iterdir())
