"""The sweep finds its coils in a plain stream and says of each what is sure."""

import math

import pytest

from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.verdict import Outcome
from baytrace.watches.sweep import families
from baytrace.watches.watch import View, build
from coil_streams import HIGH, LOW, degc, judge, ohm, plain, simulated, view

BANK = [14.8, 14.9, 14.75, 14.85, 14.82, 14.78]
UNWARMED = {"coils": 6, "low_ohm": LOW, "high_ohm": HIGH, "lead_ohm": 0.0}
COLD = {"temperature_c": 20.0, "temperature_u_k": 0.0}
SET = UNWARMED | COLD


def findings(verdict):
    return [coil["finding"] for coil in verdict.more["coils"]]


@pytest.mark.parametrize("marks", [False, True])
@pytest.mark.parametrize("nothing", [math.inf, 9.9e37, 2e6, None])
@pytest.mark.parametrize("period", [0.1, 0.5, 1.0])
def test_sweep_finds_every_coil_whatever_open_looks_like(marks, nothing, period):
    """Open may read infinite, a huge number or nothing at all, with and without marks, on fast and slow meters."""
    items = plain(BANK, period=period, touch=4.0, lift=3.0, marks=marks, nothing=nothing)
    verdict = judge(items, SET).verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.PASS, "all within")
    assert [round(coil["resistance"]["value"], 2) for coil in verdict.more["coils"]] == BANK


@pytest.mark.parametrize(
    ("value", "finding"),
    [(12.0, "low"), (19.0, "high"), (0.3, "short"), (13.58, "undecided"), (17.45, "undecided"), (2000.0, "high")],
)
@pytest.mark.parametrize("marks", [False, True])
def test_sweep_names_the_bad_coil(value, finding, marks):
    """A coil surely outside fails the bank; one too near a limit leaves it open, and the meter is named."""
    bank = list(BANK)
    bank[2] = value
    verdict = judge(plain(bank, marks=marks), SET).verdict()
    assert findings(verdict) == ["within", "within", finding, "within", "within", "within"]
    if finding == "undecided":
        assert verdict.outcome is Outcome.UNDECIDED
        assert "meter 3" in " ".join(verdict.reasons)
        assert "would decide" in " ".join(verdict.reasons)
    else:
        assert (verdict.outcome, verdict.finding) == (Outcome.FAIL, f"coil 3 {finding}")


@pytest.mark.parametrize("place", [0, 3, 5])
def test_sweep_marked_coil_without_contact_is_open(place):
    """Only a mark can tell an open coil from one that was not touched."""
    bank = list(BANK)
    bank[place] = math.inf
    verdict = judge(plain(bank, marks=True, lift=3.0), SET).verdict()
    assert findings(verdict)[place] == "open"
    assert (verdict.outcome, verdict.finding) == (Outcome.FAIL, f"coil {place + 1} open")
    unmarked = judge(plain([each for each in bank if math.isfinite(each)]), SET).verdict()
    assert unmarked.outcome is Outcome.UNDECIDED
    assert findings(unmarked)[-1] == "missing"


def test_sweep_coil_just_named_is_awaited_not_open():
    """Between the mark and the touch nobody is told of an open coil."""
    items = plain(BANK[:5], marks=True, lift=3.0)
    end = items[-1].time_ns / NS
    items.append(Mark(int((end + 0.1) * NS), "coil 6"))
    items += [ohm(end + 0.2 + 0.2 * index, math.inf) for index in range(5)]
    watch = judge(items, SET)
    assert findings(watch.verdict())[-1] == "missing"
    assert "coil 6" in watch.status().waiting_for


def test_sweep_whole_job_before_it_does_not_matter():
    """The ohmmeter lies open for an hour while the loop is pulled down; other marks are none of its business."""
    hour = [ohm(second, math.inf) for second in range(3600)] + [Mark(5 * NS, "pump on"), Mark(1900 * NS, "isolated")]
    later = plain(BANK, marks=True)
    moved = [each._replace(time_ns=each.time_ns + 3600 * NS) for each in later]
    verdict = judge(sorted(hour + moved, key=lambda each: each.time_ns), SET).verdict()
    assert verdict.outcome is Outcome.PASS


