"""The session's sheet: balances from entries, and what is missing is asked for."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Event
from baytrace.records.job_lists import default_sheet, read_sheet
from baytrace.records.sheet import entries, sheet_document
from baytrace.records.vocabulary import Kind

FULL = [
    ("recovered", 430.0, "g"),
    ("charged", 551.0, "g"),
    ("oil_recovered", 5.0, "mL"),
    ("replaced_compressor", 1, "pieces"),
    ("replaced_drier", 1, "pieces"),
    ("oil_drained", 85.0, "mL"),
    ("oil_in_new_part", 40.0, "mL"),
    ("oil_added", 70.0, "mL"),
]


def ledger(*rows):
    return [
        Event(i, i, Kind.LEDGER, "s", {"entry": n, "value": v, "unit": u, "who": "Kim"}, i)
        for i, (n, v, u) in enumerate(rows, 10)
    ]


def session(*rows, label_g=550.0, more=()):
    start = Event(1, 1, Kind.SESSION_STARTED, "s", {"label_g": label_g, "plan": {}}, 1)
    return [start, *ledger(*rows), *more]


def weighed(value, low, high):
    figure = {"value": value, "low": low, "high": high, "unit": "g", "confidence": 0.95}
    return Event(90, 90, Kind.VERDICT, "s", {"watch": "charge", "verdict": {"evidence": {"charged_mass": figure}}}, 90)


def asked(document):
    return {row["entry"] for row in document["missing"]}


def value(document, name):
    return document["balances"][name]["value"]


def test_full_sheet_balances():
    """All entries there: nothing is asked, and mass and oil are worked out as on paper."""
    found = sheet_document(session(*FULL))
    assert found["missing"] == found["unusable"] == found["notes"] == []
    assert value(found, "missing_before_service") == 120.0
    assert value(found, "charged_over_label") == 1.0
    assert value(found, "charged_less_recovered") == 121.0
    assert value(found, "oil_to_add") == 5.0 + 85.0 + 20.0 - 40.0
    assert value(found, "oil_added_over_needed") == 0.0
    assert found["parts"][0] | {"source": ""} == {
        "part": "drier", "text": "Receiver-drier", "count": 1.0, "oil": {"value": 20.0, "unit": "mL"}, "source": "",
    }  # fmt: skip


@pytest.mark.parametrize("lacking", [row[0] for row in FULL if row[0] != "replaced_drier"])
def test_missing_entry_is_asked_for_not_assumed(lacking):
    """Without one entry, that entry is asked for and no balance that needs it is given."""
    found = sheet_document(session(*[row for row in FULL if row[0] != lacking]))
    assert lacking in asked(found)
    if lacking.startswith(("oil", "replaced")):
        assert "oil_added_over_needed" not in found["balances"]
    else:
        assert "charged_less_recovered" not in found["balances"]


def test_empty_sheet_asks_for_everything_it_needs():
    """A session without entries has no balance and asks for recovery, label, charge and oil."""
    found = sheet_document(session(label_g=None))
    assert found["balances"] == {}
    assert asked(found) == {"recovered", "label_charge", "charged", "oil_recovered", "replaced_compressor", "oil_added"}


def test_no_new_compressor_needs_no_drained_oil():
    """When no compressor was replaced, neither drained oil nor the new one's is asked for."""
    found = sheet_document(
        session(("replaced_compressor", 0, "pieces"), ("replaced_line", 2, "pieces"), ("oil_recovered", 0, "mL"))
    )
    assert value(found, "oil_to_add") == 20.0
    assert not {"oil_drained", "oil_in_new_part"} & asked(found)


def test_new_part_with_too_much_oil_is_told_to_be_drained():
    """A new compressor that holds more than the old one gave: the sheet says how much to take out."""
    rows = [row if row[0] != "oil_in_new_part" else ("oil_in_new_part", 150.0, "mL") for row in FULL]
    found = sheet_document(session(*rows))
    assert "oil_to_add" not in found["balances"]
    assert value(found, "oil_to_take_out") == 40.0


def test_trade_units_add_up_with_metric_ones():
    """Ounces and grams of one entry add up; so do fluid ounces and millilitres; a correction may be negative."""
    found = sheet_document(
        session(("recovered", 10, "oz"), ("recovered", 100, "g"), ("recovered", -50, "g"), ("oil_added", 1, "fl oz"))
    )
    assert found["figures"]["recovered"]["value"] == pytest.approx(283.49523125 + 50.0)
    assert found["figures"]["oil_added"]["value"] == pytest.approx(29.5735295625)


