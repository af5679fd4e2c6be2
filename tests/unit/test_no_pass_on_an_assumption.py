"""No verdict on an assumption, over all watches: knowing less never makes a pass.

Each case is a stream that fails or stays undecided (never one that passes). Taken away from it, one at a time: every setting that
tells something known, every channel; every channel is frozen at its first value; and a constant is added to a channel, as by a zero
that is off or a gauge read against the wrong zero. None of it may turn `undecided` or `fail` into `pass`.

Limits, told openly:
- Settings that say what is asked (`ASKED`: a limit, a time, a tolerance, which check) are no knowledge: without them another question
  is answered. They are left in.
- A constant hides from a watch where nothing else measures the same: 3 ohm taken off a coil that is 3 ohm too high, a thermometer that
  is 60 K off on a coil, 30 Pa taken off a vacuum that is 20 Pa short of its target, a gauge whose zero has moved by less than a law
  would show. `SHIFTS` has the constants that accuracy, a law of nature or the watch's own way of measuring can see: whatever is weighed
  or timed as a difference must not mind any constant, an absolute pressure must not pass below nothing.
- A channel that stands still from its first reading on tells nothing; where the first reading happens to be the truth (a bench
  thermometer on a still day) freezing it changes nothing either.
Readings go through the interpreter, as on a bench, so that what no quantity can have is flagged as there.
"""

import math

import pytest

import coil_streams
import hold_traces
import watch_streams
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.interpret import Interpreter
from baytrace.measure.reading import Mark, Raw, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against
from baytrace.measure.verdict import Outcome
from baytrace.watches.watch import View, build
from watch_streams import running

ASKED = frozenset(
    {
        "guard",
        "order",
        "reference_c",
        "limits",
        "check",
        "rest_s",
        "allowed",
        "leak_limit",
        "hold_s",
        "deep_vacuum_s",
        "target_pa",
    }
)


def touched(values, temperature=None, **how):
    items = coil_streams.plain(values, **how)
    if temperature is not None:
        items += [coil_streams.degc(second, temperature) for second in range(int(items[-1].time_ns / NS) + 1)]
    return sorted(items, key=lambda item: item.time_ns), coil_streams.view()


BANK = {"coils": 4, "low_ohm": coil_streams.LOW, "high_ohm": coil_streams.HIGH, "lead_ohm": 0.0}
CASES = watch_streams.CASES | {
    "sweep, warm and low": ("sweep", BANK, lambda: touched([14.5] * 4, 85.0)),
    "sweep, warm and low, said": ("sweep", BANK | {"temperature_c": 85.0}, lambda: touched([14.5] * 4)),
    "sweep, cold and high": ("sweep", BANK | {"temperature_c": 15.0}, lambda: touched([14.5, 17.6, 14.6, 14.4])),
    "sweep, leads in it": ("sweep", BANK | {"temperature_c": 20.0, "lead_ohm": 0.15}, lambda: touched([13.6] * 4)),
    "sweep, one left out": ("sweep", BANK | {"temperature_c": 20.0}, lambda: touched([14.5] * 3, marks=True)),
    "sweep, one left out by order": ("sweep", BANK | {"temperature_c": 20.0}, lambda: touched([14.5] * 3)),
    "sweep, family": (
        "sweep",
        {"coils": 2, "family": "clutch", "lead_ohm": 0.0},
        lambda: touched([3.0, 5.6], 20.0),
    ),
    "evacuation, not deep enough": (
        "evacuation",
        {"volume_l": 2.0, "target_pa": 30.0},
        lambda: (hold_traces.job(), hold_traces.channels()),
    ),
    "evacuation, pumped too briefly": (
        "evacuation",
        {"volume_l": 2.0},
        lambda: (hold_traces.job(pump=900.0), hold_traces.channels()),
    ),
    "pressure_hold, nearly": ("pressure_hold", {"volume_l": 3.0}, lambda: watch_streams.standing_test(6.0)),
    "charge, another label": ("charge", {"refrigerant": "R134a", "label_g": 700.0}, lambda: running(600.0)),
    "pressures, low high": ("pressures", {"refrigerant": "R134a"}, lambda: running(low=60.0, high=110.0)),
    "pressures, low low": ("pressures", {"refrigerant": "R134a"}, lambda: running(low=10.0, high=200.0)),
    "field_check, meter off": (
        "field_check",
        {"check": "meter", "known_ohm": 14.0, "known_percent": 0.1, "lead_ohm": 0.0},
        lambda: touched([14.2]),
    ),
}


def sent(reading, row):
    """What the instrument of `row` would have shown."""
    atmosphere = STANDARD_ATMOSPHERE_PA if row.unit.against in (Against.GAUGE, Against.VACUUM) else 0.0
    value = reading.value if math.isinf(reading.value) else row.unit.from_si(reading.value - atmosphere)
    return Raw(reading.channel, value, reading.time_ns, reading.time_ns, reading.quality)


def verdict_of(name, chosen, items, view):
    """As a bench comes to it: raw values, read at sea level."""
    reader = Interpreter(list(view.channels.values()), elevation_m=0.0)
    watch = build(name, chosen, view)
    for item in items:
        if isinstance(item, Mark):
            watch.mark(item)
        else:
            watch.reading(reader.reading(sent(item, view.channels[item.channel])))
    watch.advance(items[-1].time_ns)
    return watch.verdict()


