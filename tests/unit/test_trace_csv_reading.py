"""Traces as CSV: what is accepted, and the one clear line for everything that is not."""

import math
import os
import threading
import tracemalloc
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baytrace.measure.faults import BadInput
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.records import trace_csv
from baytrace.records.trace_csv import read_trace


def trace(tmp_path, text, **options):
    file = tmp_path / "trace.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    read = read_trace(file, **options)
    return replace(read, items=list(read.items))


def readings(read):
    return [item for item in read.items if isinstance(item, Reading)]


def test_a_plain_trace_comes_out_in_si(tmp_path):
    """Seconds, trade units and an empty cell: SI values in time order, and no reading where the cell is empty."""
    read = trace(tmp_path, "time [s],system_pressure [micron],system_temperature [degC]\n0,500,20\n1.5,,21\n3,510,\n")
    said = [(item.time_ns, item.role, round(item.value, 6)) for item in readings(read)]
    assert said == [
        (0, Role.SYSTEM_PRESSURE, 66.661194),  # 1 micron of mercury is 0.1333224 Pa (NIST SP 811, B.8)
        (0, Role.SYSTEM_TEMPERATURE, 293.15),
        (1_500_000_000, Role.SYSTEM_TEMPERATURE, 294.15),
        (3_000_000_000, Role.SYSTEM_PRESSURE, 67.994418),
    ]
    assert read.channels[0].period_s == 3.0


def test_the_barometer_of_a_row_is_used_in_that_row(tmp_path):
    """Gauge pressure is made absolute with the barometer of its own instant, wherever its column stands."""
    read = trace(tmp_path, "time [s],low_side [kPa],high_side [kPaa],barometer [hPa]\n0,200,900,850\n")
    by_role = {item.role: item for item in readings(read)}
    assert by_role[Role.LOW_SIDE].value == pytest.approx(285_000.0)
    assert by_role[Role.LOW_SIDE].quality == Quality.GOOD
    assert by_role[Role.HIGH_SIDE].value == pytest.approx(900_000.0)
    assert read.items[0].role is Role.BAROMETER


def test_elevation_stands_in_for_a_barometer(tmp_path):
    """At 1500 m the standard atmosphere is 845.6 hPa (ISO 2533:1975, table 5); without either the reading says so."""
    text = "time [s],low_side [kPa]\n0,0\n"
    assert readings(trace(tmp_path, text, elevation_m=1500))[0].value == pytest.approx(84_560, abs=1)
    assert readings(trace(tmp_path, text))[0].quality == Quality.NO_ATMOSPHERE


def test_instants_keep_their_nanoseconds(tmp_path):
    """RFC 3339 with any offset is exact UTC; equal instants are allowed and not called out of order."""
    text = "time,tank_mass [g]\n2026-11-25T10:00:00.000000001+01:00,1\n2026-11-25T09:00:00.000000001Z,2\n"
    first, second = readings(trace(tmp_path, text))
    assert first.time_ns == second.time_ns == 1_795_597_200_000_000_001
    assert second.quality == Quality.GOOD


def test_marks_come_before_the_readings_of_their_instant(tmp_path):
    """A mark holds for the readings of its own row; quoted text keeps its commas."""
    read = trace(tmp_path, 'time [s],coil_resistance [ohm],mark\n0,12.1,"coil 1, front"\n1,12.2,\n')
    assert read.items[0] == Mark(0, "coil 1, front")
    assert [type(item) for item in read.items[1:]] == [Reading, Reading]


@pytest.mark.parametrize("cell", ["open", "inf", "9.9E37", "9.91e+37", "+INF"])
def test_an_open_coil_is_a_reading(tmp_path, cell):
    """Beyond the meter's range is an open circuit, not an error."""
    reading = readings(trace(tmp_path, f"time [s],coil_resistance [ohm]\n0,{cell}\n"))[0]
    assert reading.value == math.inf
    assert reading.quality == Quality.OPEN_CIRCUIT


