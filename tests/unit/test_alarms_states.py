"""Alarm states follow IEC 62682, survive restarts, and lose nothing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Event
from baytrace.watches.alarms import ACTIVE, AlarmBook, AlarmSpec, Condition, State

SPECS = (AlarmSpec("high", "low side high", "low_side", "high"), AlarmSpec("latch", "discharge hot", latched=True))
N, A, U = Condition.NORMAL, Condition.ALARM, Condition.UNKNOWN


def book_with(*steps, alarm="high"):
    """A book after conditions one second apart."""
    book = AlarmBook(SPECS)
    for second, step in enumerate(steps, 1):
        book.condition(alarm, step, second * NS)
    return book


def events_of(transitions):
    return [Event(each.time_ns, each.time_ns, "alarm", "", each.data()) for each in transitions]


def test_alarm_answered_then_returned_is_normal_and_returned_then_answered_is_too():
    """Both orders of acknowledging and returning end in normal, each by its own state."""
    book = book_with(N, A)
    assert book.state("high") is State.UNACKNOWLEDGED
    book.acknowledge("high", "Ada", 3 * NS, "seen")
    assert book.state("high") is State.ACKNOWLEDGED
    book.condition("high", N, 4 * NS)
    assert book.state("high") is State.NORMAL

    book = book_with(A, N)
    assert book.state("high") is State.RETURNED
    book.acknowledge("high", "Ada", 3 * NS)
    assert book.state("high") is State.NORMAL
    last = book.transitions()[-1]
    assert (last.who, last.action, last.time_ns) == ("Ada", "acknowledged", 3 * NS)


def test_alarm_unknown_never_clears_and_never_raises():
    """Silence changes no state in either direction."""
    assert book_with(A, U).state("high") is State.UNACKNOWLEDGED
    assert book_with(A, U, U, A).state("high") is State.UNACKNOWLEDGED
    assert book_with(U, U).state("high") is State.NORMAL
    assert len(book_with(A, U, A).transitions()) == 1


def test_alarm_latched_needs_acknowledging_and_resetting():
    """A latched alarm stays after its return until it is acknowledged and reset; the order cannot be cut short."""
    book = book_with(A, N, alarm="latch")
    assert book.state("latch") is State.LATCHED_UNACKNOWLEDGED
    with pytest.raises(BadInput, match="reset"):
        book.reset("latch", "Ada", 3 * NS)
    book.acknowledge("latch", "Ada", 3 * NS)
    assert book.state("latch") is State.LATCHED_ACKNOWLEDGED
    book.condition("latch", A, 4 * NS)
    assert book.state("latch") is State.UNACKNOWLEDGED
    book.acknowledge("latch", "Ada", 5 * NS)
    book.condition("latch", N, 6 * NS)
    book.reset("latch", "Ada", 7 * NS)
    assert book.state("latch") is State.NORMAL


def test_alarm_on_the_shelf_comes_back_by_itself_and_unanswered():
    """A shelf has an end; what stands when it ends is unacknowledged again, even if it was answered before."""
    book = book_with(A)
    book.acknowledge("high", "Ada", 2 * NS)
    book.shelve("high", "Ada", 3 * NS, 60 * NS, "probe is being moved")
    assert book.state("high") is State.SHELVED
    book.advance(59 * NS)
    assert book.state("high") is State.SHELVED
    book.advance(60 * NS)
    assert book.state("high") is State.UNACKNOWLEDGED
    assert book.transitions()[-1].sounds


def test_alarm_that_came_and_went_beneath_a_cover_is_still_owed_an_answer():
    """Neither shelf nor suppression swallows an alarm."""
    book = book_with(N)
    book.suppress("high", "Ada", 2 * NS, "engine is off")
    book.condition("high", A, 3 * NS)
    assert not any(each.sounds for each in book.transitions())
    book.condition("high", N, 4 * NS)
    book.unsuppress("high", "Ada", 5 * NS)
    assert book.state("high") is State.RETURNED


@pytest.mark.parametrize(
    "act",
    [
        lambda book: book.acknowledge("high", "Ada", 9 * NS),
        lambda book: book.acknowledge("nobody", "Ada", 9 * NS),
        lambda book: book.unshelve("high", "Ada", 9 * NS),
        lambda book: book.unsuppress("high", "Ada", 9 * NS),
        lambda book: book.suppress("high", "Ada", 9 * NS, "  "),
        lambda book: book.shelve("high", "Ada", 9 * NS, 9 * NS),
        lambda book: book.shelve("high", "Ada", 9 * NS, 9 * NS + 30 * 3600 * NS),
        lambda book: book.define(AlarmSpec("x", "x", priority="loud")),
    ],
)
def test_alarm_action_that_makes_no_sense_is_refused(act):
    """Each impossible action says so and changes nothing."""
    book = book_with(N)
    with pytest.raises(BadInput):
        act(book)
    assert book.transitions() == []


def test_alarm_flapping_is_counted_and_said():
    """Three activations within a minute flap; slow ones do not."""
    quick = book_with(A, N, A, N, A)
    assert [each.flapping for each in quick.transitions() if each.action == "raised"] == [False, False, True]
    assert quick.standing()[0]["activations"] == 3
    slow = AlarmBook(SPECS)
    for minute in range(6):
        slow.condition("high", A if minute % 2 == 0 else N, minute * 60 * NS)
    assert not any(each.flapping for each in slow.transitions())


def test_alarm_nobody_defines_any_more_stays_until_it_is_answered():
    """Taking a limit out of the configuration does not make its standing alarm vanish."""
    before = book_with(A)
    after = AlarmBook()
    after.restore(events_of(before.transitions()))
    assert after.state("high") is State.UNACKNOWLEDGED
    after.acknowledge("high", "Ada", 9 * NS)
    assert after.state("high") is State.NORMAL


steps = st.lists(
    st.tuples(
        st.sampled_from(["high", "latch"]),
        st.sampled_from([N, A, U, "acknowledge", "shelve", "unshelve", "suppress", "unsuppress", "reset", "advance"]),
        st.integers(0, 100),
    ),
    max_size=60,
)


def apply(book, alarm, step, now):
    try:
        if isinstance(step, Condition):
            book.condition(alarm, step, now, 1.5)
        elif step == "advance":
            book.advance(now)
        elif step == "shelve":
            book.shelve(alarm, "Ada", now, now + 90 * NS, "later")
        elif step == "suppress":
            book.suppress(alarm, "Ada", now, "off")
        else:
            getattr(book, step)(alarm, "Ada", now)
    except BadInput:
        pass


@given(steps)
def test_alarm_book_folded_from_its_own_events_is_the_same_book(script):
    """After any history a restart from the journal gives the same states, counts, shelves and suppressions."""
    book, events, now = AlarmBook(SPECS), [], 0
    for alarm, step, seconds in script:
        now += seconds * NS
        apply(book, alarm, step, now)
        events += events_of(book.transitions())
    again = AlarmBook(SPECS)
    again.restore(events)
    assert again.snapshot() == book.snapshot()
    strip = [
        {key: value for key, value in row.items() if key not in ("condition", "value", "flapping")}
        for row in book.standing()
    ]
    back = [
        {key: value for key, value in row.items() if key not in ("condition", "value", "flapping")}
        for row in again.standing()
    ]
    assert strip == back
    assert again.transitions() == []


@given(steps)
def test_alarm_beneath_follows_the_process_whatever_people_do(script):
    """The state beneath is active exactly while the last known condition was alarm."""
    book, now, known = AlarmBook(SPECS), 0, {"high": N, "latch": N}
    for alarm, step, seconds in script:
        now += seconds * NS
        apply(book, alarm, step, now)
        if step in (N, A):
            known[alarm] = step
        for name, condition in known.items():
            assert (book.beneath(name) in ACTIVE) == (condition is A)
