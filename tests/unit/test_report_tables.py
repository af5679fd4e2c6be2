"""Tables for the quality department: field checks between calibrations, and channels called in people's words."""

from datetime import date

import pytest

from baytrace.measure.channel import Channel
from baytrace.measure.checked import Checked
from baytrace.measure.roles import Role, called
from baytrace.records.exporting import export_session
from baytrace.records.report.document import document
from baytrace.records.report.units_shown import System, shown_unit
from baytrace.records.session import session_record
from baytrace.records.vocabulary import Kind
from record_kit import CHANNELS, NS, START_NS, channel, packed, unpacked, vacuum_session


def checked(role="high_side", calibrated="2026-03-02", **more):
    said = {"name": role, "role": role, "unit": "kPa", "accuracy": "5 kPa", "instrument": "manifold-1"}
    check = Checked("manifold", "off", date(2026, 5, 4), 20_000.0, 10_000.0, "Pa", known=500_000.0)
    return Channel.from_json(said | {"calibration": {"calibrated": calibrated}, "checks": [check.to_json()]} | more)


def said(channels, system=System.SI):
    session = vacuum_session(minutes=(0.2, 0.2), channels=[*CHANNELS[:4], CHANNELS[5], *channels])
    return document(session_record(session.journal, session.id), system, {})


@pytest.mark.parametrize(
    ("system", "figures"),
    [(System.SI, ["500 kPa abs", "+20 kPa", "±10 kPa"]), (System.US, ["72.52 psia", "+2.901 psi", "±1.45 psi"])],
)
def test_a_field_check_stands_beside_the_calibration(system, figures):
    """Day, what it was held against, what that was, the error found, what was allowed, the finding; 1 psi is 6.894757 kPa."""
    (row,) = said([checked()], system)["checks"]
    assert row[:4] == ["manifold-1", "High side", "2026-05-04", "Both sides joined, at rest"]
    assert row[4:7] == figures
    assert row[7] == "Off: passes are held back"


def test_a_calibration_after_the_check_is_said():
    """What was found off and calibrated since holds nothing back any more."""
    (row,) = said([checked(calibrated="2026-06-01")])["checks"]
    assert row[7] == "Off; calibrated since, on 2026-06-01"


def test_masses_and_resistances_are_in_the_units_of_their_role():
    """A scale's error in grams, an ohmmeter's in ohm; a check of an older record does not know what it was held against."""
    scale = Checked("scale", "agrees", date(2026, 5, 4), -0.0012, 0.002, "kg", known=0.5)
    meter = Checked("meter", "agrees", date(2026, 5, 5), 0.01, 0.03, "ohm")
    rows = said(
        [
            checked("tank_mass", unit="g", accuracy="2 g", checks=[scale.to_json()]),
            checked("coil_resistance", unit="ohm", accuracy="1 % of reading", checks=[meter.to_json()]),
        ]
    )["checks"]
    assert [row[3:] for row in rows] == [
        ["A known mass", "500 g", "−1.2 g", "±2 g", "Agrees"],
        ["A known resistor", "not kept", "+0.01 Ω", "±0.03 Ω", "Agrees"],
    ]


@pytest.mark.parametrize("form", ["html", "pdf"])
def test_reports_and_pack_carry_the_check(tmp_path, form):
    """In both reports and in `session.json`."""
    pdfplumber = pytest.importorskip("pdfplumber")
    session = vacuum_session(minutes=(0.2, 0.2), channels=[*CHANNELS[:4], *CHANNELS[5:6], checked()])
    path = export_session(session.journal, session.id, tmp_path, form)
    if form == "pdf":
        with pdfplumber.open(path) as paper:
            text = "".join(page.extract_text() for page in paper.pages)
    else:
        text = path.read_text(encoding="utf-8")
    assert "Field checks" in text
    assert "+20 kPa" in text
    bag = unpacked(packed(session, tmp_path), tmp_path / "bag")
    record = (bag / "data" / "session.json").read_text(encoding="utf-8")
    assert '"known": 500000.0' in record


def test_silent_channels_and_gaps_are_told_in_words():
    """`Low side (low)`, as the page says it, not `low`; a channel that has its role's name needs no brackets."""
    session = vacuum_session(
        minutes=(0.2, 0.2), close=False, channels=[*CHANNELS, channel("vent_air", "vent_air", "degC", "1 K", "p")]
    )
    for name in ("low", "vent_air"):
        session.note(Kind.STALE, channel=name, since_ns=1, stale=True)
    session.note(Kind.GAP, channel="low", from_ns=START_NS, to_ns=START_NS + 95 * NS, cause="cable pulled")
    told = document(session_record(session.journal, session.id), System.SI, {})
    assert any("Channels Low side (low), Vent air fell silent" in row[1] for row in told["events"])
    assert told["gaps"][0][2] == "Low side (low)"
    assert [called(Role.LOW_SIDE, "low_side"), called(Role.LOW_SIDE, "p1")] == ["Low side", "Low side (p1)"]


def test_an_instrument_that_came_and_went_is_told_without_its_ports_name():
    """`/dev/ttyUSB0 was lost` is `the port was lost`; a bare name says nothing and is left out."""
    session = vacuum_session(minutes=(0.2, 0.2), close=False)
    for state, detail in (("lost", "/dev/ttyUSB0 was lost (unplugged)"), ("up", "/dev/ttyUSB0"), ("silent", "nothing")):
        session.note(Kind.INSTRUMENT, instrument="gauge-7", state=state, detail=detail)
    told = [row[1] for row in document(session_record(session.journal, session.id), System.SI, {})["events"]]
    assert told == [
        "Instrument gauge-7: lost, the port was lost (unplugged)",
        "Instrument gauge-7: up",
        "Instrument gauge-7: silent, nothing",
    ]


@pytest.mark.parametrize(
    ("charged", "row"),
    [
        (660.0, ["Charged over the label", "10 g"]),
        (618.5, ["Charged under the label", "31.5 g"]),
        (650.0, ["Charged over the label", "0 g"]),
    ],
)
def test_a_balance_below_nothing_is_told_by_what_it_is(charged, row):
    """A customer reads `under the label`, and no minus sign."""
    session = vacuum_session(minutes=(0.2, 0.2), close=False)
    session.note(Kind.LEDGER, entry="charged", value=charged, unit="g", who="M. Example")
    session.close()
    assert row in document(session_record(session.journal, session.id), System.SI, {})["done"]


def test_a_gas_coolers_pressure_has_the_units_of_the_loop():
    """As high and low side have: kPa or psi, absolute."""
    assert shown_unit("Pa", System.SI, "gas_cooler_pressure").text == "kPa abs"
    assert shown_unit("Pa", System.US, "gas_cooler_pressure").text == "psia"
