"""What goes into the car by the scale: an interval that holds it, no pass on an assumption, and what is missing said in time."""

import sys
from pathlib import Path

import numpy as np
import pytest

from baytrace.measure.reading import Mark
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Outcome
from baytrace.watches.charge.hose import hose_left
from baytrace.watches.watch import View, build
from charge_bench import fed, items, relaxing, view, weighed

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from charge_mass_afresh import played
from scale_traces_afresh import KINDS, trace

TIMES = np.arange(0.0, 700.0)
LOOP = relaxing(TIMES, 240.0, tau=25.0)
MARKS = [(60.0, "charge start"), (160.0, "charge end"), (240.0, "engine on")]
FINE = {"tank_mass": "2 g"}


def noisy(grams, seed=1, sigma=0.4):
    return np.round(grams + np.random.default_rng(seed).normal(0.0, sigma, len(grams)))


def judged(tank, marks=tuple(MARKS), **told):
    """The charge watch on a 2 g scale, with the label's 600 g unless told otherwise."""
    things = items(TIMES, LOOP | {Role.TANK_MASS: tank}, list(marks))
    return fed("charge", things, {"label_g": 600.0} | told, FINE)


def interval(watch):
    figure = watch.verdict().evidence["charged_mass"]
    return figure.low, figure.high


@pytest.fixture(scope="module")
def afresh():
    """Eight traces of each kind of another hand, told by the watch."""
    return {kind: [played(trace(kind, 5, number)) for number in range(8)] for kind in KINDS}


def test_the_interval_holds_what_traces_of_another_hand_put_in(afresh):
    """In every kind but the slow pull, which one scale cannot tell from flow, at most one interval in eight misses, and of all of them
    94 % hold; no charge passes that is wrong, none is called wrong that is right.
    """
    rows = {kind: found for kind, found in afresh.items() if kind != "slow pull"}
    assert all(sum(not one.holds for one in found) <= 1 for found in rows.values())
    every = [one for found in rows.values() for one in found]
    assert sum(one.holds for one in every) >= 0.94 * len(every)
    assert not any(one.wrong_pass or one.wrong_fail for one in every)


def test_coverage_is_not_bought_by_wide_intervals(afresh):
    """Tanks left alone on scales of all sorts are weighed within 12 g, by half of them."""
    assert np.median([one.half_g for one in afresh["clean"]]) < 12.0


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("told", [{"hose": "full before and after"}, {"hose": "emptied into the car"}, {"hose_g": 0.0}])
def test_a_clean_charge_on_a_fine_scale_passes(seed, told):
    """A 2 g scale, a hose of which somebody said how it was left, and 600 g on a label of 600 g within 15 g."""
    watch = judged(noisy(weighed(TIMES, 60.0, 160.0, 600.0), seed), **told)
    assert watch.verdict().outcome is Outcome.PASS
    low, high = interval(watch)
    assert low <= 600.0 <= high
    assert high - low < 20.0


def test_a_hose_holds_forty_grams_of_liquid_or_one_of_vapour():
    """1.8 m of 4.8 mm bore are 32.6 ml: 40 g of liquid R134a at 20 degC (1225 kg/m3), 0.9 g of vapour (27.8 kg/m3); Tillner-Roth and
    Baehr 1994.
    """
    assert hose_left("R134a", "unknown", 1.8, 4.8).below_kg == pytest.approx(0.040, abs=0.0005)
    vapour = hose_left("R134a", "emptied into the car", 1.8, 4.8)
    assert vapour.kg + vapour.half_kg == pytest.approx(0.0009, abs=0.00005)
    assert vapour.below_kg == 0.0


def test_an_unknown_hose_widens_the_interval_to_one_side():
    """Nobody said how the hose was left: up to all that the usual ones hold is not in the car, nothing passes, and the words say what
    to enter. A charge that is too large even so is called so.
    """
    tank = noisy(weighed(TIMES, 60.0, 160.0, 600.0))
    known, unknown = judged(tank), judged(tank, hose="unknown")
    (low, high), (least, most) = interval(known), interval(unknown)
    assert low - least == pytest.approx(80.0, abs=3.0)
    assert most == pytest.approx(high, abs=1.0)
    assert unknown.verdict().outcome is Outcome.UNDECIDED
    assert any("set 'hose'" in said for said in unknown.verdict().reasons)
    short = judged(tank, hose="unknown", hose_length_m=1.8)
    assert low - interval(short)[0] == pytest.approx(40.0, abs=3.0)
    much = judged(noisy(weighed(TIMES, 60.0, 160.0, 720.0)), hose="unknown")
    assert much.verdict().finding == "overcharged"
    little = judged(noisy(weighed(TIMES, 60.0, 160.0, 500.0)), hose="unknown")
    assert little.verdict().finding == "undercharged"


