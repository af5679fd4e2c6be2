"""What holds for every watch: a unit changes no finding, a coarser instrument and a lost reading make no pass.

Each case is a stream that fails or stays undecided, with the instruments behind it. New cases go into `watch_streams`.
"""

import random
import re
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Mark, Raw
from baytrace.measure.units import Against, unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.watch import View, build
from watch_streams import CASES, FAILING, UNDECIDED

OTHER_UNIT = {"micron": "mbar", "psi": "kPa", "bar": "psi", "degC": "degF", "g": "lb", "ohm": "mohm", "kPa": "psi"}
few = settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def judged(name, chosen, items, view, end_ns=0):
    """The verdict once time has passed to the end of the session, whatever was still heard."""
    watch = build(name, chosen, view)
    for item in items:
        (watch.mark if isinstance(item, Mark) else watch.reading)(item)
    watch.advance(max(end_ns, items[-1].time_ns if items else 0))
    return watch.verdict()


def coarser(view, times):
    """The same instruments with every number of their accuracy `times` as large, resolutions and ranges left alone."""
    return View({name: replace(row, accuracy=wider(row, times)) for name, row in view.channels.items()})


def wider(row, times):
    outside = re.compile(r"(?<![\w.(])(\d+(?:\.\d+)?)(?=\s*(?:%|K|kPa|g|ohm|counts|degC|micron)\b|\s*%)")
    text = outside.sub(lambda found: f"{float(found[1]) * times:g}", row.accuracy.text)
    assert text != row.accuracy.text
    return Accuracy.parse(text, unit=row.unit)


@pytest.mark.parametrize("case", CASES)
def test_the_case_does_not_pass(case):
    """Each stream here fails or stays undecided, or the rest would show nothing."""
    name, chosen, made = CASES[case]
    verdict = judged(name, chosen, *made())
    assert verdict.outcome is (Outcome.UNDECIDED if case in UNDECIDED else Outcome.FAIL), verdict.reasons


@pytest.mark.parametrize("case", CASES)
@few
@given(times=st.floats(1.1, 20.0))
def test_a_coarser_instrument_makes_no_pass(case, times):
    """Worsening every accuracy turns neither undecided nor fail into pass."""
    name, chosen, made = CASES[case]
    items, view = made()
    assert judged(name, chosen, items, coarser(view, times)).outcome is not Outcome.PASS


def losing(items, rng):
    """Readings left after a random loss: single ones, stretches, the end, or all of one channel."""
    kind, end = rng.randrange(4), items[-1].time_ns - items[0].time_ns
    if kind == 0:
        share = rng.random()
        return [item for item in items if isinstance(item, Mark) or rng.random() > share]
    if kind == 1:
        gone = rng.choice(sorted({item.channel for item in items if not isinstance(item, Mark)}))
        return [item for item in items if isinstance(item, Mark) or item.channel != gone]
    if kind == 2:
        cut = items[0].time_ns + rng.randrange(end)
        return [item for item in items if isinstance(item, Mark) or item.time_ns < cut]
    holes = [(begin := items[0].time_ns + rng.randrange(end), begin + rng.randrange(end // 3)) for _ in range(3)]
    return [item for item in items if isinstance(item, Mark) or not any(a <= item.time_ns < b for a, b in holes)]


@pytest.mark.parametrize("case", FAILING)
@few
@given(seed=st.integers(0, 10_000))
def test_lost_readings_never_turn_fail_into_pass(case, seed):
    """Whatever readings are missing from a stream that fails, it does not pass."""
    name, chosen, made = CASES[case]
    items, view = made()
    rng = random.Random(seed)
    for _ in range(3):
        verdict = judged(name, chosen, losing(items, rng), view, items[-1].time_ns)
        assert verdict.outcome is not Outcome.PASS, verdict.reasons


@pytest.mark.parametrize("case", CASES)
def test_the_unit_of_an_instrument_changes_no_finding(case):
    """The same readings shown in other units end in the same words, and the same figures to rounding."""
    name, chosen, made = CASES[case]
    items, view = made()
    here = judged(name, chosen, items, view)
    rows = {}
    for key, row in view.channels.items():
        text = OTHER_UNIT.get(row.unit.text, row.unit.text)
        rows[key] = replace(row, unit=unit_for(row.role, text))
    reader = Interpreter(list(rows.values()))
    reader.anchor(0, 0)
    shown = [item if isinstance(item, Mark) else reader.reading(sent(item, rows[item.channel])) for item in items]
    same = [item if isinstance(item, Mark) else replaced(item, by) for item, by in zip(items, shown, strict=True)]
    there = judged(name, chosen, same, view)
    assert (here.outcome, here.finding) == (there.outcome, there.finding)
    for key, figure in here.evidence.items():
        assert there.evidence[key].value == pytest.approx(figure.value, rel=1e-6, abs=1e-9), key


def sent(reading, row):
    """What the instrument of `row` would have shown."""
    atmosphere = 101_325.0 if row.unit.against in (Against.GAUGE, Against.VACUUM) else 0.0
    return Raw(
        reading.channel, row.unit.from_si(reading.value - atmosphere), reading.time_ns, reading.time_ns, reading.quality
    )


def replaced(reading, by):
    return reading._replace(value=by.value)
