"""A pack made by another version of the program: what its fits now say is told apart from what somebody changed."""

import json
from dataclasses import replace

import pytest

from baytrace import __version__
from baytrace.cli import run
from baytrace.commands.verify import MOST_CAUTIONS
from baytrace.measure.verdict import Outcome
from baytrace.records import bag as bagging
from baytrace.records import retelling, signing
from baytrace.records.playing import Player
from baytrace.records.verifying import State, verify_pack
from record_kit import forged, packed, unpacked, vacuum_session

MADE_BY, NOW = f"Baytrace {__version__}", "Baytrace 9.0.0"


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("versions")
    return packed(vacuum_session(leak_pa_s=0.05, minutes=(11, 10)), folder)


@pytest.fixture
def later(monkeypatch):
    """The program is of a later version from here on."""
    monkeypatch.setattr(retelling, "PROGRAM", NOW)


def fits_change(monkeypatch, by, **more):
    """The evacuation's rise comes out larger by a share than when the pack was made, and the verdict says something else."""
    was = Player.verdict

    def now(self, name):
        verdict = was(self, name)
        figure = verdict.evidence["rise_rate"]
        evidence = verdict.evidence | {"rise_rate": replace(figure, value=figure.value * (1.0 + by))}
        return replace(verdict, evidence=evidence, **more)

    monkeypatch.setattr(Player, "verdict", now)


def said(report, state):
    return [check.text for check in report.checks if check.what == "verdicts" and check.state is state]


def test_the_same_figures_are_the_same_whatever_the_version(pack, later):
    """Nothing differs: sound, and both versions are named."""
    report = verify_pack(pack)
    assert report.good
    (text,) = said(report, State.OK)
    assert text.endswith(f"the same to the last bit (made by {MADE_BY}, worked out again by {NOW})")
    assert report.other_version == ""


def test_figures_of_another_version_are_a_caution_that_says_which_by_what_and_why(pack, later, monkeypatch, capsys):
    """Exit 0: nobody changed the pack, and the verdict stands; the figure, the difference and both versions are told."""
    fits_change(monkeypatch, 0.01)
    report = verify_pack(pack)
    assert report.good
    first, *rest = said(report, State.CAUTION)
    assert first.startswith(f"made by {MADE_BY}, worked out again by {NOW}: ")
    assert f": {len(rest)} figures or words differ" in first or (len(rest) == 1 and "1 figure differs" in first)
    assert "every verdict and finding is the same" in first
    assert any("evacuation after number" in text and "evidence.rise_rate.value was" in text for text in rest)
    assert all("(by " in text for text in rest)
    assert f"made by {MADE_BY}, worked out again by {NOW}" in report.summary()
    assert run(["verify", str(pack), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["good"]
    assert document["other_version"] == f"made by {MADE_BY}, worked out again by {NOW}"


def test_a_verdict_that_turns_is_a_fault_that_says_who_can_tell(pack, later, monkeypatch, capsys):
    """Exit 4: from here a changed rule and a changed record look alike, and the text says so."""
    fits_change(monkeypatch, 0.01, outcome=Outcome.PASS, finding="tight")
    report = verify_pack(pack)
    assert not report.good
    assert any('finding was "leak", is "tight" now' in text for text in said(report, State.FAULT))
    assert any("only the version that made it tells" in text and MADE_BY in text for text in said(report, State.FAULT))
    assert {check.what for check in report.faults} == {"verdicts"}
    assert run(["verify", str(pack)]) == 4
    assert "verification failed" in capsys.readouterr().err


def test_within_one_version_every_figure_is_a_fault(pack, monkeypatch):
    """The same program that works out another figure: somebody changed something."""
    fits_change(monkeypatch, 1e-9)
    report = verify_pack(pack)
    assert not report.good
    assert any("evidence.rise_rate.value was" in text for text in said(report, State.FAULT))


def test_a_changed_byte_is_a_fault_whatever_the_version(pack, later, tmp_path):
    """Tampering is found before any verdict is worked out."""
    data = bytearray(pack.read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "changed.zip").write_bytes(data)
    assert not verify_pack(tmp_path / "changed.zip").good


def test_a_session_that_this_version_cannot_read_names_the_one_that_can(pack, tmp_path):
    """A newer program's field: the fault says which program made it and which this is."""
    bag = unpacked(pack, tmp_path / "bag")
    path = bag / "data" / "session.json"
    document = json.loads(path.read_text()) | {"program": "Baytrace 9.0.0", "what_comes_later": 1}
    path.write_text(json.dumps(document))
    report = verify_pack(forged(bag, signing.load_or_make_key(tmp_path / "key")))
    assert not report.good
    assert f"it was made by Baytrace 9.0.0, and this is {bagging.PROGRAM}" in report.summary()


def test_of_many_differences_people_read_the_first_and_the_count(pack, later, monkeypatch, capsys):
    """What another version works out may differ in dozens of figures: a screenful would hide what matters. JSON has them all."""
    was = Player.verdict

    def now(self, name):
        verdict = was(self, name)
        words = tuple(f"words of another version, {n}" for n in range(3))
        figures = {key: replace(each, value=each.value * 1.01) for key, each in verdict.evidence.items()}
        return replace(verdict, reasons=words, evidence=figures)

    monkeypatch.setattr(Player, "verdict", now)
    assert run(["verify", str(pack), "--json"]) == 0
    cautions = [each for each in json.loads(capsys.readouterr().out)["checks"] if each["state"] == "caution"]
    of_verdicts = [each for each in cautions if each["what"] == "verdicts"]
    assert len(of_verdicts) > MOST_CAUTIONS + 1
    assert run(["verify", str(pack)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert sum(line.startswith("• verdicts: ") for line in lines) == MOST_CAUTIONS + 1
    assert f"• verdicts: and {len(of_verdicts) - MOST_CAUTIONS} more of these; --json has every one" in lines
    assert lines[-1].startswith("verified; ")


@pytest.mark.parametrize(("made_by", "good"), [("Baytrace 0.0.9", True), ("Baytrace 9.0.0", False)])
def test_what_stricter_rules_leave_open_is_a_caution_for_older_packs_alone(pack, tmp_path, monkeypatch, made_by, good):
    """An older version decided, this one withholds: it claims nothing against the record, and says both. A newer version's verdict
    that is undecided here stays a fault, and so does any verdict that turns.
    """
    bag = unpacked(pack, tmp_path / "bag")
    path = bag / "data" / "session.json"
    document = json.loads(path.read_text()) | {"program": made_by}
    path.write_text(json.dumps(document, ensure_ascii=False, indent=2, sort_keys=True))
    fits_change(monkeypatch, 0.01, outcome=Outcome.UNDECIDED, finding="undecided")
    report = verify_pack(forged(bag, signing.load_or_make_key(tmp_path / "key")))
    assert report.good is good
    texts = said(report, State.CAUTION if good else State.FAULT)
    assert any("withholds what that one decided" in text or "only the version that made it tells" in text for text in texts)
