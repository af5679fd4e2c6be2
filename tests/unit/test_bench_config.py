"""bench.toml, checked whole."""

from pathlib import Path

import pytest

from baytrace.bench.config import parse_config, read_config

GOOD = """
[bench]
name = "bay-1"

[[instrument]]
name = "vacuum gauge"
adapter = "line"
port = "socket://127.0.0.1:9"
accuracy = "10 % of reading"
calibrated = 2026-01-05
due = 2027-01-05

[[instrument.channel]]
role = "system_pressure"
unit = "micron"
field = 0
"""


def faults_of(text):
    return {fault.key: fault for fault in parse_config(text, Path("bench.toml"))[1]}


def test_a_good_file_is_read():
    """Instrument facts reach the channel; the channel is named by its role where it has no name."""
    config, faults = parse_config(GOOD, Path("bench.toml"))
    assert faults == []
    (channel,) = config.channels
    assert (channel.name, channel.unit.text, channel.instrument) == ("system_pressure", "micron", "vacuum gauge")
    assert channel.calibration.due.isoformat() == "2027-01-05"
    assert channel.accuracy.text == "10 % of reading"


def test_an_accuracy_nobody_wrote_is_told_from_one_that_was():
    """Without `accuracy` a usual one of its kind is taken, and the channel says that it is assumed."""
    stated = parse_config(GOOD, Path("bench.toml"))[0]
    bare = parse_config(GOOD.replace('accuracy = "10 % of reading"\n', ""), Path("bench.toml"))[0]
    own = parse_config(GOOD.replace('unit = "micron"', 'unit = "micron"\naccuracy = "1 Pa"'), Path("bench.toml"))[0]
    assert [config.channels[0].assumed for config in (stated, bare, own)] == [False, True, False]
    assert bare.channels[0].accuracy.text == "10 % of reading + 1 micron"


def test_every_fault_is_told_at_once():
    """Five different faults give five findings, each by its key."""
    text = GOOD.replace('unit = "micron"', 'unit = "microns of water"').replace(
        'name = "bay-1"', 'nam = "bay-1"\nelevation_m = 99999'
    )
    text += '\n[[instrument]]\nname = "x"\nadapter = "lines"\n[[instrument.channel]]\nrole = "suction"\nunit = "degC"\n[weather]\n'
    faults = faults_of(text)
    assert {
        "bench.nam",
        "instrument[0].channel[0].unit",
        "instrument[1].adapter",
        "instrument[1].channel[0].role",
        "weather",
    } <= set(faults)
    assert "did you mean 'name'" in faults["bench.nam"].right


def test_a_role_is_played_once():
    """Two channels in one role would mix in a watch."""
    text = GOOD + '\n[[instrument.channel]]\nname = "second"\nrole = "system_pressure"\nunit = "Pa"\nfield = 1\n'
    assert "already played" in faults_of(text)["instrument[0].channel[1].role"].what


@pytest.mark.parametrize("text", ["", "[bench]\nname = 'a'\n"])
def test_a_bench_without_instruments_is_a_fault(text):
    """An empty file says what is missing."""
    assert "instrument" in faults_of(text)


def test_broken_toml_names_the_line():
    """The grammar's complaint carries its line."""
    (fault,) = parse_config("[bench\n", Path("bench.toml"))[1]
    assert fault.key == "line 1"


def test_unit_is_required():
    """A channel without a unit is no channel."""
    faults = faults_of(GOOD.replace('unit = "micron"\n', ""))
    assert faults["instrument[0].channel[0].unit"].what == "is missing"


def test_a_limit_on_nothing_is_told():
    """A limit must name a channel that exists."""
    assert "limit[0].channel" in faults_of(GOOD + '\n[[limit]]\nchannel = "nope"\nhigh = 1\n')


@pytest.mark.parametrize(
    ("limit", "key", "said"),
    [
        ("hihg = 3", "limit[0].hihg", "did you mean high"),
        ("", "limit[0]", "at least one of high, low"),
        ('high = 1\nunit = "kg"', "limit[0]", "measures mass"),
        ('high = 1\nquiet_in = ["hold"]', "limit[0]", "is no phase"),
        ('high = 1\nquiet_in = ["evac: hold"]', "limit[0].quiet_in", "no watch is called 'evac'"),
        ('high = 1\n[[limit]]\nchannel = "system_pressure"\nhigh = 2', "limit", "two limits make the alarm"),
    ],
)
def test_limits_are_checked_before_anything_runs(limit, key, said):
    """A limit that could not be followed is told by the check, not by a daemon that will not start."""
    fault = faults_of(f'{GOOD}\n[[limit]]\nchannel = "system_pressure"\n{limit}\n')[key]
    assert said in f"{fault.what}; {fault.right}"


