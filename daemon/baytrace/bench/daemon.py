"""The running bench: every part wired together, started, supervised and ended.

Order of ending: adapters first (nothing new comes in), then what is pending is stored, then the journal is closed.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from functools import partial
from typing import Any

from baytrace import __version__
from baytrace.adapter import LinkState
from baytrace.bench import many
from baytrace.bench.alarms import BenchAlarms
from baytrace.bench.anchoring import OFF_NS, Anchor, find_anchor
from baytrace.bench.checks import FieldChecks
from baytrace.bench.config import BenchConfig, InstrumentPlan
from baytrace.bench.delivered import DeliveredKeys, read_rows
from baytrace.bench.ending import outlive, together
from baytrace.bench.intake import Batch, Intake
from baytrace.bench.live import Live
from baytrace.bench.notify import Notifier
from baytrace.bench.outbox import Outbox
from baytrace.bench.outbox import read_rows as read_letters
from baytrace.bench.outbox_courier import Courier
from baytrace.bench.own_car import whole_plan
from baytrace.bench.session import MOST_TEXT, RunningSession, mark_text, resume, unclosed, unused_id
from baytrace.bench.sink import InstrumentSink
from baytrace.bench.watchdog import BusyDetector, StepDetector, stale_changes
from baytrace.journal.sqlite import SqliteJournal, open_journal
from baytrace.journal.store import Receipt
from baytrace.measure.clock import Clock, SystemClock
from baytrace.measure.faults import NotNow
from baytrace.measure.instant import format_instant
from baytrace.measure.interpret import Interpreter
from baytrace.measure.patience import rest_s
from baytrace.measure.reading import Event, Raw
from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import load
from baytrace.records.vocabulary import Kind
from baytrace.watches.limit_rules import NO_SESSION

log = logging.getLogger(__name__)

HEARTBEAT_S = 5.0
STATUS_REAL_S = 0.5
STATUS_REST = 5.0
"""How many times as long as it took nothing is worked out for people."""


class Bench:
    """Use as `async with Bench.running(config) as bench`."""

    def __init__(self, config: BenchConfig, clock: Clock, journal: SqliteJournal) -> None:
        self.config, self.clock, self.journal = config, clock, journal
        self.name = config.bench.name
        self.interpreter = Interpreter(config.channels, config.bench.elevation_m)
        self.live = Live(config.channels)
        self.session: RunningSession | None = None
        self.versions: dict[str, int] = {}
        self.alarms = BenchAlarms(config, self)
        self.live.followers = self.alarms.engine.followers
        self.checks = FieldChecks()
        self.sinks = {plan.name: InstrumentSink(plan.name, plan.adapter.name, self) for plan in config.instruments}
        self.delivered = DeliveredKeys(journal.change(read_rows).result())
        targets = [name for name in ("mqtt", "webhook") if getattr(config, name) is not None]
        self.outbox = Outbox(journal, self.name, targets, journal.change(read_letters).result())
        self.couriers: list[Courier] = []
        self.intake = Intake(journal, self._deliver, self.alarms.storing_fails, self.delivered, self.outbox.write)
        self.started_ns = clock.wall_ns()
        self.started_mono_ns = clock.mono_ns()
        self.stopping = asyncio.Event()
        self._notifier = Notifier()
        self._steps, self._busy = StepDetector(clock), BusyDetector(clock, HEARTBEAT_S / 5.0)
        self._unsure = False
        """Whether the pause before this start may have been longer than the wall clock said."""
        self._said: dict[str, tuple[str, str]] = {}
        self._session_lock = asyncio.Lock()

    # ------------------------------------------------------------------ life

    @classmethod
    @contextlib.asynccontextmanager
    async def running(cls, config: BenchConfig, clock: Clock | None = None) -> AsyncIterator[Bench]:
        """The bench while it runs. Raises EnvironmentFailed when the journal cannot be opened."""
        clock = clock or SystemClock()
        if any(channel.role in (Role.LOW_SIDE, Role.HIGH_SIDE) for channel in config.channels):
            load()  # later it would hold up the stamps of what comes in
        journal = await asyncio.to_thread(open_journal, config.path(config.bench.journal), clock=clock)
        try:
            bench = cls(config, clock, journal)
            await bench._begin()
            storing = asyncio.create_task(bench.intake.run(), name="intake")
            try:
                async with together({**bench._jobs(), "storing": outlive(storing)}):
                    bench._notifier.ready()
                    yield bench
            finally:
                await bench._end(storing)
        finally:
            await asyncio.to_thread(journal.close)

    async def _begin(self) -> None:
        wall_ns, mono_ns = self.clock.wall_ns(), self.clock.mono_ns()
        self.alarms.restore(self.journal)
        self.checks.restore(self.journal)
        self.live.checked(self.checks.on)
        open_session = unclosed(self.journal)
        previous = self._previous_end()
        if open_session is not None:
            session, interpreter = await asyncio.to_thread(resume, self.journal, open_session)
            self.session = session
            self._adopt(interpreter)
        anchor = Anchor(wall_ns)
        if self.session is not None:
            steady = isinstance(self.clock, SystemClock)
            anchor = find_anchor(self.journal, self.interpreter, wall_ns, mono_ns, steady=steady)
        self._unsure = anchor.unsure
        self.interpreter.anchor(anchor.ns, mono_ns)
        started = {
            "bench": self.name,
            "version": __version__,
            "boot": self.journal.boot,
            "wall_ns": anchor.ns,
            "mono_ns": mono_ns,
            "clock_ns": wall_ns,
            "elevation_m": self.config.bench.elevation_m,
            "previous": previous[0],
        }
        self.record(Kind.BENCH_STARTED, started)
        if self.session is not None and previous[1]:
            gap = {
                "channel": "",
                "from_ns": min(previous[1], anchor.ns),
                "to_ns": anchor.ns,
                "cause": f"the daemon was not running ({previous[0]} end){anchor.pause}",
            }
            self.record(Kind.GAP, gap)
            self._tell_clock()
        self._declare()
        if self.session is None:
            self.alarms.phases((NO_SESSION,))
        await self.intake.drain()

    def _previous_end(self) -> tuple[str, int]:
        """How the last run ended, and when it was last heard of (UTC ns)."""
        head = self.journal.head()
        if head is None:
            return "first", 0
        last = self.journal.last_event((Kind.BENCH_STARTED, Kind.BENCH_STOPPED))
        return ("clean" if last is not None and last.kind == Kind.BENCH_STOPPED else "unclean"), head.wall_ns

    def _adopt(self, interpreter: Interpreter) -> None:
        for channel in self.config.channels:
            interpreter.redeclare(channel)
        self.interpreter = interpreter

    def _declare(self) -> None:
        """Journal every channel whose declaration is new or changed."""
        known: dict[str, tuple[int, Mapping[str, Any]]] = {}
        highest = 0
        for event in self.journal.events(kinds=(Kind.CHANNEL_DECLARED,)):
            known[event.data["channel"]["name"]] = (event.data["version"], event.data["channel"])
            highest = max(highest, event.data["version"])
        for channel in self.config.channels:
            said = channel.to_json()
            if channel.name in known and known[channel.name][1] == said:
                self.versions[channel.name] = known[channel.name][0]
                continue
            highest += 1
            self.versions[channel.name] = highest
            self.record(Kind.CHANNEL_DECLARED, {"version": highest, "channel": said})

    def _jobs(self) -> dict[str, Any]:
        jobs: dict[str, Any] = {
            "heartbeat": self._beat(),
            "status": self._tell(),
        }
        for plan in self.config.instruments:
            jobs[f"instrument {plan.name}"] = self._read(plan)
        return jobs

    async def _end(self, storing: asyncio.Task[None]) -> None:
        self._notifier.stopping()
        for sink in self.sinks.values():
            sink.report_counts()
        self.record(Kind.BENCH_STOPPED, {"why": "asked to stop"})
        self.intake.finish()
        await asyncio.wait([storing], timeout=10.0)
        if not storing.done():
            log.error("%d readings could not be stored before the end", self.intake.waiting)
            storing.cancel()
            await asyncio.wait([storing])

    # ------------------------------------------------------------------ instruments

    async def _read(self, plan: InstrumentPlan) -> None:
        """Keep one adapter running; a fault of ours in it is told, and it is started again."""
        sink = self.sinks[plan.name]
        attempt = 0
        while True:
            try:
                await plan.adapter(plan.name, plan.settings, plan.requests, sink).run()
                sink.link(LinkState.LOST, "the adapter ended")
            except Exception as error:
                log.exception("adapter of %s broke", plan.name)
                sink.count("adapter broke")
                sink.link(LinkState.LOST, f"adapter broke: {type(error).__name__}: {error}")
            await self.clock.sleep(rest_s(attempt))
            # the next one takes what its forerunner handed over for stored, and acknowledges it when it comes again
            await self.intake.settled()
            attempt += 1

    async def take(
        self, instrument: str, samples: Sequence[Raw], committed: Callable[[], None] | None, keys: Sequence[bytes]
    ) -> None:
        await self.intake.put(samples, committed, instrument, keys)

    def remembered(self, instrument: str) -> Sequence[bytes]:
        return self.delivered.of(instrument)

    async def forget(self, instrument: str) -> None:
        told = {"instrument": instrument, "what": "broker session begun", "times": 1}
        await self.intake.forget(instrument, self._event(Kind.COUNTED, told))

    def record(self, kind: str, data: Mapping[str, Any], committed: Callable[[], None] | None = None) -> None:
        """Journal an event without waiting for it."""
        self.intake.event(self._event(kind, data), committed=committed)

    def _event(self, kind: str, data: Mapping[str, Any], session: str | None = None) -> Event:
        mono_ns = self.clock.mono_ns()
        time_ns = self.interpreter.time_ns(self.clock.wall_ns(), mono_ns)
        if session is None:
            session = self.session.id if self.session is not None else ""
        return Event(time_ns, mono_ns, str(kind), session, data)

    def now_ns(self) -> int:
        """The bench's time: steady, in UTC ns."""
        return self.interpreter.time_ns(self.clock.wall_ns(), self.clock.mono_ns())

    @property
    def holding(self) -> bool:
        return bool(self.intake.failing)

    def changed(self) -> None:
        self.live.touch()

    # ------------------------------------------------------------------ what is durable

    async def _deliver(self, batch: Batch, receipt: Receipt) -> None:
        seq = receipt.first
        if len(batch.readings) >= many.MANY:
            for start in range(0, len(batch.readings), many.SLICE):
                many.deliver(self, batch.readings[start : start + many.SLICE], seq + start)
                await asyncio.sleep(0)
        else:
            self._one_by_one(batch.readings, seq)
        seq += len(batch.readings)
        for index, event in enumerate(batch.events):
            self._happened(event._replace(seq=seq + index))
        self.live.seq = receipt.last
        self._notifier.alive()
        self.live.touch()

    def _one_by_one(self, raws: Sequence[Raw], first: int) -> None:
        for seq, raw in enumerate(raws, first):
            reading = self.interpreter.reading(raw, seq)
            self.live.channels[raw.channel].take(reading, raw.value, raw.mono_ns)
            self.alarms.reading(reading, self.interpreter.atmosphere_pa)
            if self.session is not None:
                self.session.reading(reading)

    def _happened(self, event: Event) -> None:
        if event.kind == Kind.SESSION_STARTED:
            self.session = RunningSession.begun(event)
        elif event.kind == Kind.SESSION_CLOSED:
            self.session = None
            self.live.session, self.live.watches = None, []
        elif self.session is not None and event.session == self.session.id:
            if event.kind == Kind.CLOCK_STEP and event.data.get("anchored"):
                self.interpreter.anchor(event.data["wall_ns"], event.data["mono_ns"])
            self.session.event(event)
        if self.checks.hear(event):
            self.live.checked(self.checks.on)
        self.outbox.posted(event, self)

    # ------------------------------------------------------------------ time

    async def _beat(self) -> None:
        beats = 0
        while True:
            await self.clock.sleep(HEARTBEAT_S / 5.0)
            beats += 1
            if late_s := self._busy.look():
                self._kept_waiting(late_s)
            for change in stale_changes(self.live.channels, self.clock, self.started_mono_ns):
                self.record(Kind.STALE, {"channel": change.channel, "since_ns": change.since_ns, "stale": change.stale})
                self.alarms.silent(change.channel, silent=change.stale)
            if step := self._steps.look():
                self._stepped(step)
            self.alarms.advance(self.now_ns())
            self.alarms.journal(self.journal.health())
            self.alarms.delivery(troubled=any(courier.troubled for courier in self.couriers))
            if beats % 5 == 0:
                self.record(Kind.HEARTBEAT, {})
                for sink in self.sinks.values():
                    sink.report_counts()

    def _kept_waiting(self, late_s: float) -> None:
        """The computer, not an instrument, was late: said so where gaps are told."""
        now_ns = self.now_ns()
        cause = f"the computer was too busy to read anything for {late_s:.0f} s"
        self.record(Kind.GAP, {"channel": "", "from_ns": now_ns - int(late_s * 1e9), "to_ns": now_ns, "cause": cause})
        log.warning("%s", cause)

    def _stepped(self, step_ns: int) -> None:
        """The wall clock was set. What is known better now is taken over where that bends nothing: see `anchoring`."""
        wall_ns, mono_ns = self.clock.wall_ns(), self.clock.mono_ns()
        anchored = wall_ns > self.now_ns() and (self.session is None or self._unsure)
        self._unsure = False
        self.record(Kind.CLOCK_STEP, {"step_ns": step_ns, "wall_ns": wall_ns, "mono_ns": mono_ns, "anchored": anchored})
        if anchored and self.session is None:
            self.interpreter.anchor(wall_ns, mono_ns)
        log.warning("the wall clock was set by %+.3f s; spans are not affected", step_ns / 1e9)

    def _tell_clock(self) -> None:
        """Record in the session that the wall clock says other than the bench's own time."""
        wall_ns, mono_ns = self.clock.wall_ns(), self.clock.mono_ns()
        if abs(off := wall_ns - self.now_ns()) > OFF_NS:
            told = {"step_ns": off, "wall_ns": wall_ns, "mono_ns": mono_ns, "standing": True}
            self.record(Kind.CLOCK_STEP, told)

    async def _tell(self) -> None:
        """Work out what the watches say, at a pace people can read; journal each change of a verdict."""
        spent_s = 0.0
        while True:
            # after a day a status takes long: readings come first
            await asyncio.sleep(max(STATUS_REAL_S, STATUS_REST * spent_s))
            begun = time.monotonic()
            if self.session is not None:
                self.tell_watches()
            else:
                self.alarms.phases((NO_SESSION,))
            spent_s = time.monotonic() - begun
            self.live.alarms = self.alarms.to_json()
            self.live.touch()

    def tell_watches(self) -> None:
        session = self.session
        if session is None:
            return
        statuses = [session.status(name) for name in session.plan]
        self.live.watches = statuses
        self.live.session = session.to_json()
        self.alarms.phases({f"{status['watch']}: {status['phase']}" for status in statuses})
        for status in statuses:
            verdict = status["verdict"]
            said = (verdict["verdict"], verdict["finding"])
            if self._said.get(status["watch"], ("undecided", "undecided")) != said:
                self._said[status["watch"]] = said
                self.record(
                    Kind.VERDICT,
                    {"watch": status["watch"], "verdict": verdict, "final": False, "after_seq": session.seq},
                )

    # ------------------------------------------------------------------ sessions

    async def start_session(self, request: Mapping[str, Any]) -> str:
        """Begin a session; its id once it is durable. Raises BadInput."""
        async with self._session_lock:
            if self.session is not None:
                raise NotNow(f"session {self.session.id} is still running", right="close it first")
            known = self.config.quality, self.config.bench.elevation_m
            plan = await asyncio.to_thread(whole_plan, self.journal, request, *known)
            session = await asyncio.to_thread(unused_id, self.journal, self.now_ns(), request.get("title") or "")
            started = partial(self._session_started, session, request, plan)
            # settings that do not fit are refused before anything is recorded; the first time this loads the fluids, for seconds
            await asyncio.to_thread(RunningSession.begun, started())
            self._said = {}
            await self.intake.event_made(started)
            self._tell_clock()
            self.tell_watches()
            return session

    def _session_started(self, session: str, request: Mapping[str, Any], plan: Mapping[str, Any]) -> Event:
        """The event that begins a session now, with all a replay needs."""
        data = {
            "session": session,
            "title": request.get("title") or "",
            "vehicle": request.get("vehicle") or {},
            "refrigerant": request.get("refrigerant") or "",
            "label_g": request.get("label_g"),
            "plan": plan,
            "people": request.get("people") or [],
            "fields": request.get("fields") or {},
            "bench": self.name,
            **({"job": dict(self.config.job)} if self.config.job else {}),
            "channels": {
                str(self.versions[channel.name]): self.checks.on(channel).to_json() for channel in self.config.channels
            },
            "interpreter": self.interpreter.state(),
        }
        return self._event(Kind.SESSION_STARTED, data, session=session)

    async def close_session(self, who: str = "", comment: str = "") -> dict[str, Any]:
        """End the running session: its last verdicts, then its close, each durable. Returns the verdicts by watch."""
        async with self._session_lock:
            session = self._running()
            self.tell_watches()
            verdicts = {name: session.verdict(name).to_json() for name in session.plan}
            for name, verdict in verdicts.items():
                self.record(Kind.VERDICT, {"watch": name, "verdict": verdict, "final": True, "after_seq": session.seq})
            outcomes = {verdict["verdict"] for verdict in verdicts.values()}
            outcome = "fail" if "fail" in outcomes else "undecided" if "undecided" in outcomes else "pass"
            closing = self._event(Kind.SESSION_CLOSED, {"who": who, "comment": comment[:MOST_TEXT], "outcome": outcome})
            await self.intake.event_made(lambda: closing)
            return {"session": session.id, "outcome": outcome, "verdicts": verdicts}

    def _running(self) -> RunningSession:
        if self.session is None:
            raise NotNow("no session is running", right="start one first")
        return self.session

    async def mark(self, text: str, who: str = "") -> int:
        """Record that something happened now; its sequence number once durable. Raises BadInput for what is no text of a mark."""
        return await self.intake.event(self._event(Kind.MARK, {"text": mark_text(text), "who": who[:200]}))

    async def add(self, kind: Kind, data: Mapping[str, Any]) -> int:
        """Record a note, ledger entry, step or sign-off in the running session."""
        self._running()
        return await self.intake.event(self._event(kind, data))

    async def add_to(self, session: str, kind: Kind, data: Mapping[str, Any]) -> int:
        """Record something about a session that may be over already (a sign-off)."""
        return await self.intake.event(self._event(kind, data, session=session))

    # ------------------------------------------------------------------ looking

    def to_json(self) -> dict[str, Any]:
        now = self.clock.mono_ns()
        return {
            "name": self.name,
            "version": __version__,
            "time": format_instant(self.now_ns()),
            "started": format_instant(self.started_ns),
            "uptime_s": round((now - self.started_mono_ns) / 1e9, 1),
            "process": os.getpid(),
            "boot": self.journal.boot,
            "atmosphere_pa": self.interpreter.atmosphere_pa,
            "session": self.session.to_json() if self.session is not None else None,
            "instruments": [sink.to_json() for sink in self.sinks.values()],
            "storing": {
                "waiting": self.intake.waiting,
                "stored": self.intake.readings_stored,
                "retries": self.intake.retries,
                "failing": self.intake.failing,
            },
            "journal": self.journal.health(),
            "delivery": [courier.to_json() for courier in self.couriers],
            "alarms": len(self.alarms.to_json()),
        }

    def channel_list(self) -> list[Mapping[str, Any]]:
        return self.live.channel_list(self.clock.mono_ns(), self.interpreter.atmosphere_pa)

    def frame(self, since_seq: int) -> dict[str, Any]:
        frame = self.live.frame(since_seq, self.clock.mono_ns(), self.interpreter.atmosphere_pa)
        return frame | {
            "time": format_instant(self.now_ns(), 3),
            "instruments": [sink.to_json() for sink in self.sinks.values()],
        }
