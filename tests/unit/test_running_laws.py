"""The laws of every running loop: broken ones are said, and nothing passes beside them."""

import numpy as np
import pytest

from baytrace.measure.roles import Role
from baytrace.measure.verdict import Outcome
from baytrace.physics.fluid_names import resolve
from baytrace.watches.running.alive import noisy
from baytrace.watches.running.figures import Loop, Value, loop_from
from baytrace.watches.running.laws import Kind, Rest, Scene, breaches
from charge_bench import ATMOSPHERE, PSI, assumed_sea_level, fed, items, relaxing, si, weighed

TIMES = np.arange(0.0, 900.0, 1.0)
MARKS = [(60.0, "charge start"), (160.0, "charge end"), (240.0, "engine on")]
SOUND = {
    Role.LOW_SIDE: 35.0, Role.HIGH_SIDE: 200.0, Role.SUCTION_LINE: 11.0, Role.LIQUID_LINE: 45.0,
    Role.DISCHARGE_LINE: 72.0, Role.VENT_AIR: 8.0, Role.AMBIENT_AIR: 27.0,
}  # fmt: skip
U = {Role.LOW_SIDE: 3000.0, Role.HIGH_SIDE: 10_000.0}
AT_REST = Value(83.0 * PSI + ATMOSPHERE, 3000.0)


def scene(rest=None, fluid="R134a", **changes):
    """A sound loop's scene with some readings changed (trade units); None takes one away."""
    shown = SOUND | {Role(name): value for name, value in changes.items()}
    measured = {
        role: Value(float(si(role, value)), U.get(role, 0.5)) for role, value in shown.items() if value is not None
    }
    return Scene(
        loop_from(measured, resolve(fluid)), rest or Rest(AT_REST, AT_REST, True, Value(0.0, 1.5)), started=True
    )


def broken(one):
    return [(breach.law, breach.kind) for breach in breaches(one)]


def test_a_sound_loop_breaks_no_law():
    """Nothing is said of a loop that obeys them all, whole or with any channel missing."""
    assert broken(scene()) == []
    for role in SOUND:
        assert broken(scene(**{role: None})) == [], role
    assert broken(Scene(Loop({}))) == []


@pytest.mark.parametrize(
    ("changes", "law", "kind"),
    [
        ({"high_side": 85.0, "ambient_air": 40.0, "liquid_line": 29.0}, "condensing above ambient", Kind.INSTRUMENT),
        ({"suction_line": -2.0}, "suction line not colder than evaporating", Kind.INSTRUMENT),
        ({"vent_air": 0.0}, "vent air not colder than evaporating", Kind.INSTRUMENT),
        ({"discharge_line": 47.0}, "discharge not colder than condensing", Kind.INSTRUMENT),
        ({"liquid_line": 60.0}, "liquid line not warmer than condensing", Kind.INSTRUMENT),
        ({"low_side": 200.0, "high_side": 35.0}, "high side above low side", Kind.INSTRUMENT),
        ({"low_side": 83.0, "high_side": 84.0}, "a running compressor parts the pressures", Kind.PUMPING),
        ({"high_side": 75.0, "liquid_line": 26.0}, "high side above its standing pressure", Kind.INSTRUMENT),
        ({"low_side": 95.0, "suction_line": 40.0, "vent_air": 36.0}, "low side below its standing pressure", Kind.INSTRUMENT),
        ({"liquid_line": 12.0, "suction_line": 12.0}, "liquid line not colder than the air", Kind.SIGN),
    ],
)  # fmt: skip
def test_each_law_that_is_broken_is_said(changes, law, kind):
    """One contradiction each; its law is named, with by how much and where to look."""
    found = breaches(scene(**changes))
    assert (law, kind) in [(breach.law, breach.kind) for breach in found]
    first = next(breach for breach in found if breach.law == law)
    assert first.text.endswith(".")
    assert first.by is not None
    assert first.to_json()["by"]["unit"] == first.by.unit


@pytest.mark.parametrize(
    ("one", "other"),
    [("suction_line", "liquid_line"), ("liquid_line", "discharge_line"), ("suction_line", "discharge_line")],
)
def test_swapped_clamps_are_named(one, other):
    """Two clamps that changed places are named as the two."""
    swapped = {one: SOUND[Role(other)], other: SOUND[Role(one)]}
    said = [breach.text for breach in breaches(scene(**swapped)) if "look swapped" in breach.text]
    assert any(one.replace("_", " ") in text and other.replace("_", " ") in text for text in said)


def test_swapped_hoses_are_said_alone():
    """What explains the other contradictions stands alone."""
    assert broken(scene(low_side=200.0, high_side=35.0)) == [("high side above low side", Kind.INSTRUMENT)]


def test_a_law_within_its_interval_is_not_broken():
    """A suction line 1 K colder than evaporating with a thermometer good to 0.5 K (k = 1) is no contradiction for certain."""
    assert broken(scene(suction_line=3.6)) == []


