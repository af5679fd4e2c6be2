"""The job's steps: who ticked what, what the watches say, and what was skipped."""

import pytest

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Event
from baytrace.records.job_lists import Car, When, default_sheet, default_steps, read_steps
from baytrace.records.steps import steps_document
from baytrace.records.vocabulary import Kind
from baytrace.watches.watch import watches

START = Event(1, 1, Kind.SESSION_STARTED, "s", {"plan": {"evacuation": {}, "charge": {}, "pressures": {}}}, 1)
CLOSED = Event(99, 99, Kind.SESSION_CLOSED, "s", {"who": "Kim", "outcome": "pass"}, 99)


def said(step, state, at=20, note=""):
    return Event(at * 10**9, at, Kind.STEP, "s", {"step": step, "state": state, "who": "Kim", "note": note}, at)


def judged(watch, outcome, finding, at=30):
    document = {"watch": watch, "verdict": outcome, "finding": finding, "reasons": [], "evidence": {}}
    return Event(at * 10**9, at, Kind.VERDICT, "s", {"watch": watch, "verdict": document, "final": False}, at)


def entered(entry, value, unit, at=25):
    return Event(at * 10**9, at, Kind.LEDGER, "s", {"entry": entry, "value": value, "unit": unit, "who": "Robin"}, at)


def row(events, step):
    return next(one for one in steps_document(events) if one["id"] == step)


def test_new_session_has_every_step_open_in_order():
    """Nothing said yet: all steps of the plan are open; steps of watches not planned are not shown."""
    found = steps_document([START])
    assert {one["state"] for one in found} == {"open"}
    shown = [one["id"] for one in found]
    assert shown == [step.id for step in default_steps() if not step.planned]
    assert "coils" in [one["id"] for one in steps_document([START._replace(data={"plan": {"sweep": {}}})])]


def test_person_ticks_with_name_time_and_note():
    """A ticked step shows who, when and the note; the last word counts."""
    found = row([START, said("seals", "skipped", 5), said("seals", "done", 20, "green rings")], "seals")
    assert (found["state"], found["by"], found["who"], found["note"]) == ("done", "person", "Kim", "green rings")
    assert found["when"].startswith("1970-01-01T00:00:20")


def test_watch_ticks_its_own_step():
    """A passed watch ticks its step by itself."""
    found = row([START, judged("pressures", "pass", "normal")], "running")
    assert (found["state"], found["by"], found["note"]) == ("done", "watch", "pressures: normal")


def test_watch_that_failed_outweighs_a_tick():
    """A person's tick does not hide that the watch failed."""
    found = row([START, said("hold", "done"), judged("evacuation", "fail", "leak")], "hold")
    assert (found["state"], found["note"]) == ("failed", "evacuation: leak")


def test_undecided_watch_leaves_the_step_to_people():
    """While a watch is undecided its step is open, or as a person said, with what the watch says beside it."""
    undecided = judged("charge", "undecided", "not settled")
    assert row([START, undecided], "charge")["state"] == "open"
    ticked = row([START, undecided, said("charge", "done", 40)], "charge")
    assert (ticked["state"], ticked["by"], ticked["note"]) == ("done", "person", "charge: not settled")


@pytest.mark.parametrize(
    ("outcome", "finding", "evacuated", "held"),
    [
        ("pass", "tight", "done", "done"),
        ("fail", "moisture", "done", "failed"),
        ("fail", "not deep enough", "failed", "failed"),
        ("undecided", "too short", "open", "open"),
    ],
)
def test_one_watch_tells_evacuation_and_hold_apart(outcome, finding, evacuated, held):
    """A leak found in the hold still means the deep vacuum was reached; a vacuum not deep enough means it was not."""
    events = [START, judged("evacuation", outcome, finding)]
    assert row(events, "evacuate")["state"] == evacuated
    assert row(events, "hold")["state"] == held


def test_step_that_only_asks_is_done_when_all_is_entered():
    """Oil measured is done once both figures are entered, by whoever entered the last."""
    first = [START, entered("oil_drained", 80, "mL")]
    assert row(first, "oil_measure")["state"] == "open"
    found = row([*first, entered("oil_in_new_part", 0, "mL", 26)], "oil_measure")
    assert (found["state"], found["by"], found["who"]) == ("done", "entry", "Robin")
    assert [one.get("value") for one in found["asks"]] == [80.0, 0.0]


def test_skipped_and_forgotten_steps_show_in_a_closed_session():
    """After the close a skipped step says skipped, and one nobody spoke of says it was left open."""
    events = [START, said("caps", "skipped", note="caps on order"), CLOSED]
    assert (row(events, "caps")["state"], row(events, "caps")["note"]) == ("skipped", "caps on order")
    assert row(events, "belt")["state"] == "left open"


def test_recorded_step_that_is_no_longer_listed_still_shows():
    """A step the journal knows and the list does not is shown at the end."""
    assert steps_document([START, said("old_step", "done")])[-1]["id"] == "old_step"