def test_sweep_bounce_spikes_and_brushes_are_no_coils():
    """Bounces on touching and lifting, range-change spikes and fingers on the tips change nothing."""
    items, now = [], 0.0
    for value in BANK:
        touch = (
            [math.inf] * 20 + [6e5, math.inf, 33.0, math.inf, value + 5, value + 1] + [value] * 12 + [9e4, value, 0.0]
        )
        touch += [value] * 8 + [math.inf, value + 3, math.inf] + [math.inf] * 4 + [4.2, math.inf]
        for each in touch:
            items.append(ohm(now, each))
            now += 0.1
    verdict = judge(items, SET).verdict()
    assert verdict.outcome is Outcome.PASS
    assert verdict.evidence["contacts"].value == 6


def test_sweep_coil_touched_again_is_one_coil():
    """A second contact after a short lift, or under the same mark, is the same coil."""
    slow = plain(BANK, lift=3.0)
    cut = [each for each in slow if not 10.0 <= each.time_ns / NS < 11.0] + [
        ohm(10.0 + 0.2 * i, math.inf) for i in range(5)
    ]
    verdict = judge(sorted(cut, key=lambda each: each.time_ns), SET).verdict()
    assert (verdict.outcome, verdict.evidence["contacts"].value) == (Outcome.PASS, 6)
    twice = plain([each for value in BANK for each in (value, value)])
    marked = [*twice, *(Mark(int((1.9 + 10.0 * index) * NS), f"coil {index + 1}") for index in range(6))]
    assert judge(sorted(marked, key=lambda each: each.time_ns), SET).verdict().outcome is Outcome.PASS


def test_sweep_contacts_of_one_coil_that_disagree_are_unsteady():
    """Two firm contacts under one mark that read differently are nobody's resistance."""
    items = [Mark(0, "coil 1"), *plain([14.8, 16.9])]
    verdict = judge(items, SET | {"coils": 1}).verdict()
    assert (verdict.outcome, findings(verdict)) == (Outcome.UNDECIDED, ["unsteady"])
    assert "disagree" in " ".join(verdict.reasons)


def test_sweep_jumping_coil_is_unsteady():
    """A coil that never settles is neither good nor bad."""
    items = plain(BANK[:2]) + [ohm(12.2 + 0.2 * i, 14.0 + 3.0 * ((i * 7) % 5 - 2)) for i in range(20)]
    verdict = judge(items, SET | {"coils": 3}).verdict()
    assert findings(verdict) == ["within", "within", "unsteady"]
    assert verdict.outcome is Outcome.UNDECIDED


def test_sweep_wrong_count_never_passes():
    """More or fewer contacts than coils leave the bank open, however good each contact."""
    for bank in (BANK[:5], [*BANK, 14.8]):
        assert judge(plain(bank), SET).verdict().outcome is Outcome.UNDECIDED


def test_sweep_bad_contact_in_a_miscounted_sweep_fails_without_blaming_a_coil():
    """Some coil is surely bad, but which one the order cannot say."""
    verdict = judge(plain([14.8, 14.9, 22.0, 14.8, 14.8]), SET).verdict()
    assert (verdict.outcome, verdict.finding) == (Outcome.FAIL, "a coil high")
    assert "high" not in findings(verdict)


@pytest.mark.parametrize("marks", [False, True])
def test_sweep_without_count_cannot_pass(marks):
    """Nobody can know that the last coil was left out when the count was not said, also where marks name the others."""
    settings = {key: value for key, value in SET.items() if key != "coils"}
    verdict = judge(plain(BANK, marks=marks), settings).verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "set coils" in " ".join(verdict.reasons)
    assert judge(plain(BANK, marks=marks), SET).verdict().outcome is Outcome.PASS


def test_sweep_marks_may_come_before_during_or_after_contact():
    """People say the coil's number when it suits them."""
    items = plain(BANK)
    for said in (1.0, 3.5, 5.1):
        marks = [Mark(int((said + 5.0 * index) * NS), f"Coil #{index + 1}") for index in range(6)]
        verdict = judge(sorted([*items, *marks], key=lambda each: each.time_ns), SET).verdict()
        assert [round(coil["resistance"]["value"], 2) for coil in verdict.more["coils"]] == BANK


def test_sweep_one_row_per_coil_is_enough_with_marks():
    """A list typed by hand: one reading under each mark, no lifts at all."""
    items = []
    for index, value in enumerate(BANK):
        items += [Mark(index * 5 * NS, f"coil {index + 1}"), ohm(index * 5, value)]
    assert judge(items, SET).verdict().outcome is Outcome.PASS


