"""A pack's tables in the hands of programs that know nothing of Baytrace: pyarrow, pandas, DuckDB, and a CSVW reader."""

import csv
import json
import math
from datetime import UTC, datetime

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from csvw import CSVW

from baytrace.records.exporting import export_session
from record_kit import CHANNELS, START_NS, Session, unpacked

UNITS = {channel.name: channel.unit for channel in CHANNELS}
READINGS = 60


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    """The payload of a pack with every kind of cell: a mark with a comma, quotes and umlauts; an open coil; empty cells."""
    session = Session(plan={})
    for second in range(READINGS):
        session.read(vacuum=500.0 - second, low=30.1 + second / 7.0, vent=-3.25, baro=1013.25)
        session.wait(0.1)
    session.mark('isolated, "by hand" – Öl nachgefüllt')
    session.read(coil=math.inf, oil=math.nan)
    session.wait(1)
    session.read(coil=12.6)
    session.close()
    folder = tmp_path_factory.mktemp("readers")
    return unpacked(export_session(session.journal, session.id, folder), folder / "bag") / "data"


def described_channels(said):
    return {channel["name"]: channel for channel in json.loads(said)["channels"].values()}


def test_pyarrow_finds_units_and_what_each_column_means(data):
    """The metadata of the file name each channel's unit and SI unit; those of each column say what it holds."""
    schema = pq.read_schema(data / "readings.parquet")
    said = pq.read_metadata(data / "readings.parquet").metadata[b"baytrace"]
    channels = described_channels(said)
    assert {name: (said["unit"], said["ucum"]) for name, said in channels.items()} == {
        name: (unit.text, unit.ucum) for name, unit in UNITS.items()
    }
    assert json.loads(said)["si_units"]["vent"] == "K"
    assert all(len(field.metadata[b"description"]) > 5 for field in schema)
    assert schema.field("time").type == pa.timestamp("ns", tz="UTC")


def test_pandas_reads_a_frame_with_units_and_instants(data):
    """Each row carries its unit, instants are in UTC to the nanosecond, and what is no number is NaN in the frame."""
    frame = pd.read_parquet(data / "readings.parquet")
    units = frame.groupby("channel", observed=True)["unit"].unique()
    assert {name: list(seen) for name, seen in units.items()} == {
        name: [UNITS[name].text] for name in ("vacuum", "low", "vent", "baro", "coil", "oil")
    }
    assert str(frame["time"].dtype) == "datetime64[ns, UTC]"
    assert frame["time"].iloc[1].value == START_NS + 1000
    vent = frame[frame["channel"] == "vent"]
    assert (vent["si"] - 273.15).tolist() == pytest.approx([-3.25] * READINGS)
    assert frame[frame["channel"] == "oil"]["value"].isna().tolist() == [True]
    assert frame[frame["channel"] == "coil"]["value"].tolist() == [math.inf, 12.6]
    channels = described_channels(pq.read_metadata(data / "readings.parquet").metadata[b"baytrace"])
    assert channels["vacuum"]["calibration"]["due"] == "2027-03-02"


def test_duckdb_queries_readings_and_metadata(data):
    """In plain SQL: figures by channel with their unit, and the declarations from the file's key-value metadata."""
    file = str(data / "readings.parquet")
    with duckdb.connect() as base:
        rows = base.execute(
            "select channel, unit, count(*), min(value), max(value) from read_parquet(?)"
            " where channel in ('vacuum', 'baro') group by all order by channel",
            [file],
        ).fetchall()
        assert rows == [
            ("baro", "hPa", READINGS, 1013.25, 1013.25),
            ("vacuum", "micron", READINGS, 441.0, 500.0),
        ]
        metadata = dict(base.execute("select key, value from parquet_kv_metadata(?)", [file]).fetchall())
        first = base.execute("select min(epoch_ns(time)) from read_parquet(?)", [file]).fetchone()
    assert described_channels(metadata[b"baytrace"])["low"]["ucum"] == "[psi]"
    assert first == (START_NS,)


def test_a_csvw_reader_accepts_table_and_description(data):
    """Both valid by the W3C's rules, without a warning; every cell is read as its declared datatype."""
    read = CSVW(str(data / "readings.csv-metadata.json"), validate=True)
    assert read.is_valid
    assert read.warnings == []
    rows = list(read.tables[0].iterdicts())
    assert rows[0]["time"] == datetime(2026, 11, 25, 10, tzinfo=UTC)
    assert [row["vacuum"] for row in rows if row["vacuum"] is not None] == [500.0 - n for n in range(READINGS)]
    assert [row["coil"] for row in rows if row["coil"] is not None] == [math.inf, 12.6]
    assert [row["mark"] for row in rows if row["mark"]] == ['isolated, "by hand" – Öl nachgefüllt']
    assert not any(row["oil"] for row in rows)


def test_the_csvw_description_gives_every_column_its_unit(data):
    """As the trade writes it and as a UCUM code; datatypes are those of the standard."""
    columns = CSVW(str(data / "readings.csv-metadata.json"), validate=True).tables[0].tableSchema.columns
    kinds = {column.name: column.datatype.base for column in columns}
    assert kinds == {"time": "dateTimeStamp", **dict.fromkeys(UNITS, "double"), "mark": "string"}
    for column in columns[1:-1]:
        unit = UNITS[column.name]
        assert column.common_props["schema:unitText"] == unit.text
        assert column.common_props["urn:baytrace:ucum"] == unit.ucum
        assert unit.text in column.common_props["dc:description"]


def change_cell(data, folder, column, text):
    """The table with one cell changed, its description beside it."""
    (folder / "readings.csv-metadata.json").write_bytes((data / "readings.csv-metadata.json").read_bytes())
    with (data / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    rows[1][column] = text
    with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    return folder / "readings.csv-metadata.json"


@pytest.mark.parametrize(("column", "text"), [(0, "10:00"), (0, ""), (1, "five hundred"), (1, "1,5")])
@pytest.mark.filterwarnings("always")
def test_the_description_is_strict_enough_to_refuse(data, tmp_path, column, text):
    """A time without a date, no time at all, and a number that is none are refused by the reader."""
    assert not CSVW(str(change_cell(data, tmp_path, column, text)), validate=True).is_valid


def test_pandas_and_duckdb_read_the_csv_table(data):
    """As plain CSV: numbers are numbers, instants are instants, and the open coil is infinite."""
    frame = pd.read_csv(data / "readings.csv", parse_dates=["time"])
    assert frame["system_pressure [micron]"].max() == 500.0
    assert str(frame["time"].dt.tz) == "UTC"
    assert frame["coil_resistance [ohm]"].dropna().tolist() == [math.inf, 12.6]
    with duckdb.connect() as base:
        got = base.execute(
            'select max("system_pressure [micron]"), max("coil_resistance [ohm]"::double) from read_csv(?)',
            [str(data / "readings.csv")],
        ).fetchone()
    assert got == (500.0, math.inf)
