"""Odd and hostile traces and settings: a right answer, or one line that names the place; never a traceback.

Every trace is the same hold (16 minutes at 300 micron, which is tight), written as somebody's program might write it.
"""

import json
import time

import pytest

from baytrace.cli import run
from baytrace.watches.watch import watch_named, watches

HEAD = "time [s],system_pressure [micron]"
SECONDS = 960


def hold(head=HEAD, row="{t},300", end="\n", seconds=SECONDS):
    """`row` is a template over `t`, or a function of it."""
    make = row if callable(row) else lambda t: row.format(t=t)
    return end.join([head, *map(make, range(seconds))]) + end


def at(second, odd, usual="{t},300"):
    """The usual row but for one second."""
    return lambda t: (odd if t == second else usual).format(t=t)


def clock(second, zone):
    return f"2026-11-25T10:{second // 60:02d}:{second % 60:02d}{zone},300"


SAME = {
    "byte order mark": "\ufeff" + hold(),
    "carriage returns and line feeds": hold(end="\r\n"),
    "carriage returns alone": hold(end="\r"),
    "quoted headings": hold('"time [s]","system_pressure [micron]"'),
    "quoted cells": hold(row='"{t}","300"'),
    "spaces round everything": hold(" time [s] , system_pressure [ micron ] ", " {t} , 300 "),
    "empty lines at the end": hold() + "\n\n\n",
    "no line feed at the end": hold()[:-1],
    "two cells in three empty": hold(row=lambda t: f"{t},{'' if t % 3 else 300}"),
    "every time twice": hold(row=lambda t: f"{t // 2},300", seconds=2 * SECONDS),
    "times before zero": hold(row=lambda t: f"{t - 5000},300"),
    "exponents": hold(row="{t}.0e0,3.0E+2"),
    "plus signs": hold(row="+{t},+300"),
    "instants in UTC": hold("time,system_pressure [micron]", lambda t: clock(t, "Z")),
    "instants with an offset": hold("time,system_pressure [micron]", lambda t: clock(t, "+05:30")),
    "an offset that changes at the end of summer time": hold(
        "time,system_pressure [micron]",
        lambda t: clock(t, "+01:00") if t < 500 else clock(t, "+00:00").replace("T10", "T09"),
    ),
    "marks over two lines, commas and quotes": hold(
        HEAD + ",mark", at(7, '{t},300,"on\nthe ""left"", I think"', "{t},300,")
    ),
    "a formula as a mark": hold(HEAD + ",mark", at(7, "{t},300,=1+1", "{t},300,")),
    "a column that is always empty": hold(HEAD + ",high_side [kPa]", "{t},300,"),
    "two thousand columns of no use": hold(
        ",".join([HEAD, *(f"auxiliary:a{n} [degC]" for n in range(2000))]),
        "{t},300" + ",1" * 2000,
        seconds=SECONDS // 16,
    ).replace("time [s]", "time [s]"),
    "in pascal": hold("time [s],system_pressure [Pa]", "{t},39.9967"),
    "in millibar": hold("time [s],system_pressure [mbar]", "{t},0.399967"),
    "in torr": hold("time [s],system_pressure [Torr]", "{t},0.3"),
    "absolute by its unit": hold("time [s],system_pressure [psia]", "{t},0.005801"),
    "a zero a little off": hold(row=at(7, "{t},-0.5")),
}
DECIDED = {name for name in SAME if name != "two thousand columns of no use"}