def test_sweep_sequence_says_which_coil_each_contact_is():
    """Coils touched in another order land on their own numbers."""
    verdict = judge(plain([14.8, 14.9, 22.0]), SET | {"coils": 3, "sequence": "1,3,2"}).verdict()
    assert verdict.finding == "coil 2 high"


def test_sweep_leads_are_nulled_by_setting_or_by_touching_the_tips():
    """The leads come off each reading; not known, they only widen it downwards."""
    raw = [value + 0.25 for value in BANK]
    by_setting = judge(plain(raw), SET | {"lead_ohm": 0.25}).verdict()
    first = [*plain([0.25]), *(each._replace(time_ns=each.time_ns + 7 * NS) for each in plain(raw))]
    touched = judge(
        [Mark(1 * NS, "leads shorted"), *first], {key: SET[key] for key in SET if key != "lead_ohm"}
    ).verdict()
    for verdict in (by_setting, touched):
        assert verdict.outcome is Outcome.PASS
        assert verdict.more["coils"][0]["resistance"]["value"] == pytest.approx(14.8, abs=0.01)
        assert verdict.evidence["lead_resistance"].value == pytest.approx(0.25)
    unknown = judge(plain([13.7]), {"coils": 1, "low_ohm": LOW, "high_ohm": HIGH}).verdict()
    assert unknown.outcome is Outcome.UNDECIDED
    assert "leads" in unknown.reasons[0]


def test_sweep_warm_coils_are_referred_to_twenty_degrees():
    """A bank at 80 degC reads high and is good; judged at 20 degC it passes, with the temperature as evidence."""
    warm = [value * 1.2358 for value in BANK]
    items = [*plain(warm), *(degc(second, 80.0) for second in range(40))]
    verdict = judge(sorted(items, key=lambda each: each.time_ns), UNWARMED).verdict()
    assert verdict.outcome is Outcome.PASS
    first = verdict.more["coils"][0]
    assert first["at_reference"]["value"] == pytest.approx(14.8, rel=1e-6)
    assert first["at_reference"]["low"] < 14.8 < first["at_reference"]["high"]
    assert verdict.evidence["coil_temperature"].unit == "degC"
    assert judge(plain(warm), SET).verdict().outcome is Outcome.FAIL
    assert judge(plain(warm), SET | {"temperature_c": "80"}).verdict().outcome is Outcome.PASS


def test_sweep_old_temperature_says_nothing():
    """A temperature from half an hour ago is not this coil's."""
    items = [degc(0, 80.0), *(each._replace(time_ns=each.time_ns + 1800 * NS) for each in plain(BANK))]
    assert "at_reference" not in judge(items, UNWARMED).verdict().more["coils"][0]


WARM = 1.0 + 0.00393 * (85.0 - 20.0)


def test_sweep_warm_coil_that_reads_well_does_not_pass_unmeasured():
    """14.5 ohm lies within 13.5 to 17.5 as read, and is 11.55 ohm at 20 degC of a coil at 85 degC: unknown, it is undecided."""
    assert pytest.approx(11.55, abs=0.01) == 14.5 / WARM
    one = {"coils": 1, "low_ohm": LOW, "high_ohm": HIGH, "lead_ohm": 0.0}
    verdict = judge(plain([14.5]), one).verdict()
    assert (verdict.outcome, findings(verdict)) == (Outcome.UNDECIDED, ["undecided"])
    assert "measure the coil temperature or set temperature_c" in verdict.reasons[0]
    assert judge(plain([14.5]), one | {"temperature_c": 85}).verdict().finding == "coil 1 low"
    assert judge(plain([14.5]), one | {"temperature_c": 20}).verdict().outcome is Outcome.PASS


def test_sweep_unknown_temperature_decides_what_holds_for_all_of_them():
    """Far outside at any usual temperature fails, inside at all of them passes, and a cold engine narrows it."""
    wide = {"coils": 1, "low_ohm": 11.0, "high_ohm": 18.0, "lead_ohm": 0.0}
    assert judge(plain([9.0]), wide).verdict().finding == "coil 1 low"
    assert judge(plain([25.0]), wide).verdict().finding == "coil 1 high"
    assert judge(plain([16.0]), wide).verdict().outcome is Outcome.PASS
    assert judge(plain([14.5]), UNWARMED | {"coils": 1}).verdict().outcome is Outcome.UNDECIDED
    assert judge(plain([14.5]), UNWARMED | {"coils": 1, "cold": True}).verdict().outcome is Outcome.PASS
    assert judge(plain([14.2]), UNWARMED | {"coils": 1, "cold": True}).verdict().outcome is Outcome.UNDECIDED