@pytest.mark.parametrize(
    "row",
    [
        ("recovered", "much", "g"),
        ("recovered", 400, "mL"),
        ("oil_added", 30, "g"),
        ("label_charge", -5, "g"),
        ("recovered", -5, "g"),
    ],
)
def test_unusable_entry_is_listed_with_its_reason(row):
    """An entry that cannot be what it says is listed, not dropped, and still counts as missing."""
    found = sheet_document(session(row, label_g=None))
    assert [one["entry"] for one in found["unusable"]] == [row[0]]
    assert found["unusable"][0]["why"]
    assert row[0] in asked(found)


def test_weighed_charge_stands_in_for_an_entry():
    """What the charge watch weighed counts as charged, with its interval, when nobody entered it."""
    rows = [row for row in FULL if row[0] != "charged"]
    found = sheet_document(session(*rows, more=[weighed(548.0, 544.0, 552.0)]))
    assert found["balances"]["charged_over_label"] == {"value": -2.0, "unit": "g", "low": -6.0, "high": 2.0}
    assert "charged" not in asked(found)


def test_entry_that_contradicts_the_scale_is_said():
    """An entered charge outside the weighed interval counts, with a note that the scale saw another."""
    found = sheet_document(session(*FULL, more=[weighed(520.0, 517.0, 523.0)]))
    assert value(found, "charged_over_label") == 1.0
    assert "520 g" in found["notes"][0]


def test_accumulator_has_its_own_allowance():
    """An accumulator holds more oil than a drier, and each counts for itself."""
    parts = default_sheet().parts
    assert parts["accumulator"].oil_ml > parts["drier"].oil_ml
    rows = [row for row in FULL if row[0] != "replaced_drier"]
    found = sheet_document(session(*rows, ("replaced_accumulator", 1, "pieces")))
    assert value(found, "oil_to_add") == 5.0 + 85.0 + parts["accumulator"].oil_ml - 40.0


@pytest.mark.parametrize(
    ("unit", "factor"), [("N m", 1.0), ("lbf ft", 1.35582), ("lbf in", 0.112985), ("kgf m", 9.80665)]
)
def test_torque_is_an_entry_in_the_unit_of_the_wrench(unit, factor):
    """A torque is kept in newton metres, whatever the wrench shows; a mass is none."""
    found = sheet_document(session(("torque_mounting", 20.0, unit), ("torque_lines", 10.0, "g")))
    assert found["figures"]["torque_mounting"]["value"] == pytest.approx(20.0 * factor, rel=1e-5)
    assert [row["entry"] for row in found["unusable"]] == ["torque_lines"]


def test_every_unit_that_is_offered_is_taken():
    """No unit of an entry's choice is refused, and the first is the one it is worked out in."""
    for entry in entries():
        assert entry["units"][0] == entry["unit"]
        for unit in entry["units"]:
            assert not sheet_document(session((entry["id"], 1.0, unit)))["unusable"], (entry["id"], unit)


def test_entries_offer_every_part_and_figure_once():
    """What can be entered has ids, words and a unit the sheet takes, and each id once."""
    offered = entries()
    assert len({row["id"] for row in offered}) == len(offered)
    assert {"recovered", "oil_added", "replaced_compressor", "replaced_condenser"} <= {row["id"] for row in offered}
    assert {row["unit"] for row in offered} == {"g", "mL", "N m", "pieces"}


def test_session_keeps_the_list_it_began_with():
    """A session that carries its own allowances is worked out by those."""
    own = default_sheet().model_dump()
    own["parts"]["drier"]["oil_ml"] = 35.0
    events = session(*FULL)
    events[0] = events[0]._replace(data=events[0].data | {"job": {"sheet": own}})
    assert value(sheet_document(events), "oil_to_add") == 85.0


@pytest.mark.parametrize(
    ("text", "message"),
    [("entries = 3", "entries"), ("[entries.recovered]\ntext = 'x'\nunit = 'stone'", "unit"), ("[entries", "TOML"), ("[entries.a]\ntext='x'\nunit='g'", "recovered")],
)  # fmt: skip
def test_wrong_list_is_refused_in_one_line(text, message):
    """A shop's list with a fault names the file and what is wrong."""
    with pytest.raises(BadInput, match=rf"shop\.toml.*{message}") as told:
        read_sheet(text, "shop.toml")
    assert "\n" not in str(told.value)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([r["id"] for r in entries()]),
            st.floats(-1e4, 1e4),
            st.sampled_from(["g", "kg", "mL", "pieces", "", "stone"]),
        )
    )
)
def test_any_ledger_folds_without_error(rows):
    """Whatever was entered: no exception, no entry is both a figure and missing, and no balance is not a number."""
    found = sheet_document(session(*rows))
    assert not asked(found) & set(found["figures"])
    assert all(row["value"] == row["value"] for row in found["balances"].values())