def test_line_ends_and_byte_order_mark_do_not_matter(tmp_path):
    """CRLF, a byte order mark, quoted cells and blank lines at the end read as the plain file does."""
    plain = trace(tmp_path, "time [s],tank_mass [kg]\n0,1.5\n1,1.4\n").items
    dressed = trace(tmp_path, b'\xef\xbb\xbf"time [s]","tank_mass [kg]"\r\n"0","1.5"\r\n1,1.4\r\n\r\n').items
    assert dressed == plain


def test_several_channels_may_play_one_role_by_name(tmp_path):
    """`role:name [unit]` names a second channel of a role."""
    read = trace(tmp_path, "time [s],auxiliary:oil [degC],auxiliary:sump [degC]\n0,1,2\n")
    assert [channel.name for channel in read.channels] == ["oil", "sump"]


def test_a_column_without_readings_is_no_channel(tmp_path):
    """A watch must not count on a thermometer that said nothing."""
    read = trace(tmp_path, "time [s],system_pressure [Pa],system_temperature [degC]\n0,5,\n1,6,\n")
    assert [channel.name for channel in read.channels] == ["system_pressure"]


HEAD = "time [s],low_side [psi]\n"
WRONG = {
    "empty file": ("", "empty"),
    "only a header": (HEAD, "no reading"),
    "binary": (b"\x00\x01\x02\xff" * 50, "text"),
    "NUL in a cell": (HEAD + "0,\x001\n", "text"),
    "UTF-16": (HEAD.encode("utf-16"), "UTF-8"),
    "Latin-1": ("time [s],low_side [°F]\n".encode("latin-1"), "UTF-8"),
    "no header": ("0,1\n1,2\n", "first column is '0'"),
    "semicolons": ("time [s];low_side [psi]\n0;1\n", "commas"),
    "no role": ("time [s],lowside [psi]\n0,1\n", "did you mean 'low_side'?"),
    "no unit": ("time [s],low_side\n0,1\n", "names no unit"),
    "unknown unit": ("time [s],low_side [spi]\n0,1\n", "unknown unit 'spi'"),
    "unit of another quantity": ("time [s],low_side [degC]\n0,1\n", "measures temperature"),
    "twice the same column": ("time [s],low_side [psi],low_side [bar]\n0,1,2\n", "twice"),
    "time in minutes": ("time [min],low_side [psi]\n0,1\n", "first column"),
    "no columns": ("time [s]\n0\n", "no column of readings"),
    "text in a cell": (HEAD + "0,1\n1,fine\n", "line 3, column 2 (low_side [psi]): 'fine' is no number"),
    "decimal comma": (HEAD + '0,"1,5"\n', "decimal point"),
    "nan": (HEAD + "0,nan\n", "line 2, column 2"),
    "open pressure": (HEAD + "0,inf\n", "line 2, column 2"),
    "digits of another script": (HEAD + "0,١\n", "line 2, column 2"),
    "underscore": (HEAD + "0,1_0\n", "line 2, column 2"),
    "time goes back": (HEAD + "0,1\n2,1\n1,1\n", "line 4, column 1 (time): time goes back by 1 s"),
    "no time": (HEAD + ",1\n", "line 2, column 1"),
    "seconds under instants": ("time,low_side [psi]\n12.5,1\n", "the heading is `time [s]`"),
    "instant without offset": ("time,low_side [psi]\n2026-01-01T00:00:00,1\n", "RFC 3339"),
    "time beyond reason": (HEAD + "1e300,1\n", "no time in seconds"),
    "ragged row": (HEAD + "0,1\n1,2,3\n", "line 3: has 3 cells, the header has 2"),
    "short row": (HEAD + "0\n", "line 2: has 1 cells"),
    "empty line": (HEAD + "0,1\n\n1,2\n", "line 3: the line is empty"),
    "open quote": (HEAD + '0,"1\n', "no CSV"),
    "below absolute zero": ("time [s],vent_air [degC]\n0,-300\n", "below absolute zero"),
    "line of a quoted break": ('time [s],low_side [psi],mark\n0,1,"a\nb"\n1,x,\n', "line 4, column 2"),
}