INSTRUMENT, CHANNEL = 'name = "vacuum gauge"\n', 'unit = "micron"\n'
SECOND = '[[instrument]]\nname = "{}"\nadapter = "{}"\n{}\n[[instrument.channel]]\nrole = "{}"\nunit = "{}"\n{}\n'
MQTT = SECOND.format("Probe 1", "mqtt", "url = 'mqtt://h'\n{}", "suction_line", "degC", "topic = 't'")
MODBUS = SECOND.format("bus", "modbus", "port = '{}'\n{}", "low_side", "psig", "address = 1\n{}")
METER = SECOND.format("meter", "scpi", "port = 'socket://h:1'\n{}", "coil_resistance", "ohm", "query = '{}'")


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        (GOOD.replace(CHANNEL, CHANNEL + "gian = 2\n"), "instrument[0].channel[0].gian", "did you mean 'gain'"),
        (GOOD.replace(INSTRUMENT, INSTRUMENT + "calibratd = 1\n"), "instrument[0].calibratd", "mean 'calibrated'"),
        (GOOD.replace("system_pressure", "System_Pressure"), "instrument[0].channel[0].role", "mean 'system_pressure'"),
        (GOOD.replace(CHANNEL, CHANNEL + "gain = -1\n"), "instrument[0].channel[0].calibration", "near 1"),
        (GOOD.replace("2027", "2025"), "instrument[0].channel[0].calibration", "is before calibrated"),
        (GOOD.replace(INSTRUMENT, INSTRUMENT + "period_s = inf\n"), "instrument[0].period_s", "finite"),
        (GOOD.replace(INSTRUMENT, INSTRUMENT + "silence_s = inf\n"), "instrument[0].silence_s", "finite"),
        (GOOD.replace(INSTRUMENT, INSTRUMENT + "separator = ','\ndecimal = ','\n"), "instrument[0]", "decimal sign"),
        (
            GOOD.replace(INSTRUMENT, INSTRUMENT + "encoding = 'ascii'\npoll = '°?'\n"),
            "instrument[0]",
            "cannot be written",
        ),
        (GOOD.replace("127.0.0.1:9", "h:99999"), "instrument[0].port", "out of range"),
        (GOOD.replace("127.0.0.1:9", "me:hushhush@h:9"), "instrument[0].port", "do not belong into an address"),
        ("a = " + "[" * 5000 + "]" * 5000, "file", "nested too deeply"),
        (GOOD + "[[limit]]\nchannel = ['x']\nhigh = 1\n", "limit[0].channel", "valid string"),
        (GOOD.replace('name = "bay-1"', 'steps = "a\\u0000b"'), "bench.steps", "cannot be seen"),
        (GOOD.replace('name = "bay-1"', 'journal = "~nobody-here/x"'), "bench.journal", "home of a user"),
        (GOOD + "[web]\nprivate_key = 'k.pem'\n", "web", "without a certificate"),
        (GOOD + "[mqtt]\nurl = 'mqtt://h:99999'\n", "mqtt.url", "out of range"),
        (GOOD + "[mqtt]\nurl = 'mqtt://h'\nca = 'ca.pem'\n", "mqtt", "mqtts://"),
        (GOOD + "[mqtt]\nurl = 'mqtt://h'\npassword_env = 'A'\n", "mqtt", "needs a username"),
        (GOOD + "[webhook]\nurl = 'http://'\nsecret_env = 'A'\n", "webhook.url", "no host"),
        (GOOD + "[webhook]\nurl = 'http://h'\nsecret_env = 'A'\nsecret_file = 'b'\n", "webhook", "exclude each other"),
        (GOOD + "[webhook]\nurl = 'ftp://h/?key=hushhush'\nsecret_env = 'A'\n", "webhook.url", "ftp://h/?..."),
        (GOOD + "[forward]\nurl = 'http://h:99999'\n", "forward.url", "out of range"),
        (GOOD + MQTT.format("") + MQTT.format("").replace("Probe 1", "probe-1"), "instrument[2]", "client id"),
        (GOOD + MODBUS.format("tcp://h:99999", "", ""), "instrument[1].port", "out of range"),
        (GOOD + MODBUS.format("tcp://h", "", "scale = 0"), "instrument[1].channel[0].scale", "every reading 0"),
        (
            GOOD.replace("socket://127.0.0.1:9", "/dev/ttyS0") + MODBUS.format("/dev/ttyS0", "", ""),
            "instrument[1]",
            "/dev/ttyS0, as 'vacuum gauge'",
        ),
        (GOOD + METER.format("setup = ['CONF Ω']", "READ?"), "instrument[1].setup", "not in ASCII"),
        (GOOD + METER.format("", "RÉAD?"), "instrument[1].channel[0].query", "not in ASCII"),
    ],
)
def test_what_would_break_or_mislead_the_running_bench_is_told_by_the_check(text, key, said):
    """Every fault has its key and says what would be right; none is left to a daemon that breaks, guesses or falls silent; no secret shows."""
    fault = faults_of(text)[key]
    assert said in f"{fault.what}; {fault.right}"
    assert "hushhush" not in fault.line("bench.toml")


def test_a_faulty_channel_is_told_once():
    """No second fault follows from a channel that was left out for its own."""
    assert list(faults_of(GOOD + METER.format("", "READ"))) == ["instrument[1].channel[0].query"]


def test_a_byte_order_mark_is_no_fault(tmp_path):
    """Some editors begin a UTF-8 file with one."""
    file = tmp_path / "bench.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert read_config(file)[1] == []


def test_the_shop_can_require_the_cars_own_figures():
    """`[quality] running_reference = "required"` is read; another word is a fault that names its key."""
    config, faults = parse_config(f'{GOOD}\n[quality]\nrunning_reference = "required"\n', Path("bench.toml"))
    assert faults == []
    assert config.quality.running_reference == "required"
    _, faults = parse_config(f'{GOOD}\n[quality]\nrunning_reference = "yes"\n', Path("bench.toml"))
    assert [fault.key for fault in faults] == ["quality.running_reference"]
