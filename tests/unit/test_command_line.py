"""The command line as people and scripts meet it."""

import json
import math
import random

import pytest

from baytrace.cli import run


def invoke(capsys, *arguments):
    """(exit code, stdout, stderr) of one command line."""
    code = run(list(arguments))
    out = capsys.readouterr()
    return code, out.out, out.err


def hold_csv(path, rise_micron_s=0.0, level_micron=0.0, seconds=960, unit="micron", scale=1.0):
    """A bare hold from 150 micron on: a steady rise and one that levels off with 100 s, seen by a gauge of 1 micron."""
    rng = random.Random(5)
    rows = [f"time [s],system_pressure [{unit}]"]
    for t in range(seconds + 1):
        p = 150.0 + rise_micron_s * t + level_micron * (1.0 - math.exp(-t / 100.0)) + rng.gauss(0.0, 0.3)
        rows.append(f"{t},{round(p) * scale:.6g}")
    path.write_text("\n".join(rows) + "\n")
    return str(path)


@pytest.mark.parametrize(
    ("rise", "level", "code", "finding"),
    [(0.0, 0.0, 0, "tight"), (0.8, 0.0, 1, "leak"), (0.0, 2500.0, 1, "moisture")],
)
def test_judge_answers_by_exit_code_and_document(capsys, tmp_path, rise, level, code, finding):
    """A tight hold passes, a leak and water fail, each by its own finding, and stdout is one JSON document."""
    trace = hold_csv(tmp_path / "hold.csv", rise, level)
    got, out, _ = invoke(
        capsys, "judge", trace, "--watch", "evacuation", "--set", "phase=hold", "--set", "volume_l=2", "--json"
    )
    said = json.loads(out)
    assert (got, said["finding"]) == (code, finding)
    assert said["watch"] == "evacuation"
    assert all(set(figure) <= {"value", "low", "high", "unit", "confidence"} for figure in said["evidence"].values())


def test_the_unit_of_a_trace_changes_nothing(capsys, tmp_path):
    """The same hold in micron and in Pa gets the same finding and nearly the same rate."""
    rates = []
    for unit, scale in (("micron", 1.0), ("Pa", 0.133322387415)):
        trace = hold_csv(tmp_path / f"{unit}.csv", 0.8, 0.0, unit=unit, scale=scale)
        _, out, _ = invoke(
            capsys, "judge", trace, "--watch", "evacuation", "--set", "phase=hold", "--set", "volume_l=2", "--json"
        )
        rates.append(json.loads(out)["evidence"]["leak_rate"]["value"])
    assert rates[0] == pytest.approx(rates[1], rel=1e-3)


