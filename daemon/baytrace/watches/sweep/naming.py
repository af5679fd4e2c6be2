"""Which contact is which coil: by mark, by order of contact, or by channel.

Rules of this file:
- A mark `coil 3` names the contacts that follow it until the next mark, and a contact during which it was said. A trace whose
  every mark follows its contact (the first contact has none before it, the last mark none after it) is read that way round.
- Where contacts run into each other without a lift, marks cut them.
- Without marks the nth contact is the nth coil (or the nth of `sequence`). Agreeing contacts with an unusually short lift
  between them look like one coil touched again: they are merged when there are more contacts than coils, and otherwise keep
  the sweep from passing, for a coil may have been missed instead.
- `leads shorted` names the next contact as the test leads themselves; `coils done` ends the naming.
"""

from __future__ import annotations

import itertools
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from baytrace.measure.instant import NS
from baytrace.watches.limits_table import limit
from baytrace.watches.sweep.contacts import Touch, joined
from baytrace.watches.sweep.steady import Steady, agree, band

_COIL = re.compile(r"\s*(?:coil|injector|cylinder|contact)\s*(?:no\.?|nr\.?|#)?\s*(\d{1,3})\s*", re.IGNORECASE)
_LEADS = re.compile(
    r"\s*(?:(?:test\s+)?leads?(?:\s+(?:short(?:ed)?|null(?:ed)?))?|short(?:ed)?\s+leads?)\s*", re.IGNORECASE
)
_DONE = re.compile(r"\s*(?:coils?|sweep)\s+(?:done|end(?:ed)?|finished)\s*", re.IGNORECASE)
LEADS, DONE = 0, -1


@dataclass(slots=True)
class Span:
    """From a mark to the next one. `position` is a coil, LEADS or DONE; `opens` counts open readings heard meanwhile."""

    position: int
    start: int
    opens: int = 0
    touches: list[Touch] = field(default_factory=list)


@dataclass(slots=True)
class Named:
    """Contacts by coil position, the leads' own contact, and what stands in the way of trusting the naming."""

    coils: dict[int, list[Touch]] = field(default_factory=dict)
    opens: dict[int, int] = field(default_factory=dict)
    leads: Touch | None = None
    doubts: list[str] = field(default_factory=list)
    by_mark: bool = False
    found: int = 0
    order: list[int] = field(default_factory=list)
    """Positions in the order of contact, where the order alone names them."""
    back: int = 0
    ahead: int = 0
    """By how many contacts the naming may be off: the nth coil is one of contacts n - back to n + ahead."""


def meaning(text: str) -> int | None:
    """Coil number, LEADS, DONE, or None for a mark that is about something else."""
    if found := _COIL.fullmatch(text):
        return int(found[1])
    if _LEADS.fullmatch(text):
        return LEADS
    return DONE if _DONE.fullmatch(text) else None


def by_mark(contacts: Sequence[Touch], spans: Sequence[Span], period_ns: int, last_ns: int) -> Named:
    """`spans` in time order, at least one of them a coil's; `last_ns` is the newest reading."""
    own = [Span(span.position, span.start, span.opens) for span in spans]
    free: list[Touch] = []
    for contact in contacts:
        _place(contact, own, free, period_ns)
    named = Named(by_mark=True, found=len(contacts))
    coils = [span for span in own if span.position > 0]
    if _said_afterwards(contacts, coils, free):
        for span, contact in zip(coils, sorted(contacts, key=lambda touch: touch.start), strict=True):
            named.coils.setdefault(span.position, []).append(contact)
        return named
    _wait_for_last(own, last_ns)
    if free:
        many = len(free) > 1
        named.doubts.append(
            f"{len(free)} contact{'s' if many else ''} before the first coil mark count{'' if many else 's'} for no coil: mark the "
            "coil and touch it again"
        )
    for span in own:
        if span.position == LEADS and span.touches:
            named.leads = span.touches[0]
        elif span.position > 0:
            named.coils.setdefault(span.position, []).extend(span.touches)
            named.opens[span.position] = named.opens.get(span.position, 0) + span.opens
    return named


def _place(contact: Touch, spans: list[Span], free: list[Touch], period_ns: int) -> None:
    inside = [span for span in spans if contact.start < span.start <= contact.end]
    before = [span for span in spans if span.start <= contact.start]
    previous = before[-1] if before else None
    if not inside:
        if previous is None or previous.position == DONE:
            free.append(contact)
        else:
            previous.touches.append(contact)
        return
    # said just as the contact began, and nothing else touched since: the part before the next mark is that coil's
    ran_on = previous is not None and not previous.touches and contact.start - previous.start <= period_ns
    cuts = [span.start for span in inside]
    edges = [contact.start, *(cuts if ran_on else cuts[1:]), contact.end + 1]
    owners = [previous, *inside] if ran_on and previous is not None else inside
    for owner, begin, end in zip(owners, edges, edges[1:], strict=False):
        piece = Touch()
        for time_ns, ohm in zip(contact.times, contact.values, strict=True):
            if begin <= time_ns < end:
                piece.add(time_ns, ohm)
        if piece.values:
            owner.touches.append(piece)