@pytest.mark.parametrize("name", WRONG)
def test_everything_else_is_refused_in_one_line(tmp_path, name):
    """One line says what, where, and what would be right."""
    text, expected = WRONG[name]
    with pytest.raises(BadInput) as error:
        trace(tmp_path, text)
    assert expected in str(error.value)
    assert "trace.csv" in str(error.value)
    assert "\n" not in str(error.value).replace("\\n", "")


def test_a_missing_file_is_bad_input(tmp_path):
    """So is a directory."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(BadInput, match="cannot be read"):
            read_trace(path)


def test_accuracies_are_taken_by_role(tmp_path):
    """Text from the caller replaces the default; a role that is not there is refused."""
    text = "time [s],low_side [psi]\n0,1\n"
    assert trace(tmp_path, text, accuracies={"low_side": "1 psi"}).channels[0].accuracy.fixed == 1.0
    with pytest.raises(BadInput, match="no column plays"):
        trace(tmp_path, text, accuracies={"high_side": "1 psi"})
    with pytest.raises(BadInput, match="low_side"):
        trace(tmp_path, text, accuracies={"low_side": "good"})


@given(
    st.binary(max_size=300)
    | st.text(max_size=300).map(lambda text: ("time [s],low_side [psi]\n" + text).encode("utf-8", "replace"))
)
def test_no_bytes_bring_it_down(tmp_path_factory, data):
    """Whatever a file holds, it is read or refused as bad input."""
    file = tmp_path_factory.getbasetemp() / "any.csv"
    file.write_bytes(data)
    try:
        list(read_trace(file).items)
    except BadInput as error:
        assert "any.csv" in str(error)  # noqa: PT017 - reading it is as good


def long_trace(folder, rows):
    file = folder / f"{rows}.csv"
    lines = (f"{n / 2},{150 + n % 7},{20 + n % 3},{14 + n % 5}\n" for n in range(rows))
    file.write_text("time [s],system_pressure [micron],system_temperature [degC],low_side [psi]\n" + "".join(lines))
    return file


def test_memory_does_not_grow_with_the_file(tmp_path, monkeypatch):
    """Ten times the rows take the same memory, once enough steps were seen to tell how often a channel is heard."""
    monkeypatch.setattr(trace_csv, "_MOST_STEPS", 1_000)
    peaks = []
    for rows in (3_000, 30_000):
        file = long_trace(tmp_path, rows)
        tracemalloc.start()
        read = read_trace(file)
        heard = sum(1 for _ in read.items)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert heard == 3 * rows
    assert peaks[1] < peaks[0] + 50_000


@pytest.mark.parametrize("said", ["{", "\0", '{"tableSchema":{"urn:baytrace:channels":' + "[" * 100_000])
def test_a_damaged_description_beside_a_trace_is_told(tmp_path, said):
    """Accuracies are not guessed where somebody wrote them down and the file was damaged since."""
    (tmp_path / "trace.csv-metadata.json").write_text(said)
    with pytest.raises(BadInput, match="remove it to use defaults"):
        trace(tmp_path, "time [s],system_pressure [micron]\n0,500\n")


def test_a_description_of_others_is_left_alone(tmp_path):
    """Another program's description tells nothing of our channels: defaults hold."""
    (tmp_path / "trace.csv-metadata.json").write_text('{"tableSchema": {"columns": []}}')
    assert len(readings(trace(tmp_path, "time [s],system_pressure [micron]\n0,500\n"))) == 1


def test_items_can_be_gone_through_again(tmp_path):
    """Each time from the beginning, and the same."""
    read = read_trace(long_trace(tmp_path, 50))
    assert list(read.items) == list(read.items)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_read_as_a_file_is(tmp_path):
    """What comes through a pipe can be read once only; the items are the same."""
    file, pipe = long_trace(tmp_path, 50), tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(file.read_bytes()))
    writer.start()
    try:
        assert list(read_trace(pipe).items) == list(read_trace(file).items)
    finally:
        writer.join()