def test_session_keeps_the_steps_it_began_with():
    """A session that carries its own steps is told by those."""
    own = {"step": [{"id": "look", "text": "Look"}]}
    events = [START._replace(data=START.data | {"job": {"steps": own}})]
    assert [one["id"] for one in steps_document(events)] == ["look"]


def test_packaged_steps_name_real_watches_and_entries():
    """Every watch and entry that a step names exists."""
    known = default_sheet().known
    for step in default_steps():
        assert not step.watch or step.watch in watches()
        assert set(step.asks) <= set(known)


def test_steps_that_can_hurt_carry_their_caution():
    """Recovering, opening, pressure testing, charging and running each have a caution; none tells to vent or to use air."""
    cautions = {step.id: step.cautioned(Car("R134a", "belt")) for step in default_steps()}
    for step in ("recover", "compressor_out", "pressure_test", "charge", "running"):
        assert cautions[step]
    assert "Never oxygen" in cautions["pressure_test"]
    assert "release none" in cautions["recover"]


def of_car(step, refrigerant="", drive=""):
    start = START._replace(data=START.data | {"refrigerant": refrigerant, "vehicle": {"drive": drive} if drive else {}})
    return next((one for one in steps_document([start]) if one["id"] == step), None)


@pytest.mark.parametrize(
    ("step", "refrigerant", "words"),
    [
        ("recover", "R1234yf", "no flame, spark"),
        ("charge", "HFO-1234yf", "no source of ignition"),
        ("leak_search", "1234yf", "no source of ignition"),
        ("recover", "R744", "suffocates"),
        ("recover", "CO2", "dry ice"),
        ("charge", "R-744", "50 bar"),
        ("running", "R744", "100 bar"),
    ],
)
def test_cautions_know_the_refrigerant(step, refrigerant, words):
    """What burns, suffocates or stands under high pressure is said with that refrigerant, not with R134a, and when unknown."""
    assert words in of_car(step, refrigerant)["caution"]
    assert words in of_car(step)["caution"]
    assert words not in of_car(step, "R134a")["caution"]


def test_law_comes_before_what_is_customary_with_r744():
    """Nothing but R744 is ever let off, and there the law where you are is named first; without a refrigerant none is released."""
    told = of_car("recover", "R744")["caution"]
    assert told.index("the law where you are") < told.index("let off slowly, outdoors")
    assert "release none" not in told
    for refrigerant in ("", "R134a", "R1234yf"):
        assert "release none into the air" in of_car("recover", refrigerant)["caution"]
    for refrigerant in ("R134a", "R1234yf"):
        assert "let off" not in of_car("recover", refrigerant)["caution"]


def test_steps_know_what_drives_the_compressor():
    """High voltage belongs to an electric compressor, belt and hub to a driven one; unknown, all are listed."""
    listed = {
        drive: {step for step in ("high_voltage", "belt", "hub") if of_car(step, drive=drive)}
        for drive in ("", "belt", "electric")
    }
    assert listed == {"": {"high_voltage", "belt", "hub"}, "belt": {"belt", "hub"}, "electric": {"high_voltage"}}
    assert "absence of high voltage is proven" in of_car("compressor_out", drive="electric")["caution"]
    assert "high voltage" not in of_car("compressor_out", drive="belt")["caution"]
    assert of_car("evaporator", "R134a") is None
    assert of_car("evaporator", "R744") is not None


def test_step_a_car_does_not_have_still_shows_what_was_said_of_it():
    """A tick on record is never hidden by a refrigerant or drive that was entered."""
    start = START._replace(data=START.data | {"vehicle": {"drive": "electric"}})
    assert "belt" in [one["id"] for one in steps_document([start, said("belt", "done")])]


def test_order_of_the_work_keeps_leaks_from_costing_a_charge():
    """Zeros before recovery, the leak search after the hold and before the charge, the hub before the engine."""
    order = [step.id for step in default_steps()]
    wanted = [
        "identify",
        "gauge_zero",
        "recover",
        "high_voltage",
        "compressor_out",
        "flush",
        "hold",
        "leak_search",
        "charge",
        "hub",
        "running",
    ]
    assert [step for step in order if step in wanted] == wanted


def test_condition_that_names_nothing_holds_for_every_car():
    """An empty `when` asks for nothing."""
    assert When().holds(Car("R134a", "belt"))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "step"),
        ("[[step]]\nid = 'a'\ntext = 'x'\nwhen = { drive = ['steam'] }", "drive"),
        ("[[step]]\nid = 'a'\ntext = 'x'\n[[step]]\nid = 'a'\ntext = 'y'", "twice"),
        ("[[step]]\nid = 'a'\ntext = 'x'\ncolour = 'red'", "colour"),
        ("[[step]]\nid = 'a'\ntext = 'x'\nplanned = true", "no watch"),
        ("[[step]", "TOML"),
    ],
)
def test_wrong_step_list_is_refused_in_one_line(text, message):
    """A shop's list with a fault names the file and what is wrong."""
    with pytest.raises(BadInput, match=rf"shop\.toml.*{message}") as told:
        read_steps(text, "shop.toml")
    assert "\n" not in str(told.value)