def test_sweep_pass_needs_both_limits():
    """A coil that is not too low may still be too high when nobody said what that is."""
    for lacking in ("low_ohm", "high_ohm"):
        settings = {key: value for key, value in SET.items() if key != lacking}
        verdict = judge(plain(BANK), settings).verdict()
        assert verdict.outcome is Outcome.UNDECIDED
        assert f"set {lacking}" in verdict.reasons[0]
    assert judge(plain([22.0]), {"coils": 1, "high_ohm": HIGH, "lead_ohm": 0, **COLD}).verdict().outcome is Outcome.FAIL


def test_sweep_meter_that_never_shows_anything_else_cannot_pass():
    """A frozen meter shows one value under every mark; one that was seen open, or moved by a digit, is alive."""
    frozen = [ohm(0.2 * step, 14.8) for step in range(200)]
    marks = [Mark((6 * place + 2) * NS, f"coil {place + 1}") for place in range(6)]
    items = sorted([*frozen, *marks], key=lambda each: each.time_ns)
    verdict = judge(items, SET).verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "frozen" in " ".join(verdict.reasons)
    assert judge([ohm(0.0, math.inf), *items[1:]], SET).verdict().outcome is Outcome.PASS


def test_sweep_odd_one_out_is_told_but_not_failed():
    """A coil within limits but unlike its neighbours is pointed out; limits decide the verdict."""
    verdict = judge(plain([14.8, 14.9, 14.75, 16.4, 14.82, 14.78]), SET).verdict()
    assert (verdict.outcome, verdict.more["odd"]) == (Outcome.PASS, [4])
    assert "odd one out" in " ".join(verdict.reasons)


def test_sweep_silence_that_could_hide_a_contact_keeps_it_open():
    """A meter that fell silent for a while may have missed a coil touched twice elsewhere."""
    items = [each for each in plain(BANK) if not 10.2 < each.time_ns / NS < 11.6]
    verdict = judge(items, SET).verdict()
    assert verdict.outcome is Outcome.UNDECIDED
    assert "silent" in " ".join(verdict.reasons)


def test_sweep_by_channel_takes_each_channel_as_a_coil():
    """A bank wired to a channel each needs no contacts in turn; natural order of names counts."""
    readings = [
        Reading(int(second * NS / 5), f"coil_{number}", Role.COIL_RESISTANCE, 14.5 + 0.01 * number)
        for second in range(25)
        for number in (10, 2, 1)
    ]
    verdict = judge(readings, {"coils": 3, "low_ohm": LOW, "high_ohm": HIGH, "lead_ohm": 0, **COLD}, View()).verdict()
    assert [round(coil["resistance"]["value"], 2) for coil in verdict.more["coils"]] == [14.51, 14.52, 14.6]
    assert verdict.outcome is Outcome.PASS


def test_sweep_unusable_and_late_readings_are_passed_over():
    """Suspect, unusable and late readings are no contacts and no opens."""
    items = plain(BANK)
    noise = [
        ohm(3.0, 5.0)._replace(quality=int(quality))
        for quality in (Quality.SUSPECT, Quality.NOT_A_NUMBER, Quality.OVER_RANGE)
    ]
    watch = judge([*items[:30], *noise, *items[30:], ohm(1.0, 99.0)], SET)
    assert watch.verdict().outcome is Outcome.PASS


def test_sweep_live_status_says_what_is_next_and_what_was():
    """The technician hears the last coil's value and which coil is next; a held contact is called steady."""
    items = plain(BANK)
    watch = judge([], SET)
    said = []
    for item in items:
        watch.reading(item)
        said.append(watch.status())
    assert said[0].sentence == "Touch coil 1 of 6."
    assert any(status.phase == "steady" and "14.8 ohm" in status.sentence for status in said)
    between = said[27]
    assert between.sentence.startswith("Coil 1: 14.8 ohm at 20 degC, within. Touch coil 2")
    assert (said[-1].phase, said[-1].progress) == ("done", 1.0)
    assert said[-1].details["done"] == [1, 2, 3, 4, 5, 6]


