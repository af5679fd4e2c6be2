"""What holds for every watch: a unit changes no finding, a coarser instrument and a lost reading make no pass.

Each case is a stream that fails or stays undecided, with the instruments behind it. New cases go into CASES.
"""

import random
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import charge_bench
import coil_streams
import hold_traces
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Mark, Raw, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import Against, unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.watch import View, build

OTHER_UNIT = {"micron": "mbar", "psi": "kPa", "bar": "psi", "degC": "degF", "g": "lb", "ohm": "mohm", "kPa": "psi"}
TIMES = np.arange(0.0, 600.0, 1.0)
few = settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def standing_test(rate):
    """Dry nitrogen at 10 bar that falls by `rate` Pa/s."""
    rng = np.random.default_rng(4)
    items = [Mark(60 * NS, "isolated")]
    for second in range(1000):
        true = 101_325.0 + 1e6 * min(second / 60.0, 1.0) - rate * max(second - 60, 0)
        items.append(Reading(second * NS, "p", Role.LOW_SIDE, round((true + 300.0 * rng.normal()) / 1000.0) * 1000.0))
        items.append(Reading(second * NS, "t", Role.SYSTEM_TEMPERATURE, 293.15 + 0.05 * rng.normal()))
    view = {
        "p": channel("p", Role.LOW_SIDE, "bar", "1 % of full scale (35 bar)"),
        "t": channel("t", Role.SYSTEM_TEMPERATURE, "degC", "1 K"),
    }
    return sorted(items, key=lambda item: item.time_ns), View(view)


def channel(name, role, unit, accuracy):
    known = unit_for(role, unit)
    return Channel(name, role, known, Accuracy.parse(accuracy, unit=known), f"{name} instrument")


def running(grams=600.0, **figures):
    columns = charge_bench.relaxing(TIMES, 240.0, tau=25.0, running=figures)
    columns[Role.TANK_MASS] = np.round(charge_bench.weighed(TIMES, 60.0, 160.0, grams))
    marks = [(60.0, "charge start"), (160.0, "charge end"), (240.0, "engine on")]
    return charge_bench.items(TIMES, columns, marks), charge_bench.view()


def checked(off):
    """Both sides of a manifold at rest, one of them off by so many Pa."""
    items = [
        Reading(second * NS, name, role, 500_000.0 + extra)
        for second in range(70)
        for name, role, extra in (("low", Role.LOW_SIDE, 0.0), ("high", Role.HIGH_SIDE, off))
    ]
    accuracy = "1 kPa"
    return items, View(
        {
            "low": channel("low", Role.LOW_SIDE, "kPa", accuracy),
            "high": channel("high", Role.HIGH_SIDE, "kPa", accuracy),
        }
    )


def beyond(kpa):
    """A high side that goes over 900 kPa absolute for a minute."""
    items = [
        Reading(second * NS, "high", Role.HIGH_SIDE, 1000.0 * (kpa if 100 <= second < 160 else 700.0))
        for second in range(300)
    ]
    return items, View({"high": channel("high", Role.HIGH_SIDE, "kPa", "5 kPa")})


LIMIT = {"limits": [{"channel": "high", "high": 900.0, "unit": "kPaa"}]}
ON_LABEL = {"refrigerant": "R134a", "label_g": 600.0}
COILS = {"coils": 4, "low_ohm": coil_streams.LOW, "high_ohm": coil_streams.HIGH, "lead_ohm": 0.0}
HOLD = {"volume_l": 2.0, "leak_limit": 1e-5}

CASES = {
    "evacuation, leak": ("evacuation", HOLD, lambda: (hold_traces.job(rate=0.05), hold_traces.channels())),
    "evacuation, small leak": ("evacuation", HOLD, lambda: (hold_traces.job(rate=0.006), hold_traces.channels())),
    "evacuation, water": ("evacuation", HOLD, lambda: (hold_traces.job(vapour=900.0), hold_traces.channels())),
    "pressure_hold, leak": ("pressure_hold", {"volume_l": 2.0}, lambda: standing_test(20.0)),
    "pressure_hold, near": ("pressure_hold", {"volume_l": 2.0}, lambda: standing_test(3.0)),
    "charge, under": ("charge", ON_LABEL, lambda: running(540.0)),
    "charge, near": ("charge", ON_LABEL, lambda: running(613.0)),
    "pressures, both high": ("pressures", {"refrigerant": "R134a"}, lambda: running(low=65.0, high=340.0)),
    "pressures, both low": (
        "pressures",
        {"refrigerant": "R134a"},
        lambda: running(low=12.0, high=95.0, suction=22.0, liquid=28.0, vent=16.0),
    ),
    "sweep, one high": ("sweep", COILS, lambda: (coil_streams.plain([14.8, 14.7, 19.0, 14.9]), coil_streams.view())),
    "limits, broken": ("limits", LIMIT, lambda: beyond(990.0)),
    "limits, near": ("limits", LIMIT, lambda: beyond(901.0)),
    "field_check, off": ("field_check", {"check": "manifold", "allowed": 2000.0}, lambda: checked(9_000.0)),
}

UNDECIDED = {"evacuation, small leak", "pressure_hold, near", "charge, near", "limits, near"}
FAILING = [case for case in CASES if case not in UNDECIDED]


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