REFUSED = {
    "nothing at all": (b"", "the file is empty"),
    "line feeds alone": (b"\n\n\n", "the file is empty"),
    "a byte order mark alone": (b"\xef\xbb\xbf", "the file is empty"),
    "a heading alone": (HEAD.encode() + b"\n", "holds no reading"),
    "every cell empty": (hold(row="{t},").encode(), "holds no reading"),
    "NaN": (hold(row=at(9, "{t},NaN")).encode(), "line 11, column 2 (system_pressure [micron]): 'NaN' is no number"),
    "infinity": (hold(row=at(9, "{t},inf")).encode(), "line 11, column 2"),
    "a number too large for any": (hold(row=at(9, "{t},1e400")).encode(), "line 11, column 2"),
    "below a perfect vacuum": (
        hold(row=at(9, "{t},-50")).encode(),
        "line 11, column 2 (system_pressure [micron]): -50 is below",
    ),
    "below absolute zero": (
        hold(HEAD + ",system_temperature [degC]", "{t},300,-300").encode(),
        "line 2, column 3 (system_temperature [degC]): -300 is below absolute zero",
    ),
    "time going back": (hold(row=at(500, "100,300")).encode(), "line 502, column 1 (time): time goes back by 399 s"),
    "decimal commas in quotes": (hold(row='{t},"300,5"').encode(), "'300,5' is no number"),
    "decimal commas": (hold(row="{t},300,5").encode(), "line 2: has 3 cells, the header has 2"),
    "thousands with a comma": (hold(row='{t},"1,300"').encode(), "'1,300' is no number"),
    "thousands with a space": (hold(row="{t},1 300").encode(), "'1 300' is no number"),
    "a unit in the cell": (hold(row="{t},300 micron").encode(), "'300 micron' is no number"),
    "a minus that is none": (hold(row="{t},−300").encode(), "is no number"),
    "digits of another script": (hold(row="{t},٣٠٠").encode(), "is no number"),
    "hexadecimal": (hold(row="{t},0x12C").encode(), "'0x12C' is no number"),
    "underscores": (hold(row="{t},1_000").encode(), "'1_000' is no number"),
    "semicolons": (hold("time [s];system_pressure [micron]", "{t};300").encode(), "not separated by commas"),
    "tabs": (hold("time [s]\tsystem_pressure [micron]", "{t}\t300").encode(), "not separated by commas"),
    "Latin 1": (
        hold(HEAD + ",mark", at(7, "{t},300,über", "{t},300,")).encode("latin-1"),
        "line 9: is not a text file in UTF-8",
    ),
    "UTF-16": (hold().encode("utf-16"), "is not a text file in UTF-8"),
    "bytes": (bytes(range(256)) * 20, "is not a text file"),
    "a zero byte": (hold(row=at(9, "{t},3\x0000")).encode(), "is not a text file"),
    "a page of the web": (b"<!doctype html><html></html>", "the first column is '<!doctype html>"),
    "a comment first": (
        b"# made by something\n" + hold().encode(),
        "line 1: the first column is '# made by something'",
    ),
    "units in a line of their own": (
        hold().replace("\n", "\ns,micron\n", 1).encode(),
        "line 2, column 1 (time): 's' is no time",
    ),
    "an unknown unit": (
        hold("time [s],system_pressure [furlong]").encode(),
        "line 1, column 2: unknown unit 'furlong'",
    ),
    "a unit of something else": (hold("time [s],system_pressure [degC]").encode(), "unit 'degC' measures temperature"),
    "no unit": (hold("time [s],system_pressure").encode(), "names no unit"),
    "an empty unit": (hold("time [s],system_pressure []").encode(), "names no unit"),
    "an unknown role": (hold("time [s],pressure [micron]").encode(), "did you mean 'system_pressure'"),
    "capitals": (hold(HEAD.upper()).encode(), "line 1: the first column is 'TIME [S]'"),
    "time in milliseconds": (hold("time [ms],system_pressure [micron]").encode(), "the first column is 'time [ms]'"),
    "seconds since 1970 as instants": (
        hold("time,system_pressure [micron]").encode(),
        "for seconds the heading is `time [s]`",
    ),
    "instants without an offset": (
        hold("time,system_pressure [micron]", lambda t: clock(t, "")).encode(),
        "no RFC 3339 instant",
    ),
    "a day that is none": (
        hold("time,system_pressure [micron]", "2026-02-30T10:00:00Z,300").encode(),
        "no instant of the calendar",
    ),
    "a day of another habit": (
        hold("time,system_pressure [micron]", "11/25/2026 10:00:00,300").encode(),
        "no RFC 3339 instant",
    ),
    "the year 9999": (hold("time,system_pressure [micron]", "9999-12-31T23:59:59Z,300").encode(), "out of reach"),
    "time that is no number": (hold(row="nan,300").encode(), "'nan' is no time in seconds"),
    "time beyond all time": (hold(row="1e300,300").encode(), "is no time in seconds"),
    "a cell too many": (hold(row=at(7, "{t},300,1")).encode(), "line 9: has 3 cells"),
    "a cell too few": (hold(row=at(7, "{t}")).encode(), "line 9: has 1 cells"),
    "one role twice": (hold(HEAD + ",system_pressure [Pa]", "{t},300,40").encode(), "is there twice"),
    "two columns of marks": (hold(HEAD + ",mark,mark", "{t},300,,").encode(), "'mark' is there twice"),
    "a quote that never ends": (hold(row=at(7, '{t},"300')).encode(), "line 9: is no CSV"),
    "an empty line in the middle": (hold().replace("\n100,", "\n\n100,", 1).encode(), "line 102: the line is empty"),
    "a cell without end": (hold(row=at(7, "{t}," + "3" * 200_000)).encode(), "line 9: is no CSV"),
}