def test_sweep_same_engine_reads_other_coils_by_settings():
    """A clutch coil by its family, a two-wire sensor without a temperature coefficient."""
    assert (
        judge(plain([3.6]), {"coils": 1, "family": "clutch", "lead_ohm": 0, **COLD}).verdict().outcome is Outcome.PASS
    )
    sensor = judge([degc(1, 60.0), *plain([2200.0])], {"coils": 1, "family": "ntc_2k", "lead_ohm": 0}).verdict()
    assert (sensor.outcome, "at_reference" in sensor.more["coils"][0]) == (Outcome.PASS, False)
    assert families()["high_impedance"] == (13.5, 17.5, 0.00393)


def test_sweep_without_limits_or_contacts_decides_nothing():
    """No limits, no contact: undecided, and it says what is missing."""
    assert "no limits" in " ".join(judge(plain([14.8]), {"coils": 1}).verdict().reasons)
    empty = judge([], SET).verdict()
    assert (empty.outcome, empty.finding, findings(empty)) == (Outcome.UNDECIDED, "no coil seen", ["missing"] * 6)


@pytest.mark.parametrize(
    "wrong",
    [
        {"coils": 0},
        {"low_ohm": 5, "high_ohm": 4},
        {"family": "wibble"},
        {"sequence": [1, 1]},
        {"coils": 2, "sequence": [1, 3]},
        {"guard": 1.0},
        {"wibble": 1},
    ],
)
def test_sweep_settings_that_make_no_sense_are_refused(wrong):
    """Each faulty setting is named; a guard band is never narrowed."""
    with pytest.raises(BadInput):
        build("sweep", wrong, view())


def test_sweep_long_contact_stays_bounded():
    """A clip left on for hours keeps a bounded number of readings and the right value."""
    watch = judge([ohm(0.1 * index, 14.8) for index in range(40_000)], SET | {"coils": 1})
    assert len(watch._streams["coil"].touches[0].values) <= 1024
    assert watch.verdict().more["coils"][0]["resistance"]["value"] == pytest.approx(14.8)


def test_sweep_verdict_asked_early_changes_nothing():
    """Asking all along gives the same verdict as asking once."""
    stream = simulated(7)
    asked = judge([], stream.settings)
    for item in stream.items:
        asked.mark(item) if isinstance(item, Mark) else asked.reading(item)
        asked.verdict()
    assert asked.verdict() == judge(stream.items, stream.settings).verdict()


def marked_touches(*touches):
    """A stream in which each contact of 3 s is marked just before it, in the order given."""
    items, now = [], 0.0
    for name, value in touches:
        for shown, seconds in ((math.inf, 2.0), (value, 3.0)):
            if shown == value and name:
                items.append(Mark(int((now - 0.2) * NS), name))
            for _ in range(round(seconds / 0.2)):
                items.append(ohm(now, shown))
                now += 0.2
    return [*items, *[ohm(now + 0.2 * step, math.inf) for step in range(10)]]


UNWARMED_FOUR = {"coils": 4, "low_ohm": 11.4, "high_ohm": 12.6, "lead_ohm": 0.0}
FOUR = UNWARMED_FOUR | COLD


def test_sweep_sentence_tells_the_coil_that_was_touched_last():
    """In whatever order coils are named, the last contact is told, not the highest number."""
    watch = judge(marked_touches(("coil 3", 12.3), ("coil 1", 12.0)), FOUR)
    assert watch.status().sentence == "Coil 1: 12 ohm at 20 degC, within. Touch coil 2 of 4."
    assert watch.status().details["last"]["position"] == 1


def test_sweep_unsteady_coil_is_told_with_the_values_between_which_it_was():
    """Contacts that disagree have no one value, and the reason says what to do where one of them was another coil."""
    watch = judge(marked_touches(("coil 1", 12.0), ("coil 2", 14.0), ("coil 2", 12.1)), FOUR)
    assert watch.status().sentence.startswith("Coil 2: 12.1 ohm to 14 ohm, unsteady.")
    assert "if one of them was another coil, sweep the bank again" in " ".join(watch.verdict().reasons)


