"""The kinds of event in a journal and the keys of their data. Adding keys is free; none is renamed or dropped.

A session is the items from its `session_started` to its `session_closed`; both are commits of their own, so a session is a
whole number of commits. `session_started` carries the channels then declared and the interpreter's state, so a session can
be replayed from its own items alone: restore the interpreter, then feed readings and marks by sequence number, advancing
every watch at each `heartbeat`, re-anchoring at a `bench_started` and at an `anchored` `clock_step` (their wall_ns, mono_ns), redeclaring at
`channel_declared`.
Watches are built with the settings in `plan`. A session id is its start as `20261125T093000Z` and a short title slug.

| kind | data |
|---|---|
| bench_started | bench, version, boot, wall_ns (the instant mono_ns means), mono_ns, clock_ns (what the wall clock said), |
|               | elevation_m or null, previous ("clean", "unclean", "first") |
| bench_stopped | why |
| channel_declared | version (int, unique in the journal), channel (measure.channel.Channel.to_json) |
| instrument | instrument, state (opening, up, silent, lost), detail |
| identity | instrument, facts |
| rejected | instrument, why, frame (base64, at most 4 kB), size |
| counted | instrument, what, times (totals since the last such event) |
| gap | channel, from_ns, to_ns, cause |
| stale | channel, since_ns, stale (true, false) |
| clock_step | step_ns (wall minus expected), wall_ns, mono_ns, anchored (true: mono_ns means wall_ns from here on), |
|            | standing (true: no step now, the wall clock differs from the bench's time by step_ns) |
| salvaged | why, kept, readings, events, last_commit, last_seq, holes, rechained_from, channels (journal.salvage) |
| heartbeat | (empty): time passed, and the journal could store it; every few seconds |
| session_started | session, title, vehicle (object), refrigerant, plan ({watch: settings}), people (list), fields (object), |
|                 | job (the shop's own steps and sheet, where it has any), |
|                 | bench, channels ({version: channel}), interpreter (measure.interpret.Interpreter.state) |
| mark | text, who |
| note | text, who |
| ledger | entry, value, unit, who |
| step | step, state (done, skipped), who, note |
| verdict | watch, verdict (judge's document), final (bool), after_seq (the verdict rests on all items up to this one) |
| alarm | alarm (id), name, channel, state, priority, text, value, unit, who, comment |
| session_closed | who, comment, outcome |
| signed_off | who, role, comment |
| undelivered | target, key, of (number of the alarm or verdict), why: a letter that was given up |
"""

from __future__ import annotations

from enum import StrEnum


class Kind(StrEnum):
    BENCH_STARTED = "bench_started"
    BENCH_STOPPED = "bench_stopped"
    CHANNEL_DECLARED = "channel_declared"
    INSTRUMENT = "instrument"
    IDENTITY = "identity"
    REJECTED = "rejected"
    COUNTED = "counted"
    GAP = "gap"
    STALE = "stale"
    CLOCK_STEP = "clock_step"
    SALVAGED = "salvaged"
    HEARTBEAT = "heartbeat"
    SESSION_STARTED = "session_started"
    MARK = "mark"
    NOTE = "note"
    LEDGER = "ledger"
    STEP = "step"
    VERDICT = "verdict"
    ALARM = "alarm"
    SESSION_CLOSED = "session_closed"
    SIGNED_OFF = "signed_off"
    UNDELIVERED = "undelivered"
