"""Lines of gauges, scales and meters into values."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from baytrace.adapter import Collector, adapter_named
from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Quality
from baytrace_adapters._checksum import Checksum
from baytrace_adapters._decode_line import BadChecksum, Grammar, LineDecoder, Place
from baytrace_adapters._framing import LineBuffer
from baytrace_adapters._numbers import Meaning, Unreadable, number, same_unit
from baytrace_adapters.line import LineSettings, grammar
from servers import requests


def decoder(channels, **settings):
    made = LineSettings(port="COM3", **settings)
    return LineDecoder(grammar(made, requests("line", channels)))


def values(found):
    return [(one.value, one.quality) for one in found]


GAUGE = [("p", "micron", {})]


@pytest.mark.parametrize(
    ("line", "value"),
    [
        (b"512", 512.0),
        (b" +512.5 ", 512.5),
        (b"- 3.20 microns", -3.2),
        (b"5.12E+02 micron", 512.0),
        (b"512 mTorr", 512.0),
    ],
)
def test_plain_numbers_with_or_without_their_unit(line, value):
    """A number alone, with sign, exponent, blanks, or its own unit in any spelling, is the value as printed."""
    assert values(decoder(GAUGE).decode(line)) == [(value, 0)]


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"512 Pa",
        b"5 12",
        b"512 512",
        b"1,234",
        b"0x10",
        b"12.3.4",
        b"inf",
        b"1e999",
        b"\x00512",
        b"512\xff",
        "٥١٢".encode(),
    ],
)
def test_anything_else_is_unreadable(line):
    """No guess: a second number, another unit, a thousands sign, junk around a number are all refused."""
    with pytest.raises(Unreadable):
        decoder(GAUGE).decode(line)


def test_a_scale_with_flag_and_unit_fields():
    """A scale's line by fields: an unstable mass is suspect, an overload over range, a word for 'ignore' no reading."""
    scale = decoder(
        [("m", "g", {"field": 2})],
        separator=",",
        unit_field=3,
        flag_field=0,
        words={"ST": "good", "US": "suspect", "OL": "over range", "TR": "ignore"},
    )
    assert values(scale.decode(b"ST,GS,+ 1250.5,g")) == [(1250.5, 0)]
    assert values(scale.decode(b"US,GS,+ 1250.5,g")) == [(1250.5, Quality.SUSPECT)]
    assert values(scale.decode(b"OL,GS,       ,g")) == [(math.inf, Quality.OVER_RANGE)]
    assert scale.decode(b"TR,GS,+ 1250.5,g") is None
    with pytest.raises(Unreadable, match="unit 'lb' where m has 'g'"):
        scale.decode(b"ST,GS,+ 2.75,lb")
    with pytest.raises(Unreadable, match="has 2 fields"):
        scale.decode(b"ST,GS")


def test_a_pattern_names_its_channels():
    """Several channels of a line by named groups, each with its own unit; a group that is absent gives no value."""
    meter = decoder(
        [("p", "kPa", {}), ("temperature", "degC", {"group": "t"})],
        pattern=r"P=(?P<p>\S+) (?P<p_unit>\w+)(?: T=(?P<t>\S+) (?P<t_unit>\S+))?",
        encoding="utf-8",
    )
    assert values(meter.decode("P=1.5 kPa T=21.25 °C".encode())) == [(1.5, 0), (21.25, 0)]
    assert values(meter.decode(b"P=1.5 kPa")) == [(1.5, 0)]
    with pytest.raises(Unreadable, match="unit 'bar'"):
        meter.decode(b"P=1.5 bar")
    with pytest.raises(Unreadable, match="does not match"):
        meter.decode(b"x P=1.5 kPa")


def test_words_and_an_open_resistance():
    """`OL` on an ohmmeter is an open circuit, elsewhere over range; dashes are no value."""
    assert values(decoder([("r", "ohm", {})]).decode(b"OL")) == [(math.inf, Quality.OVER_RANGE | Quality.OPEN_CIRCUIT)]
    assert values(decoder(GAUGE).decode(b"OL")) == [(math.inf, Quality.OVER_RANGE)]
    (value, quality) = values(decoder(GAUGE).decode(b"----"))[0]
    assert math.isnan(value)
    assert quality == Quality.NOT_A_NUMBER