def test_sweep_coil_beyond_the_bank_is_named_and_not_counted():
    """A slip in a coil's number is no `more than 4 coils`, and adds nothing to the progress."""
    watch = judge(marked_touches(("coil 1", 12.0), ("coil 7", 12.1), ("coil 3", 12.0), ("coil 4", 12.0)), FOUR)
    assert "coil 7 was named, but the bank has 4 coils" in watch.verdict().reasons
    assert watch.status().progress == 0.75
    touching = judge([*marked_touches(("coil 1", 12.0)), Mark(10 * NS, "coil 7")], FOUR)
    assert touching.status().sentence.endswith("Touch coil 7, though the bank has 4.")


def test_sweep_reasons_share_what_is_the_same_and_say_what_to_do():
    """Coils of which the same is missing share a sentence; nobody is told of 0 contacts; a contact without a name is claimed."""
    nothing = judge([ohm(0.2 * step, math.inf) for step in range(50)], FOUR).verdict().reasons
    assert nothing == ("coils 1, 2, 3 and 4 missing: no contact seen", "no contact with any coil was seen")
    late = judge(marked_touches(("", 12.0), ("coil 2", 12.1), ("coil 3", 12.0)), FOUR).verdict().reasons
    assert "1 contact before the first coil mark counts for no coil: mark the coil and touch it again" in late
    done = judge(marked_touches(*((f"coil {place}", 12.0 if place != 3 else 12.55) for place in range(1, 5))), FOUR)
    assert done.status().sentence.endswith("All coils are done. Not decided: coil 3; the verdict says why.")
    assert "± 0." in " ".join(done.verdict().reasons)


def test_sweep_figures_are_told_as_people_write_them():
    """Kilohms without powers of ten, a value at the reference temperature called so, a spread that is never below nought."""
    piezo = {"family": "piezo", "coils": 2, "lead_ohm": 0.0}
    watch = judge(marked_touches(("coil 1", 2.0e5), ("coil 2", 1.2e5)), piezo)
    assert watch.status().sentence.startswith("Coil 2: 120 kohm, low.")
    assert "limits 150 kohm to 250 kohm" in watch.verdict().reasons[0]
    warm = sorted(
        [*marked_touches(("coil 1", 12.0)), *[degc(second, 60.0) for second in range(8)]], key=lambda i: i.time_ns
    )
    assert "10.37 ohm at 20 degC, low" in judge(warm, UNWARMED_FOUR).status().sentence
    alike = judge(marked_touches(("coil 1", 12.0), ("coil 2", 12.0)), FOUR).verdict()
    assert alike.evidence["bank_spread"].low == 0.0
    far = judge(marked_touches(*((f"coil {n}", 12.0 if n < 4 else 50.0) for n in range(1, 5))), FOUR).verdict()
    assert any(reason.endswith("4.2 times the others") for reason in far.reasons)


def test_sweep_by_order_alone_admits_what_it_cannot_see():
    """Without marks a coil touched twice in place of another looks like the bank: the verdict says so, with marks it need not."""
    said = "one touched twice in place of another would not be seen"
    by_order, by_name = (
        judge(plain([12.0, 12.1, 12.0, 12.05], marks=marks), FOUR).verdict() for marks in (False, True)
    )
    assert (by_order.outcome, by_name.outcome) == (Outcome.PASS, Outcome.PASS)
    assert any(said in reason for reason in by_order.reasons)
    assert not any(said in reason for reason in by_name.reasons)


def test_sweep_one_instant_is_one_look_at_the_meter():
    """A bounce told four times with one stamp, as answers that piled up are, does not outweigh the contact that follows it."""
    opens = [ohm(0.5 * step, math.inf) for step in range(10)] + [ohm(5.3, math.inf)]
    piled = [ohm(4.96, value) for value in (37.37, 37.364, 37.361, 37.361)]
    settled = [ohm(5.79 + 0.55 * step, value) for step, value in enumerate((1.277, 12.959, 12.889, 12.857))]
    settled += [ohm(10.3 + 0.5 * step, 12.85) for step in range(8)]
    opens += [ohm(15.0 + 0.5 * step, math.inf) for step in range(4)]
    items = sorted([*opens, *piled, *settled, Mark(NS, "coil 1")], key=lambda each: each.time_ns)
    verdict = judge(items, FOUR | {"coils": 1, "high_ohm": 14.0}).verdict()
    assert (verdict.outcome, findings(verdict)) == (Outcome.PASS, ["within"])
