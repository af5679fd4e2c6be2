"""An overdue instrument cannot give a pass."""

import json
from dataclasses import replace
from datetime import date

import pytest

from baytrace.cli import run
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.checked import Checked
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.watches.trust import Standing, gate, standing

DAY = date(2026, 5, 4)


def channel(due, name="vacuum", instrument="gauge 7"):
    return Channel(
        name,
        Role.SYSTEM_PRESSURE,
        unit_for(Role.SYSTEM_PRESSURE, "Pa"),
        Accuracy.parse("1 % of reading"),
        instrument,
        Calibration(due=due, certificate="C-12"),
    )


def test_overdue_turns_pass_into_undecided_and_names_the_instrument():
    """The verdict, the finding and the first reason all change, and what would have been said is kept."""
    passed = Verdict("evacuation", Outcome.PASS, "tight", ("it held",))
    gated = gate(passed, [channel(date(2026, 5, 3))], DAY)
    assert (gated.outcome, gated.finding) == (Outcome.UNDECIDED, "undecided")
    assert "gauge 7" in gated.reasons[0]
    assert "2026-05-03" in gated.reasons[0]
    assert "tight" in gated.reasons[0]
    assert gated.more["overdue"][0]["certificate"] == "C-12"
    assert gate(gated, [channel(date(2026, 5, 3))], DAY) == gated


@pytest.mark.parametrize("outcome", [Outcome.FAIL, Outcome.UNDECIDED])
def test_overdue_leaves_fail_and_undecided_but_says_so(outcome):
    """An overdue instrument takes nothing back from a fail; the reason is added."""
    gated = gate(Verdict("charge", outcome, "overcharged"), [channel(date(2025, 1, 1))], DAY)
    assert (gated.outcome, gated.finding) == (outcome, "overcharged")
    assert "ran out" in gated.reasons[-1]


@pytest.mark.parametrize("due", [None, DAY, date(2027, 1, 1)])
def test_calibration_good_on_its_last_day_or_unknown_changes_nothing(due):
    """The due day itself is still good, and an unrecorded calibration is not called overdue."""
    passed = Verdict("sweep", Outcome.PASS, "all within")
    assert gate(passed, [channel(due)], DAY) is passed


@pytest.mark.parametrize(
    ("due", "expected"),
    [
        (None, Standing.UNKNOWN),
        (date(2026, 5, 3), Standing.OVERDUE),
        (date(2026, 5, 20), Standing.DUE_SOON),
        (date(2027, 5, 20), Standing.CURRENT),
    ],
)
def test_standing_of_a_calibration_has_four_words(due, expected):
    """Pages show current, due soon, overdue or unknown."""
    assert standing(channel(due), DAY) is expected


def checked(finding, day, calibrated=None):
    """The gauge with one field check behind it."""
    return Channel(
        "vacuum",
        Role.SYSTEM_PRESSURE,
        unit_for(Role.SYSTEM_PRESSURE, "Pa"),
        Accuracy.parse("1 % of reading"),
        "gauge 7",
        Calibration(calibrated=calibrated),
        checks=(Checked("manifold", finding, day, 12.0, 10.0, "Pa", "a session"),),
    )


def test_found_off_by_a_field_check_cannot_pass():
    """A pass on an instrument found off becomes undecided and says by how much; a fail stays one; gating twice adds nothing."""
    off = checked("off", date(2026, 5, 1))
    gated = gate(Verdict("evacuation", Outcome.PASS, "tight", ("it held",)), [off], DAY)
    assert (gated.outcome, gated.more["finding_before_gate"]) == (Outcome.UNDECIDED, "tight")
    assert "gauge 7 was found off by +12 Pa (10 Pa allowed), manifold check of 2026-05-01" in gated.reasons[0]
    assert gate(gated, [off], DAY) == gated
    assert gate(Verdict("evacuation", Outcome.FAIL, "leak"), [off], DAY).outcome is Outcome.FAIL


