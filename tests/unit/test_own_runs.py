"""Runs of one session: kept, counted, compared, and handed on to a later session."""

import pytest

from baytrace.measure.verdict import Outcome
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.own_judgement import BEFORE, EARLIER
from baytrace.watches.running.own_runs import reference_of, runs_json
from car_runs import MARKED, R134A, judged, session


def test_every_settled_run_is_kept():
    """Three runs with work between them: three columns, each with its state, figures and how often the loop was worked on."""
    follower = session({}, {"high": 230.0}, {"high": 215.0})
    columns = runs_json(follower, R134A, PressuresSettings(refrigerant="R134a", ambient_humidity=0.5))
    assert [column["settled"] for column in columns] == [True, True, True]
    assert runs_json(follower, R134A, PressuresSettings(refrigerant="R134a", ambient_humidity=0.5)) == columns
    assert len({column["repair"] for column in columns if "repair" in column} | {0}) == 3
    highs = [column["evidence"]["high_side_pressure"]["value"] for column in columns]
    assert highs == pytest.approx([(psi * 6894.757 + 101325.0) for psi in (200.0, 230.0, 215.0)], rel=2e-3)
    assert all(column["conditions"]["speed"] == "idle" for column in columns)


def test_kept_runs_do_not_grow_without_end():
    """Of a hundred runs a bounded number is kept, the first among them, without their readings."""
    follower = session({})
    first = follower.judged()
    for number in range(100):
        follower._keep([first.stretch])
        assert len(follower.earlier) <= 32, number
    assert not any(hasattr(running, "series") for running in follower.earlier)


def test_runs_of_one_state_are_not_before_and_after():
    """Stopped and started again with no work on the loop: nothing to compare."""
    follower = session({}, {"high": 230.0}, between=("engine off",))
    assert len(follower.every()) == 2
    assert judged(follower, before="sound") is None


def test_a_car_that_runs_as_before_passes():
    """Sound before, the same readings after: no state has changed, each difference has its interval."""
    found = judged(session({}, {}), before="sound")
    assert (found.outcome, found.kind, found.spoke) == (Outcome.PASS, BEFORE, True)
    figure = found.figures["own_since_repair_condensing"]
    assert figure.unit == "K"
    assert figure.low < 0.0 < figure.high


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"high": 245.0}, "condensing"),
        ({"low": 27.0, "suction": 7.0}, "evaporating"),
        ({"suction": 20.0}, "superheat"),
        ({"liquid": 38.0}, "subcooling"),
        ({"vent": 13.0}, "vent"),
    ],
)
def test_a_state_that_moved_fails(changed, said):
    """Each of the states by more than what matters."""
    found = judged(session({}, changed), before="sound")
    assert found.outcome is Outcome.FAIL
    assert said in found.sentences[0].lower()
    assert found.sentences[0].endswith("changed.")


def test_a_change_near_its_limit_is_neither():
    """6 K of condensing temperature up: on the limit, undecided."""
    found = judged(session({}, {"high": 235.0, "liquid": 51.0}), before="sound")
    assert found.outcome is Outcome.UNDECIDED
    assert any("too close to tell" in sentence for sentence in found.sentences)


@pytest.mark.parametrize("before", ["", "faulty"])
def test_nothing_passes_by_likeness_with_a_faulty_car(before):
    """The run before is a reference only where it was said to be of a sound car."""
    found = judged(session({}, {}), before=before)
    assert found is None or (found.outcome, found.spoke) == (Outcome.UNDECIDED, False)


@pytest.mark.parametrize(
    ("later", "said"),
    [
        ({"marked": MARKED.replace("idle", "fast")}, "engine speed: idle before, fast now"),
        ({"marked": MARKED.replace("shut", "open")}, "doors: shut before, open now"),
        ({"marked": "engine on, doors shut, recirculation, blower high"}, "engine speed: marked in one run alone"),
        ({"air": 33.0}, "ambient air differs by 6.0 K"),
    ],
)
def test_runs_in_other_conditions_are_not_compared(later, said):
    """What differs, or was not marked, is named."""
    found = judged(session({}, later), before="sound")
    assert (found.outcome, found.spoke) == (Outcome.UNDECIDED, False)
    assert any(said in sentence for sentence in found.sentences)


def test_a_run_is_a_reference_for_a_later_session():
    """What one session hands on is taken as `own_run` by another, and says the same car is unchanged or changed."""
    first = session({})
    handed = reference_of(first, first.judged(), R134A, PressuresSettings(refrigerant="R134a", ambient_humidity=0.5))
    own_run = handed | {"day": "2026-03-02", "sound": "passed within the usual range", "session": "earlier"}
    same = judged(session({}), own_run=own_run)
    assert (same.outcome, same.kind) == (Outcome.PASS, EARLIER)
    assert "2026-03-02" in same.sentences[0]
    assert judged(session({"high": 260.0}), own_run=own_run).outcome is Outcome.FAIL


def test_other_instruments_count_in_full():
    """The same figures by other instruments have wider intervals, and it is said."""
    first = session({})
    handed = reference_of(first, first.judged(), R134A, PressuresSettings(refrigerant="R134a", ambient_humidity=0.5))
    own_run = handed | {"day": "2026-03-02", "sound": "passed"}
    narrow = judged(session({}), own_run=own_run).figures["own_since_evaporating"]
    wide = judged(session({}), own_run=own_run | {"instruments": {}})
    assert wide.figures["own_since_evaporating"].high > 1.3 * narrow.high
    assert any("ther instruments" in sentence for sentence in wide.sentences)


def test_without_any_reference_there_is_no_judgement():
    """No table, no earlier run, nothing before: None."""
    assert judged(session({})) is None