def test_a_passing_valve_is_said_and_never_taken_off_silently():
    """0.044 g/s with the valve shut, before and after: creep by OIML R 76-1 is a hundredth of it. 700 g left the tank within the marks
    and the slope makes it look like less or more; nothing passes, and the words name a valve or a coupling.
    """
    for grams in (600.0, 610.0):
        watch = judged(noisy(weighed(TIMES, 60.0, 160.0, grams) - 0.044 * TIMES))
        verdict = watch.verdict()
        assert any("a valve or a coupling passes" in said for said in verdict.reasons)
        low, high = interval(watch)
        assert low <= grams <= high
        assert verdict.evidence["scale_drift"].value == pytest.approx(-0.044, abs=0.01)


def test_a_slow_long_charge_with_a_passing_valve_does_not_pass():
    """102 g in all over 39 minutes were once taken off and passed: the interval holds both stories, so nothing is decided."""
    times = np.arange(0.0, 2900.0)
    tank = noisy(weighed(times, 120.0, 2400.0, 600.0) - 0.044 * times)
    marks = [(120.0, "charge start"), (2402.0, "charge end"), (2600.0, "engine on")]
    watch = fed(
        "charge",
        items(times, relaxing(times, 2600.0, tau=25.0) | {Role.TANK_MASS: tank}, marks),
        {"label_g": 600.0},
        FINE,
    )
    low, high = interval(watch)
    assert low <= 600.0
    assert high >= 700.0
    assert watch.verdict().outcome is Outcome.UNDECIDED


def test_two_marked_charges_add_up():
    """500 g, and after a pause 80 g more under marks of their own, are 580 g; a mark said twice begins nothing anew."""
    tank = noisy(weighed(TIMES, 60.0, 140.0, 500.0) - 80.0 * np.clip((TIMES - 220.0) / 20.0, 0.0, 1.0))
    marks = [
        (58.0, "charge start"),
        (70.0, "charge start"),
        (145.0, "charge end"),
        (215.0, "charge start"),
        (245.0, "charge end"),
    ]
    watch = judged(tank, marks, label_g=580.0)
    low, high = interval(watch)
    assert low <= 580.0 <= high
    assert watch.verdict().evidence["charged_mass"].value == pytest.approx(580.0, abs=3.0)


@pytest.mark.parametrize("until", [130.0, 700.0])
def test_a_scale_that_counts_the_other_way_is_refused(until):
    """The display climbs by 600 g between the marks: no mass is given, nothing is called under- or overcharged, and the page says it."""
    shown = np.where(until < TIMES, np.nan, noisy(9600.0 - weighed(TIMES, 60.0, 160.0, 600.0)))
    seen = [
        thing
        for thing in items(TIMES, LOOP | {Role.TANK_MASS: shown}, MARKS)
        if thing.time_ns <= items(TIMES[:1], {}, [(until, "x")])[0].time_ns
    ]
    watch = fed("charge", seen, {"label_g": 600.0}, FINE)
    verdict = watch.verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "charged_mass" not in verdict.evidence
    assert any("counts the other way round" in said for said in (*verdict.reasons, watch.status().sentence))


@pytest.mark.parametrize("at", [85.0, 97.0, 110.0])
@pytest.mark.parametrize("height", [-250.0, 180.0, 2500.0])
def test_a_touch_at_coarse_sampling_changes_nothing(at, height):
    """One hand on the tank, read every 2 s: once 639 g of 465 g were told. What came back was never gone."""
    times = np.arange(0.0, 700.0, 2.0)
    tank = weighed(times, 60.0, 160.0, 465.0)
    tank[(times >= at) & (times < at + 4.0)] += height
    marks = [*MARKS[:2]]
    things = items(times, {Role.TANK_MASS: np.round(tank)}, marks)
    watch = fed("charge", things, {"label_g": 465.0}, FINE)
    figure = watch.verdict().evidence["charged_mass"]
    assert figure.value == pytest.approx(465.0, abs=4.0)
    assert figure.low <= 465.0 <= figure.high


def test_a_tank_set_down_differently_while_charging_is_within_the_interval():
    """Lifted for 6 s in full flow and set down 40 g heavier or lighter: the flow beside tells about how much."""
    for moved in (-40.0, 40.0):
        tank = weighed(TIMES, 60.0, 160.0, 600.0)
        tank[(TIMES >= 100) & (TIMES < 106)] = 0.0
        tank[TIMES >= 106] += moved
        watch = judged(noisy(tank))
        low, high = interval(watch)
        assert low <= 600.0 <= high
        assert high - low < 50.0
        assert any("left open by the flow" in said for said in watch.verdict().reasons)


