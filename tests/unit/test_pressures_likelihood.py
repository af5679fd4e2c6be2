"""Likelihoods of causes keep their word on loop models of a structure that they were not made of."""

import itertools
from functools import cache, reduce

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baytrace.watches.limits_table import limit
from baytrace.watches.pressures.causes import CAUSES, CLUTCH, SIGNS, SOUND, Day
from baytrace.watches.pressures.ensemble import Ensemble, ensemble
from baytrace.watches.pressures.evidence import NAMES, compared
from baytrace.watches.pressures.likelihood import Cause, grouped, not_judged, not_pumping, ranked, ranking
from baytrace.watches.running.figures import Value

DAYS = [Day(20.0, 0.5, "expansion valve"), Day(30.0, 0.4, "orifice tube"), Day(38.0, 0.3, "expansion valve")]
U = {"evaporating": 0.3, "condensing": 0.4, "superheat": 0.4, "subcooling": 0.4, "vent": 0.4, "discharge": 0.4}
WARM = Day(30.0, 0.5, "expansion valve")


def only(cars: Ensemble, structure: str) -> Ensemble:
    return reduce(Ensemble.without, [name for name in cars.structures if name != structure], cars)


def usual(day=WARM, refrigerant="R134a"):
    """What sound cars show in the mean."""
    beside = compared(ensemble(), {name: 0.4 for name in SIGNS if name != "approach"}, day, refrigerant)
    return dict(zip(beside.names, beside.middle, strict=True))


def values(signs, u=0.4):
    return {name: Value(float(value), u) for name, value in signs.items()}


@cache
def left_out():
    """Stated likelihood and truth of every group named, for cars of each structure judged by the others; its weight."""
    rows = []
    days = list(zip(DAYS, ("R134a", "R1234yf", "R134a"), strict=True))
    for structure, (day, fluid) in itertools.product(ensemble().structures, days):
        own = compared(only(ensemble(), structure), U, day, fluid)
        others = compared(ensemble().without(structure), U, day, fluid)
        faults = sorted({(state.cause, state.strength) for state in own.states})
        for cause, strength in faults:
            count = sum(name == cause for name, _ in faults)
            for read in own.drawn(cause, strength, 8):
                found = ranking(others, read)
                weight = (0.25 if cause == SOUND else 0.75 / len(CAUSES)) / count
                rows += [
                    (place, group.likelihood, cause in (group.cause, *group.alike), weight)
                    for place, group in enumerate(found.causes)
                ]
    return np.array(rows, dtype=float)


@pytest.mark.parametrize(("low", "high"), list(itertools.pairwise((0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0))))
def test_a_stated_likelihood_comes_true_on_a_structure_left_out(low, high):
    """In every bin the true cause is among those named as often as stated, within 0.10."""
    _, stated, right, weight = left_out().T
    mine = (stated > low) & (stated <= high)
    if mine.sum() >= 30:
        assert np.average(right[mine], weights=weight[mine]) == pytest.approx(
            np.average(stated[mine], weights=weight[mine]), abs=0.10
        )


def test_what_is_all_but_certain_is_right_in_nine_of_ten():
    """A cause named first with more than the most that words claim is the true one in at least 90 %."""
    place, stated, right, weight = left_out().T
    mine = (place == 0) & (stated > limit("pressures.most_claimed"))
    assert mine.sum() < 5 or np.average(right[mine], weights=weight[mine]) >= 0.9


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(SIGNS),
        st.tuples(st.floats(-60.0, 80.0), st.sampled_from([0.05, 0.5, 3.0])),
        min_size=1,
    ),
    st.sampled_from([*DAYS, Day(25.0, None, ""), Day(30.0, None, "", ambient_u=9.0)]),
    st.sampled_from(["R134a", "R1234yf", "R152a"]),
)
def test_likelihoods_are_shares_of_one_whole(signs, day, fluid):
    """Whatever is read: 0 to 1 each, together at most 1, best first, every cause named once."""
    found = ranked({name: Value(value, u) for name, (value, u) in signs.items()}, day, fluid)
    likelihoods = [cause.likelihood for cause in found.causes]
    assert all(0.0 <= likelihood <= 1.0 for likelihood in likelihoods)
    assert sum(likelihoods) <= 1.0
    assert likelihoods == sorted(likelihoods, reverse=True)
    named = [name for cause in found.causes for name in (cause.cause, *cause.alike)]
    if named:
        assert sorted(named) == sorted(NAMES)
        assert all(not cause.alike for cause in found.causes if cause.cause == SOUND)


def test_a_usual_car_is_sound_and_not_suspected():
    """What sound cars show in the mean is nothing wrong before all, and suspects nothing."""
    found = ranked(values(usual()), WARM, "R134a")
    assert (found.causes[0].cause, found.suspected) == (SOUND, False)


def test_much_air_missing_at_the_condenser_is_suspected_with_its_reasons():
    """A high side 30 K above what is usual, with all else as usual, is no sound car; the high side is told as the reason."""
    signs = usual()
    signs["condensing"] += 30.0
    found = ranked(values(signs), WARM, "R134a")
    assert found.suspected
    first = found.causes[0]
    assert first.cause != SOUND
    assert any("high side" in text and "higher than usual" in text for text in first.speaks_for)