def _wait_for_last(spans: Sequence[Span], last_ns: int) -> None:
    """The coil named last is open only when it has stayed so for longer than the others took from mark to contact."""
    last = spans[-1]
    others = [span for span in spans[:-1] if span.position > 0 and span.touches]
    usual = max((touch.start - span.start for span in others for touch in span.touches[:1]), default=0)
    fewest = min((len(span.touches[0].values) for span in others), default=2)
    enough_ns = max(3 * usual // 2, int(limit("sweep.open_s") * NS)) if fewest > 1 else 0
    if not last.touches and (last.opens < min(2, fewest) or last_ns - last.start < enough_ns):
        last.opens = 0


def _said_afterwards(contacts: Sequence[Touch], coils: Sequence[Span], free: Sequence[Touch]) -> bool:
    """Whether every mark follows the one contact it names."""
    if len(free) != 1 or len(contacts) != len(coils) or not coils or coils[-1].touches:
        return False
    return all(len(span.touches) == 1 for span in coils[:-1])


def by_contact(
    contacts: Sequence[Touch], count: int | None, sequence: Sequence[int], leads_said: int | None, *, period_ns: int
) -> Named:
    """`leads_said` is the instant of a `leads` mark: the first contact at or after it (or during which it was said) is theirs."""
    named = Named()
    rest = list(contacts)
    if leads_said is not None:
        named.leads = next((touch for touch in rest if touch.end >= leads_said), None)
        rest = _without_leads(rest, named.leads)
    rest = _merged(rest, count, named, period_ns)
    named.found = len(rest)
    if count is not None:
        named.back, named.ahead = max(named.back, count - len(rest)), max(0, len(rest) - count)
    for index, contact in enumerate(rest):
        position = sequence[index] if index < len(sequence) else index + 1
        named.coils.setdefault(position, []).append(contact)
        named.order.append(position)
    if count is not None and rest and len(rest) != count:
        plural = "s" if len(rest) != 1 else ""
        named.doubts.append(
            f"{len(rest)} contact{plural} for {count} coils: the order alone cannot tell which coil is which; say coil marks or sweep again"
        )
    return named


def _without_leads(contacts: list[Touch], leads: Touch | None) -> list[Touch]:
    """The leads' contact may itself have been broken for a moment."""
    rest: list[Touch] = []
    end = leads.end if leads is not None else 0
    for contact in contacts:
        near = contact.start - end <= 2.0 * limit("sweep.bounce_s") * NS
        if leads is not None and contact.start >= leads.start and near and agree(contact.settled(), leads.settled()):
            end = contact.end
        elif contact is not leads:
            rest.append(contact)
    return rest


def _alike(one: Steady, other: Steady) -> bool:
    """Steady contacts that agree, or a poor one whose readings hold the other's value."""
    if one.steady and other.steady:
        return agree(one, other)
    poor, good = (other, one) if one.steady else (one, other)
    return poor.low - band(good.value) <= good.value <= poor.high + band(good.value)


def _merged(contacts: list[Touch], count: int | None, named: Named, period_ns: int) -> list[Touch]:
    """What looks like one coil touched again, put together, shortest lift first.

    A lift is seen up to one period too long; both sides of the comparison are freed of that.
    """
    lifts = [_lift(before, after, period_ns) for before, after in itertools.pairwise(contacts)]
    if count is not None:
        # with more contacts than coils, the shortest lifts are the surplus and say nothing of the usual one
        lifts = sorted(lifts)[-max(2, count - 1) :]
    usual = statistics.median(lifts) if len(lifts) >= 3 else max(lifts) if len(lifts) == 2 else None
    groups = [[contact] for contact in contacts]
    while usual is not None:
        pairs = [
            (lift, place)
            for place, (group, after) in enumerate(itertools.pairwise(groups))
            if (lift := _lift(group[-1], after[0], period_ns)) < limit("sweep.repeat_ratio") * usual
            and _alike(group[-1].settled(), after[0].settled())
        ]
        if not pairs:
            break
        place = min(pairs)[1]
        if count is None or len(groups) <= count:
            named.doubts.append(f"contacts {place + 1} and {place + 2} were taken as one coil touched twice")
            named.back += 1
        groups[place] += groups.pop(place + 1)
    return [group[0] if len(group) == 1 else joined(group) for group in groups]


def _lift(before: Touch, after: Touch, period_ns: int) -> int:
    return max(0, after.start - before.end - period_ns)