def test_a_short_hold_is_undecided(capsys, tmp_path):
    """Exit 3, and what is missing is said."""
    trace = hold_csv(tmp_path / "short.csv", seconds=120)
    code, out, _ = invoke(
        capsys, "judge", trace, "--watch", "evacuation", "--set", "phase=hold", "--set", "volume_l=2", "--json"
    )
    assert code == 3
    assert "more_time_needed" in json.loads(out)["evidence"]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is empty"),
        (b"time [s],system_pressure [microns of water]\n0,1\n", "unknown unit"),
        (b"time [s],sytem_pressure [micron]\n0,1\n", "did you mean 'system_pressure'"),
        (b"time [s],system_pressure [micron]\n0,1\n1,abc\n", "line 3, column 2"),
        (b"\x00\x01\x02\xff", "not a text file"),
        (b"\xff\xfe\xfa", "UTF-8"),
        (b"time [s],system_pressure [micron]\n5,1\n4,1\n", "line 3"),
        (b"time [s],system_pressure [micron]\n5,1,7\n", "line 2"),
    ],
)
def test_bad_traces_get_one_clear_line(capsys, tmp_path, content, told):
    """What, where, what would be right: one line, exit 2, no traceback."""
    trace = tmp_path / "bad.csv"
    trace.write_bytes(content)
    code, out, err = invoke(capsys, "judge", str(trace), "--watch", "evacuation")
    assert code == 2
    assert out == ""
    assert told in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("judge", "nope.csv", "--watch", "evacuation"), "cannot be read"),
        (("judge", "{trace}", "--watch", "evacution"), "there are:"),
        (("judge", "{trace}", "--watch", "evacuation", "--set", "volume=2"), "no such setting"),
        (("judge", "{trace}", "--watch", "evacuation", "--set", "volume_l=two"), "volume_l"),
        (("judge", "{trace}", "--watch", "evacuation", "--set", "volume_l"), "key=value"),
        (("judge", "{trace}"), "--watch"),
        (("frobnicate",), "frobnicate"),
        (("saturation", "R134a", "--at", "20", "parsec"), "parsec"),
        (("saturation", "R134z", "--at", "20", "degC"), "R134a"),
        (("saturation", "R744", "--at", "80", "bara"), "critical"),
        (("saturation", "R134a", "--at", "twenty", "degC"), "no number"),
        (("verify", "nope.zip"), "nope.zip"),
        (("sessions", "--journal", "nope"), "nope"),
        (("verify", "x" * 300), "File name too long"),
        (("judge", "x" * 300, "--watch", "evacuation"), "File name too long"),
        (("judge", "{trace}", "--watch", "limits", "--set", "limits=" + "[" * 5000), "no JSON"),
        (("judge", "{trace}", "--watch", "evacuation", "--set", "refrigerant=\udcff"), "cannot be seen"),
        (("serve", "--port", "99999"), "less than or equal to 65535"),
        (("floor", "--private-key", "{trace}"), "without --certificate"),
        (("serve", "--log", "xml"), "'--log': 'xml' is not one of"),
        (("token", "make", "", "--role", "view", "--tokens", "t.json"), "needs a name"),
        (("token", "make", "a", "--role", "view", "--tokens", "{trace}/t.json"), "Not a directory"),
    ],
)
def test_wrong_usage_gets_one_clear_line(capsys, tmp_path, arguments, told):
    """Exit 2 and one line that says what would be right."""
    trace = hold_csv(tmp_path / "hold.csv", seconds=30)
    code, out, err = invoke(capsys, *(argument.replace("{trace}", trace) for argument in arguments))
    assert code == 2
    assert out == ""
    assert told in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "name", "value", "tolerance"),
    [
        # R134a at 20 degC: 571 707 Pa (Tillner-Roth & Baehr, J. Phys. Chem. Ref. Data 23(5), 1994), paper's 0.02 %
        (("R134a", "--at", "20", "degC"), "pressure", 571_706.9, 120.0),
        # the same by a pressure, absolute by default
        (("R134a", "--at", "571.7069", "kPa"), "temperature", 20.0, 0.01),
        # gauge only when the unit says so
        (("R134a", "--at", "470.3819", "kPag"), "temperature", 20.0, 0.01),
        # ice at -10 degC: 259.9 Pa (IAPWS R14-08)
        (("Water", "--at", "-10", "degC"), "pressure", 259.9, 0.1),
        # frost point at 500 micron: -24.48 degC (IAPWS R14-08), not the -27.1 of supercooled liquid
        (("Water", "--at", "500", "micron"), "temperature", -24.48, 0.01),
    ],
)
def test_saturation_gives_published_values(capsys, arguments, name, value, tolerance):
    """The document has the figure in SI, temperatures in degC."""
    code, out, _ = invoke(capsys, "saturation", *arguments, "--json")
    said = json.loads(out)
    assert code == 0
    assert said["evidence"][name]["value"] == pytest.approx(value, abs=tolerance)
    assert said["phase"] == ("ice-vapour" if arguments[0] == "Water" else "liquid-vapour")


def test_a_blend_keeps_bubble_and_dew_apart(capsys):
    """R407C at 20 degC has two pressures, dew below bubble."""
    code, out, _ = invoke(capsys, "saturation", "R407C", "--at", "20", "degC", "--json")
    evidence = json.loads(out)["evidence"]
    assert code == 0
    assert evidence["dew_pressure"]["value"] < evidence["bubble_pressure"]["value"]


def test_five_faults_are_five_lines(capsys, tmp_path):
    """Each fault of a configuration is told with file and key in one run."""
    file = tmp_path / "bench.toml"
    file.write_text(
        '[bench]\nnam = "x"\n[[instrument]]\nname = "g"\nadapter = "line"\nport = "socket://h:1"\nspeed = 9600\n'
        '[[instrument.channel]]\nrole = "system_pressure"\nunit = "mikron"\nfield = 0\n'
        '[[instrument.channel]]\nrole = "suction"\nunit = "degC"\nfield = 1\n'
        '[[limit]]\nchannel = "nothing"\nhigh = 1\n'
    )
    code, out, err = invoke(capsys, "check", "--config", str(file))
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert len(lines) == 5
    assert all(line.startswith(f"{file}: ") for line in lines)
    for key in ("bench.nam", "instrument[0].speed", "channel[0].unit", "channel[1].role", "limit[0].channel"):
        assert sum(key in line for line in lines) == 1, key


@pytest.mark.parametrize(
    "command",
    [
        "demo",
        "serve",
        "sim",
        "check",
        "ports",
        "sessions",
        "export",
        "verify",
        "judge",
        "saturation",
        "doctor",
        "unit",
        "token",
        "key",
        "forward",
        "floor",
    ],
)
def test_every_command_has_help(capsys, command):
    """`--help` works and says something."""
    code, out, _ = invoke(capsys, command, "--help")
    assert code == 0
    assert "Usage" in out


def test_ports_and_doctor_speak_json(capsys):
    """Machine readers get one document each."""
    for command, key in (("ports", "ports"), ("doctor", "findings")):
        _, out, _ = invoke(capsys, command, "--json")
        assert key in json.loads(out)