def test_gauges_that_disagree_at_rest_are_said():
    """Both sides stand still before the start, one of them a bar too high; while they still move nothing is said."""
    off = Value(AT_REST.value + 1e5, 3000.0)
    assert ("both sides equal at rest", Kind.INSTRUMENT) in broken(scene(Rest(AT_REST, off, True)))
    assert ("both sides equal at rest", Kind.INSTRUMENT) not in broken(scene(Rest(AT_REST, off, False)))


@pytest.mark.parametrize(("excess", "broke"), [(20.0, True), (6.0, False), (-2.0, False), (-9.0, True)])
def test_a_standing_pressure_that_the_refrigerant_does_not_explain(excess, broke):
    """Air and a warm engine bay explain some kelvin above; much above or below speaks of another refrigerant or of the gauge."""
    rest = Rest(AT_REST, AT_REST, True, Value(excess, 1.5))
    assert (("standing pressure explained by the refrigerant", Kind.CONTENTS) in broken(scene(rest))) is broke


def columns(**running):
    made = relaxing(TIMES, 240.0, running=running)
    made[Role.TANK_MASS] = np.round(weighed(TIMES, 60.0, 160.0, 600.0))
    return made


def both(made, quality=0, **chosen):
    things = items(TIMES, made, MARKS, quality)
    return [fed("charge", things, {"label_g": 600.0} | chosen).verdict(), fed("pressures", things, chosen).verdict()]


def test_a_clutch_that_never_engaged_settles_nothing():
    """Engine on, both sides stay at rest, with a gauge's noise: `no pumping`, and the charge is not settled."""
    made = columns(low=83.0, high=83.0, suction=27.0, liquid=27.0, vent=27.0)
    charge, pressures = both(made)
    assert (charge.outcome, charge.finding) == (Outcome.UNDECIDED, "not settled")
    assert (pressures.outcome, pressures.finding) == (Outcome.FAIL, "no pumping")
    assert pressures.more["causes"][0]["cause"] == "clutch not engaged"
    assert "nothing pumps" in pressures.reasons[0]


@pytest.mark.parametrize("role", [Role.LOW_SIDE, Role.HIGH_SIDE, Role.SUCTION_LINE, Role.VENT_AIR])
@pytest.mark.parametrize("since", [0.0, 500.0])
def test_a_frozen_channel_gives_no_verdict(role, since):
    """A channel that repeats its number, from the beginning or from some instant on, is named; neither watch passes or fails."""
    made = columns()
    made[role] = np.where(since <= TIMES, made[role][int(since)], made[role])
    for verdict in both(made):
        assert verdict.outcome is Outcome.UNDECIDED
        assert "frozen" in verdict.reasons[0]
        assert [entry["channels"] for entry in verdict.more["laws"]] == [[str(role)]]


def test_a_coarse_gauge_that_stands_still_is_not_frozen():
    """A needle read to the nearest 5 psi stands on one number for minutes, and moved with the start."""
    made = columns()
    for role in (Role.LOW_SIDE, Role.HIGH_SIDE):
        made[role] = 5.0 * np.round(made[role] / 5.0)
    for verdict in both(made):
        assert verdict.more["laws"] == []


def test_pressures_below_nothing_are_an_instrument_fault():
    """A gauge that shows 17 psi below the air: both watches say so first and judge nothing."""
    made = columns()
    made[Role.LOW_SIDE] -= 52.0
    for verdict in both(made):
        assert verdict.outcome is Outcome.UNDECIDED
        assert "no pressure lies below zero" in verdict.reasons[0]


def test_another_refrigerant_in_the_loop_is_no_pass():
    """A loop of R134a standing at R22's pressure for the air: neither watch passes."""
    made = relaxing(TIMES, 240.0, standing={"low": 148.0, "high": 148.0})
    made[Role.TANK_MASS] = np.round(weighed(TIMES, 60.0, 160.0, 600.0))
    for verdict in both(made):
        assert verdict.outcome is not Outcome.PASS
        assert any("Identify the refrigerant" in reason for reason in verdict.reasons)


def test_an_unknown_site_widens_downwards_over_its_whole_span():
    """Without barometer or elevation a gauge pressure may be 31 kPa lower (ISO 2533:1975, 3000 m: 70.1 kPa) and hardly higher."""
    known, unknown = (both(columns(), quality)[0].evidence for quality in (0, assumed_sea_level()))
    low, wide = known["low_side_pressure"], unknown["low_side_pressure"]
    assert low.low - wide.low == pytest.approx(101_325.0 - 70_108.0, abs=20.0)
    assert wide.high - low.high == pytest.approx(104_000.0 - 101_325.0, abs=1.0)
    assert wide.value == low.value
    assert unknown["superheat"].high - known["superheat"].high > 1.5


@pytest.mark.parametrize("seed", range(20))
def test_noise_turns_back_and_a_course_does_not(seed):
    """White noise and a rounded one are noise, a rise and a standstill are none."""
    rng = np.random.default_rng(seed)
    assert noisy(rng.normal(size=200))
    assert noisy(np.round(rng.normal(size=200), 0))
    assert not noisy(np.exp(-np.arange(200.0) / 20.0))
    assert not noisy(np.zeros(200))