def heard(items):
    return sorted({item.channel for item in items if isinstance(item, Reading)})


def frozen(items, name):
    """Every reading of the channel as its first."""
    first = next(item for item in items if isinstance(item, Reading) and item.channel == name)
    return [
        item._replace(value=first.value, quality=first.quality)
        if isinstance(item, Reading) and item.channel == name
        else item
        for item in items
    ]


def shifted(items, name, by):
    return [
        item._replace(value=item.value + by) if isinstance(item, Reading) and item.channel == name else item
        for item in items
    ]


@pytest.fixture(scope="module")
def made():
    """Streams are made once."""
    kept = {}

    def of(case):
        if case not in kept:
            kept[case] = CASES[case][2]()
        return kept[case]

    return of


@pytest.mark.parametrize("case", CASES)
def test_the_case_itself_does_not_pass(case, made):
    """Each stream fails or stays undecided as it is, or the rest would show nothing."""
    name, chosen, _ = CASES[case]
    assert verdict_of(name, chosen, *made(case)).outcome is not Outcome.PASS


@pytest.mark.parametrize(
    ("case", "setting"), [(case, key) for case, (_, chosen, _) in CASES.items() for key in chosen if key not in ASKED]
)
def test_a_setting_not_known_makes_no_pass(case, setting, made):
    """Whatever nobody entered is not taken for something that suits; what cannot be left out is refused."""
    name, chosen, _ = CASES[case]
    left = {key: value for key, value in chosen.items() if key != setting}
    try:
        verdict = verdict_of(name, left, *made(case))
    except BadInput:
        return
    assert verdict.outcome is not Outcome.PASS, verdict.reasons


@pytest.mark.parametrize("case", CASES)
def test_a_channel_not_there_makes_no_pass(case, made):
    """Not connected, or connected and silent: what it would have said is not assumed."""
    name, chosen, _ = CASES[case]
    items, view = made(case)
    for gone in heard(items):
        left = [item for item in items if isinstance(item, Mark) or item.channel != gone]
        if not left:
            continue
        without = View({key: row for key, row in view.channels.items() if key != gone})
        for seen in (view, without):
            verdict = verdict_of(name, chosen, left, seen)
            assert verdict.outcome is not Outcome.PASS, (gone, verdict.reasons)


@pytest.mark.parametrize("case", CASES)
def test_a_channel_that_stands_still_makes_no_pass(case, made):
    """An instrument that froze at its first value proves nothing."""
    name, chosen, _ = CASES[case]
    items, view = made(case)
    for stuck in heard(items):
        verdict = verdict_of(name, chosen, frozen(items, stuck), view)
        assert verdict.outcome is not Outcome.PASS, (stuck, verdict.reasons)


SHIFTS = {
    "evacuation": {Role.SYSTEM_PRESSURE: (-1e5, -5e3, 50.0, 5e3), Role.SYSTEM_TEMPERATURE: (-300.0, -10.0, 10.0)},
    "pressure_hold": {Role.LOW_SIDE: (-2e6, -2e4, 2e4), Role.SYSTEM_TEMPERATURE: (-300.0, -5.0, 5.0)},
    "charge": {Role.TANK_MASS: (-20.0, -0.3, 0.3, 20.0), Role.LOW_SIDE: (-2e6,), Role.HIGH_SIDE: (-5e6,)},
    "pressures": {Role.LOW_SIDE: (-2e6, 3e6), Role.HIGH_SIDE: (-5e6, 5e6)},
    "sweep": {Role.COIL_RESISTANCE: (-1e4, 1e4, 1e6), Role.COIL_TEMPERATURE: (-400.0, 200.0)},
    "field_check": {Role.LOW_SIDE: (-5e6, -5e5, 5e5), Role.COIL_RESISTANCE: (-10.0, 10.0)},
    "limits": {Role.HIGH_SIDE: (-2e6, 5e5)},
}
"""Constants in SI that each watch, its channels' accuracy or a law of nature can see; see above for those that none can."""


@pytest.mark.parametrize("case", CASES)
def test_a_constant_that_can_be_seen_makes_no_pass(case, made):
    """A zero far off, a swapped unit, a tare: what a difference cannot mind or a law forbids is no way to a pass."""
    name, chosen, _ = CASES[case]
    items, view = made(case)
    for moved in heard(items):
        for by in SHIFTS[name].get(view.channels[moved].role, ()):
            verdict = verdict_of(name, chosen, shifted(items, moved, by), view)
            assert verdict.outcome is not Outcome.PASS, (moved, by, verdict.reasons)


@pytest.mark.parametrize("first", [0, 20, 40])
def test_a_hurried_sweep_that_knows_less_makes_no_pass(first):
    """Twenty made-up streams a run: bounce, spikes, missed and repeated contacts, warm coils, leads of all kinds."""
    for seed in range(first, first + 20):
        stream, view = coil_streams.simulated(seed), coil_streams.view()
        if verdict_of("sweep", stream.settings, stream.items, view).outcome is Outcome.PASS:
            continue
        less = [
            ({key: value for key, value in stream.settings.items() if key != gone}, stream.items)
            for gone in stream.settings
        ]
        less += [(stream.settings, frozen(stream.items, name)) for name in heard(stream.items)]
        for settings, items in less:
            assert verdict_of("sweep", settings, items, view).outcome is not Outcome.PASS, (seed, settings)
