"""When letters are tried and given up, and what a webhook's answers mean."""

import base64
import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.bench.outbox_rules import LONGEST_ASKED_S, PATIENCE, Answer, DeliveryRules, Fate, Letter, Outcome
from baytrace.bench.webhook import Reply, judged, key_of, signature
from baytrace.measure.faults import BadInput

BUSY, AWAY, TAKEN = Answer(Outcome.BUSY, "503"), Answer(Outcome.AWAY, "refused"), Answer(Outcome.TAKEN)


def letters(count):
    return [Letter(f"boot.{number}", b"{}", "alarm") for number in range(count)]


def test_back_off_doubles_to_its_end_and_ends_with_the_first_success():
    """1, 2, 4, ... seconds up to the longest; one success and the next letter goes at once."""
    rules, letter, now, waits = DeliveryRules(60.0), letters(1)[0], 100.0, []
    for _ in range(9):
        assert rules.after(letter, AWAY, now, 0.5) is Fate.WAITING
        waits.append(rules.wait_s(now))
        now += waits[-1]
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    assert rules.after(letter, TAKEN, now, 0.5) is Fate.DELIVERED
    assert rules.wait_s(now) == 0.0


def test_a_connection_that_comes_up_ends_the_wait():
    """When the way is known to be open nothing waits for a back-off."""
    rules = DeliveryRules(60.0)
    for _ in range(6):
        rules.after(letters(1)[0], AWAY, 0.0, 0.5)
    rules.reopen()
    assert rules.wait_s(0.0) == 0.0


def test_the_receiver_may_ask_for_more_time_but_not_for_a_day():
    """`Retry-After` is kept, within an hour."""
    rules, letter = DeliveryRules(60.0), letters(1)[0]
    rules.after(letter, BUSY._replace(retry_after_s=30.0), 0.0, 0.5)
    assert rules.wait_s(0.0) == 30.0
    rules.after(letter, BUSY._replace(retry_after_s=1e6), 0.0, 0.5)
    assert rules.wait_s(0.0) == LONGEST_ASKED_S


def test_silence_never_kills_a_letter():
    """A receiver away for a thousand attempts gets the letter in the end."""
    rules, letter = DeliveryRules(60.0), letters(1)[0]
    for second in range(1000):
        assert rules.after(letter, AWAY, float(second), 0.5) is Fate.WAITING
    assert rules.choose([letter], 1) == [letter]


def test_a_letter_that_is_always_refused_does_not_hold_up_the_others():
    """Five refusals and it steps aside; others are taken; refused once more, it is dead."""
    rules, (poison, good, better) = DeliveryRules(60.0), letters(3)
    for _ in range(PATIENCE):
        assert rules.choose([poison, good, better], 1) == [poison]
        assert rules.after(poison, BUSY, 0.0, 0.5) is Fate.WAITING
    assert rules.choose([poison, good, better], 1) == [good]
    assert rules.after(good, TAKEN, 0.0, 0.5) is Fate.DELIVERED
    assert rules.choose([poison], 1) == [poison]
    assert rules.after(poison, BUSY, 0.0, 0.5) is Fate.DEAD


def test_a_receiver_that_refuses_everything_kills_nothing():
    """When no letter passes the fault is the receiver's: all wait, and all are taken once it is mended."""
    rules, all_of_them, now = DeliveryRules(60.0), letters(4), 0.0
    for _ in range(200):
        for letter in rules.choose(all_of_them, 1):
            assert rules.after(letter, BUSY, now, 0.5) is Fate.WAITING
        now += rules.wait_s(now)
    waiting = list(all_of_them)
    while waiting:
        letter = rules.choose(waiting, 1)[0]
        assert rules.after(letter, TAKEN, now, 0.5) is Fate.DELIVERED
        waiting.remove(letter)


def test_one_alone_is_tried_while_the_target_is_in_doubt():
    """A window of letters goes out side by side only while all is well."""
    rules, three = DeliveryRules(60.0), letters(3)
    assert rules.choose(three, 20) == three
    rules.after(three[0], AWAY, 0.0, 0.5)
    assert rules.choose(three, 20) == three[:1]


@given(st.lists(st.sampled_from(Outcome), max_size=60), st.integers(1, 6))
def test_every_letter_ends_once_and_none_is_forgotten(outcomes, count):
    """Whatever the target answers, a letter is delivered once, dead once, or still waits; and something is always tried next."""
    rules, waiting, ended, now = DeliveryRules(10.0), letters(count), [], 0.0
    for outcome in outcomes:
        if not waiting:
            break
        letter = rules.choose(waiting, 1)[0]
        fate = rules.after(letter, Answer(outcome), now, 0.0)
        if fate is not Fate.WAITING:
            waiting.remove(letter)
            ended.append(letter)
        now += rules.wait_s(now)
    assert len(set(ended)) == len(ended)
    assert sorted([*ended, *waiting]) == letters(count)


@pytest.mark.parametrize(
    ("status", "outcome"),
    [
        *((status, "taken") for status in (200, 204)),
        *((status, "unfit") for status in (400, 413, 415, 422)),
        *((status, "busy") for status in (301, 307, 401, 403, 404, 410, 429, 500, 503)),
    ],
)
def test_what_an_answer_means(status, outcome):
    """Only what says that the letter itself is wrong kills it; a wrong address or secret can be mended and waits."""
    assert judged(Reply(status, "", "no"), 0.0).outcome == outcome


@pytest.mark.parametrize(
    ("header", "seconds"),
    [("120", 120.0), ("Wed, 21 Oct 2026 07:28:00 GMT", 60.0), ("soon", 0.0), ("", 0.0), ("-5", 0.0), ("٣", 0.0)],
)
def test_retry_after_is_read_in_both_forms(header, seconds):
    """Seconds or an HTTP date (RFC 9110, 10.2.3); anything else asks for nothing."""
    now = 1_792_567_620.0  # 2026-10-21T07:27:00Z
    assert judged(Reply(503, header, ""), now).retry_after_s == seconds


def test_signature_is_that_of_the_specification():
    """HMAC-SHA256 over `id.timestamp.body` with the decoded secret, as base64 behind `v1,`."""
    key = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    assert key_of("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw") == key
    body, seconds = b'{"test": 2432232314}', 1_614_265_330
    signed = hmac.new(key, b"msg_1." + str(seconds).encode() + b"." + body, hashlib.sha256).digest()
    assert signature(key, "msg_1", seconds, body) == "v1," + base64.b64encode(signed).decode()
    assert key_of("plain words") == b"plain words"
    for secret in ("whsec_not base64!", "whsec_é", "whsec_"):
        with pytest.raises(BadInput, match="not base64"):
            key_of(secret)
