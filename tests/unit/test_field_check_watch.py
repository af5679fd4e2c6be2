"""A field check holds an instrument against something known and says whether it still keeps to its maker's limits."""

import math

import pytest

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome
from baytrace.watches.watch import View, build

# R134a at 20 degC: 571.7 kPa (Tillner-Roth and Baehr 1994, table of saturation)
SATURATION_20C_PA = 571_710.0


def channel(name, role, unit, accuracy):
    return Channel(name, role, unit_for(role, unit), Accuracy.parse(accuracy), f"{name} instrument")


def view(thermometer="0.3 K", sensor="0.5 % of full scale (35 bar)"):
    rows = (
        channel("high", Role.HIGH_SIDE, "bar", sensor),
        channel("low", Role.LOW_SIDE, "bar", sensor),
        channel("air", Role.AMBIENT_AIR, "degC", thermometer),
        channel("scale", Role.TANK_MASS, "g", "5 g"),
        channel("meter", Role.COIL_RESISTANCE, "ohm", "0.5 % of reading + 0.02 ohm"),
    )
    return View({row.name: row for row in rows})


def judged(settings, items, channels=None):
    watch = build("field_check", settings, channels or view())
    for item in sorted(items, key=lambda each: each.time_ns):
        watch.mark(item) if isinstance(item, Mark) else watch.reading(item)
    assert watch.status().sentence
    return watch.verdict()


def steady(name, role, value, seconds=70, *, start=0, slope=0.0):
    return [Reading((start + s) * NS, name, role, value + slope * s) for s in range(seconds)]


SAT = {"check": "saturation", "refrigerant": "R134a"}


@pytest.mark.parametrize(
    ("off", "outcome", "finding"), [(0.0, Outcome.PASS, "agrees"), (60_000.0, Outcome.FAIL, "off")]
)
def test_field_check_sensor_against_saturation_at_ambient(off, outcome, finding):
    """A sensor on a resting cylinder agrees with the published saturation pressure, or is off by more than its maker allows."""
    items = steady("high", Role.HIGH_SIDE, SATURATION_20C_PA + off) + steady("air", Role.AMBIENT_AIR, 293.15)
    verdict = judged(SAT, items)
    assert (verdict.outcome, verdict.finding) == (outcome, finding)
    assert verdict.evidence["known"].value == pytest.approx(SATURATION_20C_PA, rel=5e-4)
    assert "high instrument" in verdict.reasons[0]


def test_field_check_coarse_thermometer_decides_nothing_and_is_named():
    """When the thermometer is worse than what is allowed, it is said so, with how good it would have to be."""
    items = steady("high", Role.HIGH_SIDE, SATURATION_20C_PA) + steady("air", Role.AMBIENT_AIR, 293.15)
    verdict = judged(SAT, items, view(thermometer="3 K"))
    assert verdict.outcome is Outcome.UNDECIDED
    assert "air instrument is too coarse" in verdict.reasons[1]


def test_field_check_sensor_not_at_rest_is_not_compared():
    """A cylinder still warming up is no reference."""
    items = steady("high", Role.HIGH_SIDE, SATURATION_20C_PA, slope=400.0) + steady("air", Role.AMBIENT_AIR, 293.15)
    verdict = judged(SAT, items)
    assert verdict.outcome is Outcome.UNDECIDED
    assert "not at rest" in " ".join(verdict.reasons)


@pytest.mark.parametrize(("step", "finding"), [(1.001, "agrees"), (1.02, "off"), (1.005, "undecided")])
def test_field_check_scale_is_judged_by_the_step_a_known_mass_makes(step, finding):
    """Whatever lay on the scale before does not matter; the step does."""
    items = [*steady("scale", Role.TANK_MASS, 0.3, 20), Mark(20 * NS, "mass on")]
    items += steady("scale", Role.TANK_MASS, 0.3 + step, 30, start=20)
    assert judged({"check": "scale", "known_mass_g": 1000, "known_percent": 0.1}, items).finding == finding


