"""Which part of the job the page shows large."""

from baytrace.bench.focus import AFTER, ASIDE, AT, BEFORE, Focus, stage

S = 1_000_000_000


def status(watch, phase="waiting", **said):
    return {"watch": watch, "phase": phase, "progress": None, "waiting_for": "", "time_left_s": None} | said


def job(**changed):
    """Evacuation, charge, pressures and sweep, all waiting but for what is given."""
    names = ("evacuation", "charge", "pressures", "sweep")
    return [status(name, **changed.get(name, {"waiting_for": "something"})) for name in names]


HOLD = {"phase": "hold", "progress": 0.4, "waiting_for": "time", "time_left_s": 500.0, "caution": "valves closed"}
HELD = {"phase": "over", "progress": 1.0}
SETTLING = {"phase": "settling", "waiting_for": "settled"}
TOUCHED = {"phase": "settling", "waiting_for": "a steady reading", "progress": 0.25}
BETWEEN = {"phase": "waiting", "waiting_for": "contact with coil 2", "progress": 0.25}


def test_stages_follow_from_what_a_watch_says():
    """Waiting without progress is before, done and waiting for nothing is after, what only stands by is aside."""
    assert stage(status("sweep", waiting_for="contact with coil 1", progress=0.0)) == BEFORE
    assert stage(status("evacuation", **HOLD)) == AT
    assert stage(status("evacuation", "deep vacuum", progress=1.0, waiting_for="isolation")) == AT
    assert stage(status("evacuation", **HELD)) == AFTER
    assert stage(status("limits", "watching")) == ASIDE


def test_the_first_part_is_shown_before_anything_began():
    """At the start the page shows what the job waits for first."""
    assert Focus().of(job(), 0) == {"watch": "evacuation", "why": "first", "next": ""}


def test_no_watch_no_focus():
    """Without a session there is nothing to show large."""
    assert Focus().of([], 0) == {}


def test_the_part_at_work_has_the_focus_and_keeps_it_with_its_result():
    """A hold is shown while it runs; when it is over its result stays until the next part begins."""
    focus = Focus()
    assert focus.of(job(evacuation=HOLD), S)["watch"] == "evacuation"
    assert focus.of(job(evacuation=HELD), 2 * S) == {"watch": "evacuation", "why": "last", "next": "charge"}
    charging = job(evacuation=HELD, charge={"phase": "charging", "progress": 0.1, "waiting_for": "label charge"})
    assert focus.of(charging, 3 * S)["watch"] == "charge"


def test_parts_that_start_together_follow_the_plan():
    """Charge and pressures both watch the running loop; the one named first in the plan is shown."""
    assert Focus().of(job(charge=SETTLING, pressures=SETTLING), S)["watch"] == "charge"


def test_a_probe_lifted_during_a_hold_gives_the_hold_back():
    """Coils are shown while they are touched and shortly after; then the running hold has the focus again."""
    focus = Focus()
    focus.of(job(evacuation=HOLD), S)
    assert focus.of(job(evacuation=HOLD, sweep=TOUCHED), 10 * S)["watch"] == "sweep"
    assert focus.of(job(evacuation=HOLD, sweep=BETWEEN), 12 * S)["watch"] == "sweep"
    assert focus.of(job(evacuation=HOLD, sweep=BETWEEN), 120 * S)["watch"] == "evacuation"


def test_between_two_coils_the_sweep_keeps_the_focus_when_nothing_else_runs():
    """A technician who fetches a lead comes back to the sweep."""
    focus = Focus()
    focus.of(job(evacuation=HELD, sweep=TOUCHED), S)
    assert focus.of(job(evacuation=HELD, sweep=BETWEEN), 900 * S)["watch"] == "sweep"


def test_a_restart_in_between_shows_the_last_result():
    """A page after a restart of the daemon shows what was done last, as before it."""
    assert Focus().of(job(evacuation=HELD), S) == {"watch": "evacuation", "why": "last", "next": "charge"}


def test_a_new_session_begins_anew():
    """What the last session was busy with is forgotten with it."""
    focus = Focus()
    focus.of(job(sweep=TOUCHED), S)
    focus.of([], 2 * S)
    assert focus.of(job(), 3 * S)["why"] == "first"
