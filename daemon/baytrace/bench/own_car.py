"""What a session's plan gets from the bench and from this car's earlier sessions, so that its record stands on its own.

- `[quality] running_reference` of bench.toml goes into every watch that has such a setting, whatever the request says.
- A watch that can judge by an earlier run of the car (`own_run`) is given one: of the session that `like` names, else of the
  newest closed session of the same vehicle and refrigerant whose pressures, and charge where it was followed, passed.
- A vehicle is known by its `number`, `plate` or `vin`; case, blanks and hyphens do not count. Without any of them nothing is found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from baytrace.bench.config_sections import QualitySection
from baytrace.bench.session import complete_plan
from baytrace.journal.reader import JournalReader
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import utc_day
from baytrace.measure.reading import Event
from baytrace.physics.fluid_names import resolve
from baytrace.records.vocabulary import Kind
from baytrace.watches.watch import watch_named

NONE = "none"
"""In place of a session: no earlier run is looked for."""
_KNOWN_BY = ("vin", "number", "plate")
_JUDGES_RUNNING = ("pressures", "charge")


def whole_plan(
    journal: JournalReader, request: Mapping[str, Any], quality: QualitySection, elevation_m: float | None = None
) -> dict[str, dict[str, Any]]:
    """The plan of a session that is asked for, complete. Raises BadInput for an unknown watch or a session that is no reference."""
    refrigerant = request.get("refrigerant") or ""
    plan = complete_plan(request.get("plan") or {}, refrigerant, request.get("label_g"), elevation_m)
    run: dict[str, Any] | None = None
    looked = False
    for name, settings in plan.items():
        fields = watch_named(name).Settings.model_fields
        if "reference" in fields and quality.running_reference:
            settings["reference"] = quality.running_reference
        if "own_run" in fields and settings.get("own_run") is None:
            if not looked:
                run, looked = earlier_run(journal, request), True
            if run is not None:
                settings["own_run"] = run
    return plan


def earlier_run(journal: JournalReader, request: Mapping[str, Any]) -> dict[str, Any] | None:
    """Figures of an earlier run of this car as a setting holds them; None where there is none. Raises BadInput for a bad `like`."""
    like = str(request.get("like") or "")
    if like == NONE:
        return None
    if like:
        return _named(journal, like, request)
    vehicle = known_by(request.get("vehicle") or {})
    if not vehicle:
        return None
    for started in reversed(list(journal.events((Kind.SESSION_STARTED,)))):
        if vehicle & known_by(started.data.get("vehicle") or {}):
            verdicts = _final(journal, started.session)
            run = verdicts.get("pressures", {}).get("own_run")
            judged = [verdicts[name]["verdict"] for name in _JUDGES_RUNNING if name in verdicts]
            if run is not None and set(judged) == {"pass"} and _fits(run, request):
                return _reference(started, run, "its running loop passed")
    return None


def _named(journal: JournalReader, like: str, request: Mapping[str, Any]) -> dict[str, Any]:
    started = journal.last_event((Kind.SESSION_STARTED,), like)
    if started is None:
        raise BadInput(f"there is no session {like!r}", where="like", right="GET /api/sessions lists them")
    verdicts = _final(journal, like)
    said = verdicts.get("pressures", {})
    if not verdicts:
        raise BadInput(f"session {like!r} has not been closed", where="like", right="name a session that is over")
    if "own_run" not in said or said["verdict"] == "fail":
        why = "its pressures failed" if said.get("verdict") == "fail" else "no settled running loop is on its record"
        raise BadInput(f"session {like!r} is no reference: {why}", where="like", right="name one that ran sound")
    if not _fits(said["own_run"], request):
        ran = said["own_run"]["refrigerant"]
        raise BadInput(f"session {like!r} ran with {ran}", where="like", right="name one with the same refrigerant")
    mine, other = (known_by(each.get("vehicle") or {}) for each in (request, started.data))
    if mine and other and not mine & other:
        raise BadInput(f"session {like!r} was of another vehicle", where="like", right="name one of this vehicle")
    return _reference(
        started, said["own_run"], f"named as sound when this session began; its pressures were {said['verdict']}"
    )


def known_by(vehicle: Mapping[str, Any]) -> set[str]:
    """What a vehicle is told from others by, without case, blanks and signs."""
    plain = ("".join(sign for sign in str(vehicle.get(key, "")).casefold() if sign.isalnum()) for key in _KNOWN_BY)
    return {each for each in plain if each}


def _final(journal: JournalReader, session: str) -> dict[str, Mapping[str, Any]]:
    """Final verdicts by watch; empty while the session is open."""
    said: Iterator[Event] = journal.events((Kind.VERDICT,), session)
    return {event.data["watch"]: event.data["verdict"] for event in said if event.data.get("final")}


def _fits(run: Mapping[str, Any], request: Mapping[str, Any]) -> bool:
    """Whether the earlier run was with the refrigerant that is asked for; one that is not named is not known to be the same."""
    asked = request.get("refrigerant") or ""
    return bool(asked) and resolve(asked).name == resolve(run["refrigerant"]).name


def _reference(started: Event, run: Mapping[str, Any], sound: str) -> dict[str, Any]:
    day = utc_day(started.time_ns).isoformat()
    return {**run, "session": started.session, "day": day, "sound": f"session {started.session}, {sound}"}