def test_decimal_comma_own_units_and_ignored_lines():
    """A decimal comma, an instrument's own unit word, and headings are what the settings say."""
    gauge = decoder(GAUGE, decimal=",", units={"mT": "mTorr"}, ignore="^#|^Ready")
    assert values(gauge.decode(b"512,5 mT")) == [(512.5, 0)]
    assert gauge.decode(b"# vacuum log") is None
    with pytest.raises(Unreadable):
        gauge.decode(b"512.5 mT")


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        # check values of "123456789" from the public catalogue of parametrised CRC algorithms (from memory); xor and sums by hand
        (Checksum.XOR8, 0x31),
        (Checksum.SUM8, 0xDD),
        (Checksum.TWOS8, 0x23),
        (Checksum.CRC16_MODBUS, 0x4B37),
        (Checksum.CRC16_CCITT, 0x29B1),
        (Checksum.CRC16_XMODEM, 0x31C3),
        (Checksum.CRC32, 0xCBF43926),
    ],
)
def test_checksums_give_their_published_check_values(kind, check):
    """Each checksum of the digits 1 to 9 is the published one."""
    assert kind.of(b"123456789") == check


def test_a_sentence_with_start_and_checksum():
    """`$...*hh` as in NMEA 0183: right is read, wrong is a bad checksum, absent is unreadable."""
    gauge = decoder(
        [("p", "micron", {"field": 1})], separator=",", checksum="xor8", checksum_start="$", checksum_separator="*"
    )
    body = b"VAC,512"
    line = b"$" + body + b"*%02X" % Checksum.XOR8.of(body)
    assert values(gauge.decode(line)) == [(512.0, 0)]
    with pytest.raises(BadChecksum):
        gauge.decode(line.replace(b"512", b"513"))
    for broken in (body, b"$" + body, b"$" + body + b"*", b"$" + body + b"*G1"):
        with pytest.raises(Unreadable):
            gauge.decode(broken)


NUMBERS = st.decimals(min_value=-(10**9), max_value=10**9, places=3).map(lambda value: f"{value:+012.3f}")
JUNK = st.binary(min_size=0, max_size=6)


def stream_of(lines, faults):
    """A wire that loses, changes and repeats bytes; every second thing in `faults` is a place."""
    data = bytearray(b"".join(lines))
    for kind, place, byte in faults:
        at = place % (len(data) + 1)
        if kind == "lose":
            del data[at : at + 3]
        elif kind == "insert":
            data.insert(at, byte)
        elif at < len(data):
            data[at] = byte
    return bytes(data)


FAULTS = st.lists(
    st.tuples(st.sampled_from(["lose", "insert", "change"]), st.integers(0, 10_000), st.integers(0, 255)), max_size=12
)


@given(st.lists(NUMBERS, min_size=1, max_size=10), FAULTS, st.integers(1, 40))
def test_with_a_checksum_no_value_that_was_not_sent(numbers, faults, step):
    """Bytes lost, changed and inserted, cut anywhere: with a 32-bit checksum every value stored was sent whole.

    The limit is the checksum's: damage that happens to keep it passes, once in 2**32 for CRC-32 and once in 256 for 8 bits.
    """
    gauge = LineDecoder(Grammar([Place("p", "micron")], checksum=Checksum.CRC32, checksum_separator="*"))
    lines = [f"{text}*{Checksum.CRC32.of(text.encode()):08X}\r\n".encode() for text in numbers]
    data, buffer, got = stream_of(lines, faults), LineBuffer(), []
    for start in range(0, len(data), step):
        for piece in buffer.feed(data[start : start + step]):
            if isinstance(piece, bytes):
                try:
                    got += [one.value for one in gauge.decode(piece)]
                except Unreadable:
                    continue
    assert set(got) <= {float(text) for text in numbers}


@given(st.lists(NUMBERS, min_size=2, max_size=10), st.lists(st.integers(0, 10_000), max_size=4), st.booleans())
def test_without_a_checksum_a_fixed_shape_refuses_partial_and_joined_lines(numbers, cuts, entered_late):
    """A stream entered late and with bytes lost gives no value but those sent, when the pattern fixes the width.

    The limit: digits changed into other digits are not noticed without a checksum.
    """
    gauge = LineDecoder(Grammar([Place("p", "micron", group="p")], pattern=re.compile(r"(?P<p>[+-]\d{7,}\.\d{3}) u")))
    data = b"".join(text.encode() + b" u\r\n" for text in numbers)
    buffer = LineBuffer()
    if entered_late:
        data = data[cuts[0] % 15 if cuts else 3 :]
        buffer.broken()
    ends = sorted({cut % len(data) for cut in cuts})
    got = []
    for start, end in zip([0, *ends], [*ends, len(data)], strict=True):
        if start:
            buffer.broken()  # what the port says when bytes were dropped
            start = min(start + 2, end)  # noqa: PLW2901 - these were
        for piece in buffer.feed(data[start:end]):
            if isinstance(piece, bytes):
                try:
                    got += [one.value for one in gauge.decode(piece)]
                except Unreadable:
                    continue
    assert set(got) <= {float(text) for text in numbers}


