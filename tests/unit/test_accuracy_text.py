"""Accuracy is read as makers print it, into the channel's own unit."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.roles import Role
from baytrace.measure.units import parse_unit, unit_for
from baytrace.watches.limits_table import limits

PSI_PER_BAR = 14.503773773  # exact factors of both units, NIST SP 811

WIDTHS = [
    ("0.5 % of reading + 2 counts (0.01)", "ohm", 14.0, 0.09),
    ("0.5 % of reading + 2 counts", "ohm", 14.0, 0.09),
    ("±(0.5 % rdg + 2 dgt)", "ohm", 14.0, 0.09),
    ("+/- (0.5% + 2d)", "ohm", 14.0, 0.09),
    ("0,5 % rdg + 2 dgt (0,01 ohm)", "ohm", 14.0, 0.09),
    ("50 ppm of reading", "ohm", 100.0, 0.005),
    ("1 % of full scale", "ohm", 3.0, 4.0),
    ("1 % FS (35 bar)", "bar", 3.0, 0.35),
    ("1 % F.S. (0-35 bar)", "kPa", 300.0, 35.0),
    ("1 % FS (35 bar)", "psi", 30.0, 0.35 * PSI_PER_BAR),
    ("0.25 % of span (-1 to 35 bar)", "bar", 3.0, 0.09),
    ("EN 837-1 class 1.6 (16 bar)", "bar", 3.0, 0.256),
    ("1.1 K", "degC", 40.0, 1.1),
    ("1.1 K", "degF", 104.0, 1.98),
    ("2 degF", "degC", 40.0, 10.0 / 9.0),
    ("3 %RH", "%RH", 50.0, 3.0),
    ("3 % RH", "1", 0.5, 0.03),
    ("class B", "degC", 60.0, 0.6),
    ("IEC 60751 class AA", "degC", 60.0, 0.202),
    ("class B Pt100", "degC", -60.0, 0.6),
    ("class B", "degF", 140.0, 1.08),
    ("class B", "K", 333.15, 0.6),
    ("1/3 class B", "degC", 60.0, 0.2),
    ("F0.3", "degC", 60.0, 0.6),
    ("type K class 1", "degC", 60.0, 1.5),
    ("type K class 1", "degC", 500.0, 2.0),
    ("IEC 60584-1 type K class 2", "degF", 140.0, 4.5),
    ("class 1 type T", "degC", 20.0, 0.5),
    ("1 °C or 0.75 % of reading, whichever is greater", "degC", 200.0, 1.5),
    ("1 degC or 0.75 % of reading", "degC", 20.0, 1.0),
    ("10 % of reading + 1 micron", "Pa", 100.0, 10.0 + 0.133322387415),
    ("1e-3 + 1e+2", "Pa", 5.0, 100.001),
]


@pytest.mark.parametrize(("text", "unit", "reading", "width"), WIDTHS)
def test_accuracy_half_width_is_what_the_maker_means(text, unit, reading, width):
    """Each printed form gives the maker's limit of error at a reading, and its rectangular standard uncertainty."""
    accuracy = Accuracy.parse(text, unit=parse_unit(unit), resolution=0.01, span=400.0)
    assert accuracy.half_width(reading) == pytest.approx(width, rel=1e-6)
    assert accuracy.standard_uncertainty(reading) == pytest.approx(width / math.sqrt(3.0), rel=1e-6)


@pytest.mark.parametrize(("text", "unit", "reading", "width"), WIDTHS)
def test_accuracy_text_and_unit_alone_say_the_same_again(text, unit, reading, width):
    """The completed text, kept with a session, needs no resolution or range to be read again."""
    first = Accuracy.parse(text, unit=parse_unit(unit), resolution=0.01, span=400.0)
    again = Accuracy.parse(first.text, unit=parse_unit(unit))
    assert again.half_width(reading) == pytest.approx(width, rel=1e-6)
    assert again.text == first.text


@pytest.mark.parametrize(
    ("text", "unit", "named"),
    [
        ("wibble", "ohm", "wibble"),
        ("0.5 %", "ohm", "of what"),
        ("2 counts", "ohm", "resolution"),
        ("1 % of full scale", "bar", "full scale"),
        ("1.1 K", "psi", "temperature"),
        ("1 bra", "bar", "bra"),
        ("class B", "bar", "thermometers"),
        ("class 1", "degC", "dial gauges"),
        ("type J class 3", "degC", "no class 3"),
        ("0.5 % of reading + ", "ohm", "empty term"),
        ("0.2 K (k=0)", "degC", "k"),
        ("1 % FS (1.2.3 to 5 bar)", "bar", "range"),
        ("1/0 class B", "degC", "class"),
    ],
)
def test_accuracy_that_cannot_be_read_names_the_term(text, unit, named):
    """A term that cannot be read, or not in this channel, is one clear line."""
    with pytest.raises(BadInput, match=named) as fault:
        Accuracy.parse(text, unit=parse_unit(unit))
    assert "\n" not in str(fault.value)


@given(st.text(max_size=30), st.sampled_from(["ohm", "bar", "degC", "%RH", "g"]))
def test_accuracy_of_any_text_is_read_or_refused(text, unit):
    """No text makes the reader fail in any other way, and what it reads is a width of 0 or more."""
    try:
        accuracy = Accuracy.parse(text, unit=parse_unit(unit), resolution=0.1, span=10.0)
    except BadInput:
        return
    assert accuracy.half_width(1.0) >= 0.0


def test_accuracy_read_before_the_unit_is_settled_by_the_channel():
    """A text read without a unit is read again in the channel's unit, so an uncertainty in SI is right either way."""
    unit = unit_for(Role.HIGH_SIDE, "psi")
    early = Channel("high", Role.HIGH_SIDE, unit, Accuracy.parse("1 % of full scale (35 bar)"))
    assert early.standard_uncertainty(1e6) == pytest.approx(35_000.0 / math.sqrt(3.0))
    again = Channel.from_json(early.to_json())
    assert again.standard_uncertainty(1e6) == early.standard_uncertainty(1e6)


def test_accuracy_of_a_certificate_joins_in_quadrature():
    """An expanded uncertainty with its k is no limit of error."""
    accuracy = Accuracy.parse("0.3 K + 0.2 K (k=2)", unit=parse_unit("degC"))
    assert accuracy.standard_uncertainty(20.0) == pytest.approx(math.hypot(0.3 / math.sqrt(3.0), 0.1))


def test_accuracy_assumed_for_every_role_can_be_read():
    """Each default of the instruments' table reads in the unit it names."""
    rows = {name: row for name, row in limits().items() if name.startswith("instruments.")}
    for name, row in rows.items():
        role = Role(name.removeprefix("instruments."))
        Channel("x", role, unit_for(role, row.unit), Accuracy.parse(row.value))
    assert len(rows) == len(Role)
