"""A settled loop against its maker's table."""

import pytest
from pydantic import ValidationError

from baytrace.measure.verdict import Outcome
from baytrace.physics.fluid_names import resolve
from baytrace.watches.running.figures import Loop, Value
from baytrace.watches.running.own_conditions import Conditions
from baytrace.watches.running.own_settings import MakersTable
from baytrace.watches.running.own_table import judge_table, range_at

R134A = resolve("R134a")
ATMOSPHERE = 101_325.0
ROWS = [
    {"air_c": 20, "humidity": [0.3, 0.6], "low_side": [150, 200], "high_side": [900, 1100], "vent_air": [4, 8]},
    {"air_c": 30, "humidity": [0.3, 0.6], "low_side": [200, 260], "high_side": [1300, 1500], "vent_air": [9, 13]},
]
TABLE = {"source": "invented", "pressures": "kPa gauge", "speed": "idle", "doors": "open", "rows": ROWS}
AS_ASKED = Conditions(speed="idle", doors="open")


def made(**changes):
    return MakersTable.model_validate(TABLE | changes)


def loop(air=25.0, humidity=0.45, low=202.5, high=1200.0, vent=8.5, u=(2e3, 5e3, 0.2), **without):
    values = {
        "ambient_air": Value(air + 273.15, 0.1),
        "ambient_humidity": Value(humidity, 0.01),
        "low_side": Value(low * 1e3 + ATMOSPHERE, u[0]),
        "high_side": Value(high * 1e3 + ATMOSPHERE, u[1]),
        "vent_air": Value(vent + 273.15, u[2]),
    }
    return Loop({name: value for name, value in values.items() if name not in without.get("without", ())})


def test_between_two_rows_the_range_runs_straight():
    """Half way between 20 and 30 degC the ends are half way too, in Pa absolute."""
    span = range_at(made(), "high_side", 25.0, 0.5)
    assert span == pytest.approx((1.1e6 + ATMOSPHERE, 1.3e6 + ATMOSPHERE))


def test_absolute_is_not_gauge():
    """The same numbers said to be absolute are one atmosphere lower."""
    span = range_at(made(pressures="kPa absolute"), "high_side", 20.0, 0.5)
    assert span == pytest.approx((9e5, 1.1e6))


@pytest.mark.parametrize(("air", "reached"), [(17.9, False), (18.1, True), (31.9, True), (32.1, False)])
def test_a_table_is_not_carried_far_beyond_its_air(air, reached):
    """2 K beyond the first and last row, and no further."""
    assert (range_at(made(), "low_side", air, 0.5) is not None) is reached


@pytest.mark.parametrize(("humidity", "reached"), [(0.24, False), (0.26, True), (0.64, True), (0.66, False)])
def test_a_table_is_not_carried_far_beyond_its_humidity(humidity, reached):
    """5 % beyond the first and last band."""
    assert (range_at(made(), "low_side", 25.0, humidity) is not None) is reached


def test_between_two_bands_of_humidity_the_range_runs_straight():
    """From the wet end of the dry band to the dry end of the wet band."""
    rows = [
        {"air_c": 20, "humidity": [0.2, 0.4], "vent_air": [4, 6]},
        {"air_c": 20, "humidity": [0.6, 0.8], "vent_air": [8, 10]},
    ]
    spans = [range_at(made(rows=rows), "vent_air", 20.0, share) for share in (0.3, 0.4, 0.5, 0.6)]
    assert [round(span.low - 273.15, 6) for span in spans] == [4.0, 4.0, 6.0, 8.0]


@pytest.mark.parametrize(
    ("reads", "outcome"),
    [
        ({}, Outcome.PASS),
        ({"high": 1000.0}, Outcome.FAIL),
        ({"high": 1109.0}, Outcome.UNDECIDED),
        ({"vent": 14.0}, Outcome.FAIL),
        ({"low": 178.0, "u": (4e3, 5e3, 0.2)}, Outcome.UNDECIDED),
        ({"without": ("vent_air",)}, Outcome.UNDECIDED),
    ],
)
def test_each_quantity_is_judged_with_its_interval(reads, outcome):
    """Within, outside, too close to an end, and not read though the table gives it."""
    judged = judge_table(made(), AS_ASKED, loop(**reads))
    assert (judged.spoke, judged.outcome) == (True, outcome)
    assert judged.figures["own_high_side_pressure"].unit == "Pa"


def test_an_uncertain_air_takes_a_pass_away():
    """In the warmest air there may have been, the reading lies below the range."""
    near = loop(high=1125.0, u=(2e3, 5e3, 0.2))
    assert judge_table(made(), AS_ASKED, near).outcome is Outcome.PASS
    unsure = Loop(near.values | {"ambient_air": Value(25.0 + 273.15, 1.0)})
    assert judge_table(made(), AS_ASKED, unsure).outcome is Outcome.UNDECIDED


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        (Conditions(speed="fast", doors="open"), "engine speed: fast"),
        (Conditions(speed="2000 rpm", doors="open"), "engine speed: 2000 rpm"),
        (Conditions(doors="open"), "engine speed: not marked"),
        (Conditions(speed="idle", doors="shut"), "doors: shut"),
        (Conditions(speed="idle"), "doors: not marked"),
    ],
)
def test_other_conditions_than_the_tables_refuse_it(conditions, said):
    """What differs, or was not marked, is named, and nothing is judged."""
    judged = judge_table(made(), conditions, loop())
    assert (judged.spoke, judged.outcome) == (False, Outcome.UNDECIDED)
    assert said in judged.sentences[0]


@pytest.mark.parametrize("conditions", [Conditions(as_table=True), Conditions(speed="850 rpm", doors="open")])
def test_conditions_may_be_said_as_a_whole_or_by_number(conditions):
    """`table conditions` stands for all of them, 850 rpm is an idling engine."""
    assert judge_table(made(), conditions, loop()).outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ({"air": 40.0}, "goes from 20 to 30"),
        ({"humidity": 0.9}, "no line for 90 %"),
        ({"without": ("ambient_air",)}, "enter it"),
        ({"without": ("ambient_humidity",)}, "enter it"),
    ],
)
def test_where_the_table_does_not_reach_it_does_not_speak(where, said):
    """Another air, another humidity, or neither known: refused, with the reason."""
    judged = judge_table(made(), AS_ASKED, loop(**where))
    assert not judged.spoke
    assert any(said in sentence for sentence in judged.sentences)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"pressures": "kPa"}, "gauge or absolute"),
        ({"pressures": "degC"}, "no unit of pressure"),
        ({"pressures": "kPa vacuum"}, "no unit of pressure"),
        ({"source": ""}, "at least 1"),
        ({"speed": "slow"}, "pattern"),
        ({"rows": []}, "at least 1"),
        ({"rows": [{"air_c": 20}]}, "at least one of"),
        ({"rows": [{"air_c": 20, "low_side": [200, 150]}]}, "smaller one"),
        ({"rows": [{"air_c": 20, "humidity": [50, 60], "low_side": [150, 200]}]}, "less than or equal to 1"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused(changes, said):
    """Each fault says what would be right."""
    with pytest.raises(ValidationError, match=said):
        made(**changes)


@pytest.mark.parametrize("missing", ["source", "pressures", "speed", "rows"])
def test_what_a_table_must_say(missing):
    """Source, unit, speed and rows have no default."""
    with pytest.raises(ValidationError, match=missing):
        MakersTable.model_validate({key: value for key, value in TABLE.items() if key != missing})