def test_instruments_that_tell_nothing_leave_the_shares_as_they_were():
    """Read with uncertainties of hundreds of kelvin, odd readings move no cause from its share before the evidence."""
    signs = {"evaporating": 20.0, "condensing": 60.0, "vent": 10.0}
    before = limit("pressures.shares_before")
    found = {cause.cause: cause for cause in ranked(values(signs, 500.0), WARM, "R134a").causes}
    for name, cause in found.items():
        assert not cause.alike
        wanted = before.get(name, before["others"]) / before[SOUND]
        assert cause.likelihood / found[SOUND].likelihood == pytest.approx(wanted, rel=0.02)


def test_readings_like_nothing_known_are_left_unassigned():
    """What no cause explains is not forced upon one: most of the whole is left, and the car is suspected."""
    signs = {"evaporating": 45.0, "condensing": -12.0, "superheat": 75.0, "vent": 30.0, "discharge": -40.0}
    found = ranked(values(signs), WARM, "R134a")
    assert found.suspected
    assert sum(cause.likelihood for cause in found.causes) < 0.5


def test_a_sign_that_is_missing_or_no_number_is_left_out():
    """Two gauges alone are ranked; a sign that is not a number counts as missing; without signs nothing is said."""
    two = values({name: value for name, value in usual().items() if name in ("evaporating", "condensing")})
    found = ranked(two, WARM, "R134a")
    assert found.causes
    assert ranked({**two, "vent": Value(float("nan"), 0.3)}, WARM, "R134a") == found
    assert ranked({**two, "vent": Value(-15.0, float("inf"))}, WARM, "R134a") == found
    assert not ranked({}, WARM, "R134a").causes
    assert not any("vent" in text for cause in found.causes for text in (*cause.speaks_for, *cause.speaks_against))


def test_what_the_evidence_does_not_part_is_one_group():
    """Causes within a factor of 3.2 are a group of at most three; nothing wrong stands alone; next to nothing is not grouped."""
    places = {name: index for index, name in enumerate(NAMES)}
    shares = np.full(len(NAMES), 0.001)
    evidence = np.arange(len(NAMES)) * -10.0
    for name, share, proof in (("restriction", 0.5, 0.0), ("undercharge", 0.3, -1.0), ("overcharge", 0.1, -2.0)):
        shares[places[name]], evidence[places[name]] = share, proof
    groups = grouped(shares, evidence)
    assert (places["restriction"], places["undercharge"]) in groups
    assert (places["overcharge"],) in groups
    assert (0,) in groups
    assert len(grouped(np.full(len(NAMES), 0.1), np.zeros(len(NAMES)))) == len(NAMES)


def test_a_group_is_named_with_all_its_causes():
    """The sentence and the data name what the cause is not parted from."""
    cause = Cause(
        "undercharge", 0.62, ("restriction",), ("superheat 9 K higher than usual",), ("vent air is as usual",)
    )
    assert cause.sentence() == (
        "undercharge or restriction (62 %), for it: superheat 9 K higher than usual; against it: vent air is as usual"
    )
    assert cause.to_json() == {
        "cause": "undercharge", "likelihood": 0.62, "or": ["restriction"], "share": "62 %",
        "for": ["superheat 9 K higher than usual"], "against": ["vent air is as usual"],
    }  # fmt: skip


def test_words_claim_no_more_than_came_true():
    """Next to certain and next to impossible are told as bounds."""
    most = limit("pressures.most_claimed")
    assert Cause("undercharge", most + 0.01).share == f"over {100 * most:.0f} %"
    assert Cause("undercharge", 0.004).share == "under 1 %"


@pytest.mark.parametrize("fluid", ["R744", "R23"])
def test_one_model_alone_makes_no_likelihood(fluid):
    """Refrigerants beyond their critical point have no ensemble: nothing is ranked, and a sentence says why."""
    assert ranked(values({"evaporating": 0.0, "superheat": 8.0}), WARM, fluid).causes == ()
    assert "not judged with" in not_judged(fluid)
    assert not not_judged("R134a")


def test_a_day_no_model_was_run_on_is_not_judged():
    """In frost nothing is ranked, and the sentence names the days that are."""
    frost = Day(-5.0, 0.5, "")
    assert not ranked(values(usual()), frost, "R134a").causes
    assert "from 15 to 45 degC" in not_judged("R134a", frost)


def test_another_refrigerant_is_ranked_without_its_discharge():
    """The discharge temperature is the fluid's own: with another refrigerant that condenses it says nothing."""
    signs = values(usual(refrigerant="R152a") | {"discharge": 60.0})
    found = ranked(signs, WARM, "R152a")
    assert found.causes
    assert found == ranked({name: value for name, value in signs.items() if name != "discharge"}, WARM, "R152a")


def test_the_same_readings_are_ranked_the_same():
    """Twice the same to the bit, whatever was ranked in between."""
    signs = values(usual())
    first = ranked(signs, WARM, "R134a")
    ranked(values(usual(DAYS[1]), 2.0), DAYS[1], "R1234yf")
    assert ranked(signs, WARM, "R134a") == first


def test_equal_pressures_point_at_the_clutch():
    """Running with equal pressures is a clutch before a compressor, and always suspected."""
    found = not_pumping()
    assert found.causes[0].cause == CLUTCH
    assert found.suspected
    assert sum(cause.likelihood for cause in found.causes) <= 1.0
