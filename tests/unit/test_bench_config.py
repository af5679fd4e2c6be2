"""bench.toml, checked whole."""

from pathlib import Path

import pytest

from baytrace.bench.config import parse_config

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