def judge(capsys, tmp_path, content, *settings, watch="evacuation"):
    trace = tmp_path / "trace.csv"
    trace.write_bytes(content)
    words = [word for each in settings for word in ("--set", each)]
    code = run(["judge", str(trace), "--watch", watch, *words, "--json"])
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    return code, said.out, said.err


@pytest.mark.parametrize("name", sorted(DECIDED))
def test_however_it_is_written_the_answer_is_the_same(capsys, tmp_path, name):
    """A tight hold is tight in every writing that RFC 4180 and RFC 3339 allow."""
    code, out, err = judge(capsys, tmp_path, SAME[name].encode(), "phase=hold", "volume_l=2")
    assert (code, json.loads(out)["finding"]) == (0, "tight"), err


def test_columns_of_no_use_change_nothing_but_cost_little(capsys, tmp_path):
    """Two thousand channels that no watch wants: read within seconds, judged as if they were not there."""
    begin = time.monotonic()
    code, out, _ = judge(capsys, tmp_path, SAME["two thousand columns of no use"].encode(), "phase=hold", "volume_l=2")
    assert code == 3
    assert json.loads(out)["verdict"] == "undecided"
    assert time.monotonic() - begin < 15.0


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_what_cannot_be_read_is_named_in_one_line(capsys, tmp_path, name):
    """Exit code 2, nothing on stdout, one line on stderr with the place and what is wrong."""
    content, told = REFUSED[name]
    code, out, err = judge(capsys, tmp_path, content, "phase=hold")
    assert (code, out) == (2, "")
    assert told in err
    assert err.count("\n") == 1
    assert len(err) < 600


@pytest.mark.parametrize(("rows", "finding"), [(1, "too short"), (2, "too short"), (30, "undecided")])
def test_too_little_is_undecided(capsys, tmp_path, rows, finding):
    """One row is a trace; it decides nothing."""
    code, out, _ = judge(capsys, tmp_path, hold(seconds=rows).encode(), "phase=hold")
    assert (code, json.loads(out)["finding"]) in {(3, finding), (3, "too short")}


def test_a_stretch_without_readings_cannot_pass(capsys, tmp_path):
    """Eleven days missing in the middle of a hold."""
    trace = hold(row=lambda t: f"{t if t < 500 else t + 1_000_000},300")
    code, out, _ = judge(capsys, tmp_path, trace.encode(), "phase=hold", "volume_l=2")
    assert (code, json.loads(out)["verdict"]) == (3, "undecided")


@pytest.mark.slow
def test_a_million_rows_are_judged(capsys, tmp_path):
    """Eleven days at one reading a second, within the limit of a test."""
    code, out, _ = judge(capsys, tmp_path, hold(seconds=1_000_000).encode(), "phase=hold", "volume_l=2")
    assert (code, json.loads(out)["finding"]) == (0, "tight")


# ---------------------------------------------------------------------- settings

NEVER = ["nan", "inf", "-inf", "1e400", "1e300", "two", "1,5", "1.5 L", "[1,2", "٣", "0x10", "[null]", "{}"]
"""No number of any watch takes these."""
EVEN_SO = ["", "0", "-1", "1e-300", "1e9", "[]", "[[1]]", '{"a":1}', "null", "true", '"x"', " "]
"""These may mean something to one setting or another; no more is asked than an answer or one line."""


