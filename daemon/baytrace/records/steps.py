"""The job's steps and where each stands, from one session's events.

Who decides: a watch that passed or failed decides its own step, whatever a person ticked; while it is undecided, or for a
step without a watch, the last thing a person said counts; a step that only asks for entries is done when all are entered.
States: `open`, `done`, `skipped`, `failed` (its watch said so), and `left open` once the session is closed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from baytrace.measure.instant import format_instant
from baytrace.measure.reading import Event
from baytrace.records.job_lists import Car, SheetList, Step, car_of, lists_of
from baytrace.records.sheet import Sheet, fold, units_of
from baytrace.records.vocabulary import Kind

Document = dict[str, Any]


@dataclass(slots=True)
class _Said:
    """The last event of each kind that matters to steps."""

    people: dict[str, Event] = field(default_factory=dict)
    watches: dict[str, Event] = field(default_factory=dict)
    entered: dict[str, Event] = field(default_factory=dict)
    plan: Mapping[str, Any] = field(default_factory=dict)
    closed: bool = False

    def hear(self, event: Event) -> None:
        if event.kind == Kind.SESSION_STARTED:
            self.plan = event.data.get("plan") or {}
        elif event.kind == Kind.STEP:
            self.people[str(event.data.get("step", ""))] = event
        elif event.kind == Kind.VERDICT:
            self.watches[str(event.data.get("watch", ""))] = event
        elif event.kind == Kind.LEDGER:
            self.entered[str(event.data.get("entry", ""))] = event
        elif event.kind == Kind.SESSION_CLOSED:
            self.closed = True


def steps_document(
    events: Sequence[Event], steps: Sequence[Step] | None = None, sheet: SheetList | None = None
) -> list[Document]:
    """Every step in order: `id`, `text`, `caution`, `watch`, `state`, `by` (person, watch, entry or ""), `who`, `when` (RFC
    3339 or ""), `note`, `asks` (entry, text, unit, `units` it may be entered in, and its figure once entered).

    A caution or a step may be meant for some cars only: what is not known of a car leaves both in.

    Steps that people recorded but the list does not have follow at the end: nothing in the journal is hidden.
    """
    own_steps, own_sheet = lists_of(events)
    listed, columns = steps or own_steps, sheet or own_sheet
    said = _Said()
    for event in events:
        said.hear(event)
    figures, car = fold(events, columns), car_of(events)
    shown = [step for step in listed if step.id in said.people or _asked_of(step, said, car)]
    known = {step.id for step in listed}
    extra = [Step.model_construct(id=name, text=name) for name in said.people if name not in known]
    return [_row(step, said, figures, columns, car) for step in (*shown, *extra)]


def _asked_of(step: Step, said: _Said, car: Car) -> bool:
    """Whether this session's plan and car have the step."""
    return (not step.planned or step.watch in said.plan) and step.when.holds(car)


def _row(step: Step, said: _Said, figures: Sheet, columns: SheetList, car: Car) -> Document:
    state, by, event, note = _standing(step, said, figures)
    if state == "open" and said.closed:
        state = "left open"
    return {
        "id": step.id,
        "text": step.text,
        "caution": step.cautioned(car),
        "watch": step.watch,
        "state": state,
        "by": by,
        "who": str(event.data.get("who") or "") if event is not None else "",
        "when": format_instant(event.time_ns) if event is not None else "",
        "note": note,
        "asks": [_ask(name, figures, columns) for name in step.asks if name in columns.known],
    }


def _ask(name: str, figures: Sheet, columns: SheetList) -> Document:
    entry = columns.known[name]
    asked: Document = {"entry": name, "text": entry.text, "unit": entry.unit, "units": units_of(entry.unit)}
    return asked | {"value": figures.values[name]} if name in figures.values else asked


def _standing(step: Step, said: _Said, figures: Sheet) -> tuple[str, str, Event | None, str]:
    """State, who decided, the event it rests on, and the note."""
    person = said.people.get(step.id)
    note = str(person.data.get("note") or "") if person is not None else ""
    watch = said.watches.get(step.watch) if step.watch else None
    if watch is not None:
        state, told = _judged(step, watch.data.get("verdict") or {})
        note = "; ".join(part for part in (told, note) if part)
        if state:
            return state, "watch", watch, note
    if person is not None:
        return str(person.data.get("state", "")), "person", person, note
    if step.asks and not step.watch and all(name in figures.values for name in step.asks):
        stated = [said.entered[name] for name in step.asks if name in said.entered]
        return "done", "entry", max(stated, key=lambda event: event.seq, default=None), note
    return "open", "", None, note


def _judged(step: Step, verdict: Mapping[str, Any]) -> tuple[str, str]:
    """("done", "failed" or "" while it does not decide this step, what the watch said)."""
    outcome, finding = str(verdict.get("verdict", "")), str(verdict.get("finding", ""))
    told = f"{step.watch}: {finding}" if finding else ""
    if finding in step.findings:
        return "done", told
    if step.findings and outcome == "pass":
        return "", told
    return {"pass": "done", "fail": "failed"}.get(outcome, ""), told