@given(st.binary(max_size=60))
def test_any_bytes_at_all_give_a_value_or_a_reason(line):
    """No input makes a decoder fail in another way than by saying why."""
    for one in (
        decoder(GAUGE),
        decoder([("m", "g", {"field": 1})], separator=","),
        decoder(GAUGE, pattern=r"(.*)"),
        decoder(GAUGE, checksum="crc16-modbus"),
    ):
        try:
            found = one.decode(line)
        except Unreadable:
            continue
        assert all(math.isfinite(value.value) or value.quality for value in found or [])


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_come_back_as_they_were_printed(value):
    """Printing and reading a number changes no bit."""
    assert number(repr(value)) == value


@given(JUNK, JUNK)
def test_junk_before_or_after_never_changes_a_value(before, after):
    """A number in junk is either that number or refused."""
    line = before + b"512.25" + after
    if b"\r" in line or b"\n" in line or re.search(rb"[\d.eE+-]", before + after):
        return
    try:
        found = decoder(GAUGE).decode(line)
    except Unreadable:
        return
    assert values(found) == [(512.25, 0)]


@pytest.mark.parametrize(
    ("heard", "declared", "same"),
    [
        ("mTorr", "micron", True),
        ("°C", "degC", True),
        ("C", "degF", False),
        ("kPa", "kPa g", True),
        ("psig", "psi", True),
        ("bar", "kPa", False),
        ("count", "count", True),
        ("", "bar", False),
    ],
)
def test_units_agree_by_meaning_not_by_spelling(heard, declared, same):
    """Two spellings of one unit agree; what a pressure counts from is the channel's to say."""
    assert same_unit(heard, declared) is same


@pytest.mark.parametrize(
    ("channels", "settings", "text"),
    [
        ([("p", "Pa", {}), ("q", "Pa", {})], {}, "several channels need a pattern or a separator"),
        ([("p", "Pa", {}), ("q", "Pa", {})], {"separator": ","}, "field is missing"),
        ([("p", "Pa", {"group": "x"})], {"pattern": "(?P<p>.*)"}, "pattern has no group 'x'"),
        ([("p", "Pa", {}), ("q", "Pa", {})], {"pattern": "(?P<p>.*)"}, "pattern has no group for 'q'"),
        ([("p", "Pa", {"field": 1})], {"pattern": "(?P<p>.*)"}, "field needs a separator"),
    ],
)
def test_channels_that_do_not_fit_the_lines_are_refused_when_built(channels, settings, text):
    """What cannot work is said at once, with the instrument, the channel and what would be right."""
    made = adapter_named("line")
    with pytest.raises(BadInput, match=text) as caught:
        made("gauge", made.Settings(port="COM3", **settings), requests("line", channels), Collector(SystemClock()))
    assert caught.value.where.startswith("instrument gauge, channel ")
    assert caught.value.right


@pytest.mark.parametrize(
    "settings",
    [
        {"pattern": "("},
        {"pattern": "a", "separator": ","},
        {"flag_field": 1},
        {"port": "http://x"},
        {"port": "socket://host"},
        {"baud": 0},
        {"words": {"x": "nonsense"}},
        {"checksum": "md5"},
        {"unknown": 1},
    ],
)
def test_settings_that_cannot_be_are_refused(settings):
    """Each wrong setting is a validation error that names it."""
    with pytest.raises(ValueError, match=r"(?i)" + next(iter(settings))):
        LineSettings(**{"port": "COM3", **settings})


def test_meanings_are_those_of_the_manual():
    """The words a setting may use are the documented six."""
    assert {str(one) for one in Meaning} == {"good", "suspect", "over range", "under range", "no value", "ignore"}


@pytest.mark.timeout(20)
def test_no_pattern_holds_up_the_bench():
    """A pattern on which a backtracking engine does not return answers at once: the other instruments share its thread."""
    gauge = decoder(GAUGE, pattern=r"(?P<p>(\d+)+)")
    with pytest.raises(Unreadable):
        gauge.decode(b"1" * 500 + b"x")


def test_what_the_engine_does_not_know_is_refused_in_words():
    """Look-around is refused when the configuration is read, saying so."""
    with pytest.raises(ValidationError, match="look-around is not known here"):
        LineSettings.model_validate({"port": "/dev/none", "pattern": r"(?=x)(?P<v>\d+)"})