@pytest.fixture
def traces(tmp_path):
    """A trace and settings for each watch with which it says something."""
    running = [
        "time [s],low_side [psi],high_side [psi],suction_line [degF],liquid_line [degF],vent_air [degF],tank_mass [g],mark"
    ]
    marks = {0: "charge start", 300: "charge end", 310: "engine on"}
    for t in range(0, 900, 5):
        wave = t % 3
        running.append(
            f"{t},{30 + 0.01 * wave},{200 + 0.1 * wave},60,110,50,{5000 - 2 * min(t, 280)},{marks.get(t, '')}"
        )
    coils = ["time [s],coil_resistance [ohm]"]
    coils += [f"{n / 2},{'open' if n % 30 < 10 else 12.2 + 0.01 * (n % 2)}" for n in range(130)]
    nitrogen = ["time [s],high_side [kPaa],system_temperature [degC],mark"]
    nitrogen += [f"{t},1000,20,{'' if t else 'isolated'}" for t in range(0, 1200, 5)]
    files = {
        "hold": hold(seconds=240),
        "running": "\n".join(running),
        "coils": "\n".join(coils),
        "nitrogen": "\n".join(nitrogen),
    }
    for name, text in files.items():
        (tmp_path / f"{name}.csv").write_text(text + "\n", encoding="utf-8")
    limits = json.dumps([{"channel": "high_side", "high": 300}])
    return {
        "evacuation": ("hold", ["phase=hold", "volume_l=2"]),
        "charge": ("running", ["refrigerant=R134a", "label_g=560"]),
        "pressures": ("running", ["refrigerant=R134a"]),
        "sweep": ("coils", ["coils=4", "low_ohm=11", "high_ohm=13"]),
        "pressure_hold": ("nitrogen", ["volume_l=2"]),
        "limits": ("running", [f"limits={limits}"]),
        "field_check": ("coils", ["check=meter", "known_ohm=12.2"]),
    }


def answer(capsys, tmp_path, traces, watch, extra):
    """Exit code and stderr of judging with one more setting; whatever it is, it is a proper answer."""
    trace, settings = traces[watch]
    name = extra.partition("=")[0]
    given = [each for each in settings if not each.startswith(f"{name}=")] + [extra]
    words = [word for each in given for word in ("--set", each)]
    code = run(["judge", str(tmp_path / f"{trace}.csv"), "--watch", watch, *words])
    said = capsys.readouterr()
    assert code in {0, 1, 2, 3}, extra
    assert "Traceback" not in said.out + said.err, extra
    assert (code == 2) == bool(said.err), extra
    if code == 2:
        assert said.err.count("\n") == 1, extra
        assert len(said.err) < 700, extra
    return code, said.err


@pytest.mark.parametrize("watch", sorted(watches()))
def test_every_bad_setting_of_every_watch_gets_one_line(capsys, tmp_path, traces, watch):
    """Thirteen values that no number can have, for each number of each watch: exit code 2, and the line names the setting."""
    for name, field in watch_named(watch).Settings.model_fields.items():
        if field.annotation not in (float, int, float | None, int | None):
            continue
        for value in NEVER:
            code, err = answer(capsys, tmp_path, traces, watch, f"{name}={value}")
            assert code == 2, (name, value)
            assert name in err, (name, value)


@pytest.mark.parametrize("watch", sorted(watches()))
def test_every_odd_setting_of_every_watch_gets_an_answer(capsys, tmp_path, traces, watch):
    """Twelve more values for every setting there is, and settings that are none: a verdict or one line."""
    for name in watch_named(watch).Settings.model_fields:
        for value in EVEN_SO:
            answer(capsys, tmp_path, traces, watch, f"{name}={value}")
    for extra in (
        "nosuch=1",
        "=",
        "a",
        "VOLUME_L=2",
        "accuracy.nothing=1 K",
        "accuracy.=1",
        "elevation_m=abc",
        "elevation_m=nan",
    ):
        code, _ = answer(capsys, tmp_path, traces, watch, extra)
        assert code == 2, extra


def test_every_watch_is_tried(traces):
    """A new watch needs a trace here."""
    assert set(traces) == set(watches())
