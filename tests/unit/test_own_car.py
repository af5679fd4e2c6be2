"""A session begins with what the bench asks for and with this car's earlier sound run."""

import pytest

from baytrace.bench.config_sections import QualitySection
from baytrace.bench.own_car import known_by, whole_plan
from baytrace.journal.reader import JournalReader
from baytrace.measure.faults import BadInput
from baytrace.watches.watch import View, build
from journal_kit import event, opened

RUN = {
    "refrigerant": "R134a",
    "conditions": {"speed": "idle"},
    "instruments": {"low_side": "gauge set, low_side"},
    "figures": {"condensing": {"value": 18.0, "u": 0.5, "repeats": 0.2}},
}
VEHICLE = {"model": "Harrier estate", "number": "BAY 104"}
ASKED = {"vehicle": VEHICLE, "refrigerant": "R134a", "plan": {"pressures": {}}}
USUAL = QualitySection()


def session(name, vehicle=VEHICLE, pressures="pass", charge=None, run=RUN, closed=True):
    """The events of a session that is over, its final verdicts among them."""
    verdicts = {"pressures": ({"verdict": pressures, "own_run": run} if run else {"verdict": pressures})}
    if charge:
        verdicts["charge"] = {"verdict": charge}
    return [
        event("session_started", name, vehicle=vehicle, refrigerant="R134a"),
        *(event("verdict", name, watch=watch, verdict=said, final=closed) for watch, said in verdicts.items()),
        *([event("session_closed", name, outcome=pressures)] if closed else []),
    ]


@pytest.fixture
def planned(tmp_path):
    """The pressures' settings of a session that is asked for, after the sessions given."""

    def plan(*sessions, quality=USUAL, **asked):
        with opened(tmp_path / "journal", "low_side") as journal:
            for events in sessions:
                journal.append([], events).result(10)
        with JournalReader(tmp_path / "journal") as reader:
            return whole_plan(reader, ASKED | asked, quality)["pressures"]

    return plan


def test_the_newest_run_that_passed_is_found_by_the_vehicle(planned):
    """By its number, however written; the settings hold the figures, the day and what shows that it was sound."""
    vehicle = {"number": "bay-104"}
    settings = planned(session("one"), session("two"), session("three", pressures="fail"), vehicle=vehicle)
    assert settings["own_run"]["session"] == "two"
    assert settings["own_run"]["figures"] == RUN["figures"]
    assert "two" in settings["own_run"]["sound"]
    build("pressures", settings, View())


@pytest.mark.parametrize(
    "earlier",
    [
        {"vehicle": {"number": "BAY 105"}},
        {"vehicle": {"model": "Harrier estate"}},
        {"pressures": "undecided"},
        {"pressures": "fail"},
        {"charge": "undecided"},
        {"run": None},
        {"run": RUN | {"refrigerant": "R1234yf"}},
        {"closed": False},
    ],
)
def test_what_is_no_reference_is_not_taken(planned, earlier):
    """Another car, a car without a number, another refrigerant, a session that did not pass or did not end."""
    assert "own_run" not in planned(session("one", **earlier))


def test_a_session_can_be_named(planned):
    """`like` takes one that was undecided too: a person says that the car was sound. `none` takes none."""
    named = planned(session("one", pressures="undecided"), session("two"), like="one")
    assert named["own_run"]["session"] == "one"
    assert "named as sound" in named["own_run"]["sound"]
    assert "own_run" not in planned(like="none")


@pytest.mark.parametrize(
    ("earlier", "asked", "said"),
    [
        ({}, {"like": "never"}, "no session"),
        ({"pressures": "fail"}, {"like": "one"}, "its pressures failed"),
        ({"run": None}, {"like": "one"}, "no settled running loop"),
        ({"closed": False}, {"like": "one"}, "not been closed"),
        ({"vehicle": {"number": "BAY 105"}}, {"like": "one"}, "another vehicle"),
        ({}, {"like": "one", "refrigerant": "R1234yf"}, "ran with R134a"),
    ],
)
def test_a_session_that_cannot_be_named_is_refused(planned, earlier, asked, said):
    """With the reason, and what would be right."""
    with pytest.raises(BadInput, match=said):
        planned(session("one", **earlier), **asked)


def test_settings_that_bring_their_own_run_keep_it(planned):
    """What the request says comes first."""
    own = RUN | {"day": "2026-01-05", "sound": "measured by hand"}
    assert planned(session("one"), plan={"pressures": {"own_run": own}})["own_run"] == own


def test_a_bench_that_requires_own_figures_is_not_talked_out_of_it(planned):
    """`[quality] running_reference` stands in the session's settings, whatever the request has there."""
    required = QualitySection(running_reference="required")
    assert planned(quality=required)["reference"] == "required"
    assert planned(quality=required, plan={"pressures": {"reference": ""}})["reference"] == "required"
    assert "reference" not in planned()


def test_a_vehicle_is_known_by_its_numbers_alone():
    """Model and colour are shared by many."""
    assert known_by({"model": "Harrier", "plate": "Bay 104", "vin": ""}) == {"bay104"}
    assert known_by({"name": "Harrier"}) == set()