def test_a_hose_moved_while_charging_leaves_both_stories():
    """25 g more within 3 s of flow may be the hose or the valve: the interval holds both, the words say so, and it does not pass."""
    tank = noisy(weighed(TIMES, 60.0, 160.0, 600.0) - 25.0 * np.clip((TIMES - 110.0) / 3.0, 0.0, 1.0))
    watch = judged(tank, label_g=625.0)
    low, high = interval(watch)
    assert low <= 600.0
    assert high >= 625.0
    assert watch.verdict().outcome is Outcome.UNDECIDED
    assert any("if that was the hose and not the valve" in said for said in watch.verdict().reasons)


def test_a_scale_that_zeroes_itself_may_have_swallowed_a_trickle():
    """It stood still for 60 s between the marks: some grams may have gone in unseen, unless it is said that it does not do so."""
    tank = noisy(weighed(TIMES, 60.0, 120.0, 590.0))
    marks = [(58.0, "charge start"), (180.0, "charge end"), MARKS[2]]
    unknown, off = judged(tank, marks), judged(tank, marks, scale_zeroing="off")
    assert interval(unknown)[1] - interval(off)[1] == pytest.approx(0.5 * (60.0 - 12.0), abs=4.0)
    assert interval(unknown)[0] == pytest.approx(interval(off)[0], abs=0.1)
    assert unknown.verdict().outcome is Outcome.UNDECIDED
    assert any("if it zeroes itself" in said for said in unknown.verdict().reasons)
    assert off.verdict().outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("accuracy", "never"), [("2 g", False), ("5 g", False), ("10 g", True), ("0.2 % of full scale (10000 g)", True)]
)
def test_a_scale_that_can_never_pass_says_so_before_the_charge(accuracy, never):
    """While waiting, the page tells that no charge can pass with this scale, and what would do; so do the reasons."""
    watch = build(
        "charge", {"refrigerant": "R134a", "label_g": 600.0, "hose": "full before and after"}, view(tank_mass=accuracy)
    )
    status, reasons = watch.status(), watch.verdict().reasons
    assert status.phase == "waiting"
    assert ("with this scale no charge can pass" in status.sentence.lower()) is never
    assert any("with this scale no charge can pass" in said for said in reasons) is never


def test_a_coarse_display_is_told_before_the_charge():
    """A 5 g scale that shows steps of 10 g can pass nothing within 10 g either way; it is told as soon as the steps are seen."""
    times = np.arange(0.0, 40.0)
    shown = 10.0 * np.round((9000.0 + 6.0 * np.sin(times)) / 10.0)
    told = {"label_g": 600.0, "tolerance_g": 10.0}
    watch = fed("charge", items(times, {Role.TANK_MASS: shown}), told)
    assert "no charge can pass" in watch.status().sentence
    assert "no charge can pass" not in fed("charge", [], told).status().sentence


@pytest.mark.parametrize("accuracy", ["2 g", "10 g"])
def test_a_hose_of_which_nothing_is_said_is_told_before_the_charge(accuracy):
    """The waiting page asks how the hose will be left, for after the charge nobody can say."""
    watch = build("charge", {"refrigerant": "R134a", "label_g": 600.0}, view(tank_mass=accuracy))
    assert "how the hose is left" in watch.status().sentence


@pytest.mark.parametrize(
    ("scale", "label", "said"),
    [(False, 600.0, "there is no scale"), (False, None, "nothing was weighed"), (True, None, "no label charge is set")],
)
def test_nothing_weighed_against_a_label_settles_and_does_not_pass(scale, label, said):
    """Without a scale, a label or both, the loop settles and the verdict stays open, with what is missing; it is told beforehand."""
    channels = {name: row for name, row in view().channels.items() if scale or row.role is not Role.TANK_MASS}
    told = {"refrigerant": "R134a", "hose": "full before and after"} | ({"label_g": label} if label else {})
    watch = build("charge", told, View(channels))
    assert "may settle but not pass" in watch.status().sentence
    columns = LOOP | ({Role.TANK_MASS: noisy(weighed(TIMES, 60.0, 160.0, 600.0))} if scale else {})
    for thing in items(TIMES, columns, MARKS):
        (watch.mark if isinstance(thing, Mark) else watch.reading)(thing)
    verdict = watch.verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.UNDECIDED, "settled")
    assert any(said in reason for reason in verdict.reasons)


def test_a_slowly_pulled_hose_is_the_limit():
    """40 g over 60 s of flow look like flow: the interval does not hold it. This is the limit that the manual states."""
    tank = noisy(weighed(TIMES, 60.0, 160.0, 600.0) - 40.0 * np.clip((TIMES - 80.0) / 60.0, 0.0, 1.0))
    assert not interval(judged(tank))[0] <= 600.0 <= interval(judged(tank))[1]