@pytest.mark.parametrize(("shown", "finding"), [(10.02, "agrees"), (10.4, "off")])
def test_field_check_meter_against_a_known_resistor(shown, finding):
    """The contact is found as in the sweep, the leads taken off."""
    values = [math.inf] * 10 + [shown + 0.2] * 20 + [math.inf] * 5
    items = [Reading(int(0.2 * i * NS), "meter", Role.COIL_RESISTANCE, value) for i, value in enumerate(values)]
    verdict = judged({"check": "meter", "known_ohm": 10.0, "known_percent": 0.1, "lead_ohm": 0.2}, items)
    assert verdict.finding == finding


@pytest.mark.parametrize(("apart", "finding"), [(5_000.0, "agrees"), (60_000.0, "off")])
def test_field_check_both_sides_of_a_resting_manifold_read_the_same(apart, finding):
    """Two sensors on one volume may differ by what both makers allow, and no more."""
    items = steady("low", Role.LOW_SIDE, 5e5) + steady("high", Role.HIGH_SIDE, 5e5 + apart)
    assert judged({"check": "manifold"}, items).finding == finding


@pytest.mark.parametrize(
    "check", [SAT, {"check": "scale", "known_mass_g": 1}, {"check": "meter", "known_ohm": 1}, {"check": "manifold"}]
)
def test_field_check_without_readings_says_what_it_waits_for(check):
    """Nothing seen is undecided, in one line."""
    verdict = judged(check, [])
    assert (verdict.outcome, verdict.finding, len(verdict.reasons)) == (Outcome.UNDECIDED, "undecided", 1)


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"check": "wibble"},
        {"check": "saturation"},
        {"check": "scale"},
        {"check": "meter"},
        {"check": "manifold", "role": "vent_air"},
    ],
)
def test_field_check_needs_what_it_is_held_against(wrong):
    """A check without its reference is refused by name."""
    with pytest.raises(BadInput):
        build("field_check", wrong, view())


def scale(kilogram, start, end):
    return [Reading(second * NS, "scale", Role.TANK_MASS, kilogram) for second in range(start, end)]


SCALE = {"check": "scale", "known_mass_g": 1000.0, "known_percent": 0.1}


@pytest.mark.parametrize("late_s", [0, 3, 15])
def test_field_check_mass_may_be_marked_some_seconds_after_it_was_set_down(late_s):
    """A hand sets the mass down and then marks it: a sound scale is not found off for that."""
    items = [*scale(0.0, 0, 65 - late_s), *scale(1.0, 65 - late_s, 150), Mark(65 * NS, "mass on")]
    verdict = judged(SCALE, items)
    assert verdict.outcome is Outcome.PASS, verdict.reasons


def test_field_check_mass_marked_twice_or_without_a_step_finds_nothing_off():
    """A second mark while the mass lies there changes nothing; a mark without a step, or before any reading, says what to do."""
    lying = [*scale(0.0, 0, 60), *scale(1.0, 60, 240), Mark(60 * NS, "mass on")]
    assert judged(SCALE, [*lying, Mark(120 * NS, "mass on")]).outcome is Outcome.PASS
    flat = judged(SCALE, [*scale(1.0, 0, 200), Mark(70 * NS, "mass on")])
    assert flat.outcome is Outcome.UNDECIDED
    assert "shows no step" in flat.reasons[0]
    unread = judged(SCALE, [Mark(0, "mass on"), *scale(1.0, 5, 100)])
    assert "before the scale was ever read" in unread.reasons[0]


@pytest.mark.parametrize("check", ["manifold", "saturation"])
def test_field_check_compares_only_what_was_read_at_one_time(check):
    """Readings of one instrument, and minutes later of the other, are not held against each other."""
    if check == "manifold":
        settings, first, second = {"check": check}, ("low", Role.LOW_SIDE, 6e5), ("high", Role.HIGH_SIDE, 6e5)
    else:
        settings, first, second = SAT, ("air", Role.AMBIENT_AIR, 293.15), ("high", Role.HIGH_SIDE, SATURATION_20C_PA)
    together = judged(settings, steady(*first) + steady(*second))
    apart = judged(settings, steady(*first) + steady(*second, start=500))
    assert (together.outcome, apart.outcome) == (Outcome.PASS, Outcome.UNDECIDED)
    assert "has said nothing for 500 s" in apart.reasons[0]