@pytest.mark.parametrize(
    ("finding", "calibrated"), [("agrees", None), ("off", date(2026, 5, 2)), ("agrees", date(2020, 1, 1))]
)
def test_a_check_that_agrees_or_a_later_calibration_mends(finding, calibrated):
    """What agrees, or was calibrated after the check, passes."""
    passed = Verdict("evacuation", Outcome.PASS, "tight")
    assert gate(passed, [checked(finding, date(2026, 5, 1), calibrated)], DAY) is passed


def test_the_check_itself_is_not_held_back_by_an_earlier_one():
    """An instrument found off can be found good again: the gate leaves out what the check itself is about."""
    agreed = Verdict("field_check", Outcome.PASS, "agrees", more={"checked": ["vacuum"]})
    assert gate(agreed, [checked("off", date(2026, 5, 1))], DAY) is agreed


def test_a_channel_keeps_its_checks_through_json():
    """What a session carries of its instruments reads back the same."""
    channel_ = checked("off", date(2026, 5, 1))
    assert Channel.from_json(channel_.to_json()) == channel_


def test_accuracy_nobody_stated_cannot_pass_and_the_key_is_named():
    """The usual accuracy of its kind is an assumption: a pass becomes undecided, a fail stays, and both name what to write."""
    guessed = replace(channel(None), assumed=True)
    passed = gate(Verdict("evacuation", Outcome.PASS, "tight"), [guessed, channel(None, "other")], DAY)
    assert (passed.outcome, passed.more["finding_before_gate"]) == (Outcome.UNDECIDED, "tight")
    assert passed.reasons[0].startswith("nobody stated the accuracy of System pressure (vacuum) (1 % of reading)")
    assert "bench.toml" in passed.reasons[0]
    assert passed.more["accuracy_assumed"] == [{"instrument": "gauge 7", "channel": "vacuum"}]
    assert gate(passed, [guessed], DAY) == passed
    failed = gate(Verdict("evacuation", Outcome.FAIL, "leak"), [guessed], DAY)
    assert (failed.outcome, len(failed.reasons)) == (Outcome.FAIL, 1)


def test_channel_keeps_that_its_accuracy_was_assumed():
    """The declaration in the journal carries it, and one without it (of an older record) reads as stated."""
    guessed = replace(channel(None), assumed=True)
    assert Channel.from_json(guessed.to_json()).assumed
    assert "assumed" not in channel(None).to_json()
    assert not Channel.from_json(channel(None).to_json()).assumed


def test_check_with_a_limit_of_its_own_needs_no_makers_figure():
    """An `allowed` that somebody set is no assumption about the instrument under check; the thermometer beside it still is one."""
    sensor, beside = replace(channel(None), assumed=True), replace(channel(None, "air", "probe"), assumed=True)
    agreed = Verdict("field_check", Outcome.PASS, "agrees", more={"checked": ["vacuum"], "allowed_by": "settings"})
    assert gate(agreed, [sensor], DAY).outcome is Outcome.PASS
    assert gate(agreed, [sensor, beside], DAY).outcome is Outcome.UNDECIDED
    assert gate(replace(agreed, more={"checked": ["vacuum"]}), [sensor], DAY).outcome is Outcome.UNDECIDED


def test_judge_says_which_accuracies_it_took(tmp_path, capsys):
    """A bare trace is judged with usual instruments, and its last reason says so; one whose accuracy was said needs no such reason."""
    trace = tmp_path / "coils.csv"
    rows = [f"{0.5 * step:g},{'OL' if step % 10 < 4 else 12.0}" for step in range(40)]
    trace.write_text("time [s],coil_resistance [ohm]\n" + "\n".join(rows) + "\n")
    asked = [
        "judge",
        str(trace),
        "--watch",
        "sweep",
        "--set",
        "coils=4",
        "--set",
        "low_ohm=9",
        "--set",
        "high_ohm=18",
        "--json",
    ]
    run(asked)
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "pass"
    assert told["reasons"][-1].startswith("the trace tells no accuracies")
    assert "0.5 % of reading + 0.02 ohm" in told["reasons"][-1]
    run([*asked, "--set", "accuracy.coil_resistance=1 % of reading"])
    assert "accuracies" not in " ".join(json.loads(capsys.readouterr().out)["reasons"])