def test_field_check_figures_bear_no_more_digits_than_they_are_sure_of():
    """Differences are told in the unit people read, rounded by their uncertainty, with what is allowed."""
    items = steady("high", Role.HIGH_SIDE, SATURATION_20C_PA + 60_000.0) + steady("air", Role.AMBIENT_AIR, 293.15)
    said = judged(SAT, items).reasons[0]
    assert said == "high instrument differs by +60.0 kPa from what is known (± 6.0 kPa); 17.5 kPa either way is allowed"
    both = steady("low", Role.LOW_SIDE, 6e5) + steady("high", Role.HIGH_SIDE, 6.05e5)
    assert (
        judged({"check": "manifold"}, both)
        .reasons[0]
        .startswith("high instrument differs by +5 kPa from low instrument")
    )


def test_field_check_status_tells_the_step_that_is_due():
    """After the mass was marked, the sentence speaks of what is awaited then, not of setting it down."""
    watch = build("field_check", SCALE, view())
    for reading in scale(0.0, 0, 60):
        watch.reading(reading)
    assert watch.status().sentence.startswith("Leave the scale empty")
    watch.mark(Mark(60 * NS, "mass on"))
    assert watch.status().sentence.startswith("The scale has not settled since")


def test_field_check_leads_nobody_measured_may_be_the_whole_difference():
    """10.12 ohm on 10 ohm is a meter that is off, or leads of 0.12 ohm: unknown, neither is said; far beyond leads it is off."""
    known = {"check": "meter", "known_ohm": 10.0, "known_percent": 0.1}

    def held(shown):
        values = [math.inf] * 10 + [shown] * 20 + [math.inf] * 5
        return [Reading(int(0.2 * i * NS), "meter", Role.COIL_RESISTANCE, value) for i, value in enumerate(values)]

    assert judged(known, held(10.12)).outcome is Outcome.UNDECIDED
    assert "set lead_ohm" in " ".join(judged(known, held(10.02)).reasons)
    assert judged(known | {"lead_ohm": 0.0}, held(10.12)).finding == "off"
    assert judged(known, held(10.5)).finding == "off"
    assert judged(known, held(9.8)).finding == "off"


def test_field_check_known_mass_of_unknown_tolerance_decides_little():
    """A mass nobody vouches for may be off by a percent: the check asks for its own tolerance."""
    items = [*steady("scale", Role.TANK_MASS, 0.3, 20), Mark(20 * NS, "mass on")]
    items += steady("scale", Role.TANK_MASS, 1.3, 30, start=20)
    verdict = judged({"check": "scale", "known_mass_g": 1000}, items)
    assert verdict.outcome is Outcome.UNDECIDED
    assert "known_percent" in " ".join(verdict.reasons)


def test_field_check_gauge_pressure_needs_the_air_pressure():
    """A gauge sensor at 1500 m reads 17 kPa too high when sea level is assumed: without elevation it is not compared."""
    flag = int(Quality.NO_ATMOSPHERE)
    sensor = [each._replace(quality=flag) for each in steady("high", Role.HIGH_SIDE, SATURATION_20C_PA)]
    verdict = judged(SAT, [*sensor, *steady("air", Role.AMBIENT_AIR, 293.15)])
    assert verdict.outcome is Outcome.UNDECIDED
    assert "elevation_m" in " ".join(verdict.reasons)
    known = [each._replace(quality=0) for each in sensor]
    assert judged(SAT, [*known, *steady("air", Role.AMBIENT_AIR, 293.15)]).finding == "agrees"


def test_field_check_limit_that_was_set_stands_for_an_accuracy_nobody_stated():
    """What `allowed` says needs no maker's figure of the instrument under check; the verdict tells the gate so."""
    items = steady("high", Role.HIGH_SIDE, SATURATION_20C_PA) + steady("air", Role.AMBIENT_AIR, 293.15)
    assert "allowed_by" not in judged(SAT, items).more
    assert judged(SAT | {"allowed": 40_000.0}, items).more["allowed_by"] == "settings"
