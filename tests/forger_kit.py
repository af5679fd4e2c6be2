"""A forger with the format in his hands and a key of his own: whatever he does to a bag, manifests, signature and seal fit again."""

import copy
import json
import math
import random
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq

from baytrace.journal.chain import Columns, digest_of, encode_payload
from baytrace.journal.store import Link
from baytrace.records.bag import SEAL_WORDS, seal
from baytrace.records.event_lines import read_events
from baytrace.records.readings_file import read_rows

DEEP = "[" * 100_000 + "]" * 100_000
ODD = (
    None,
    True,
    -1,
    0,
    10**30,
    2**63 - 1,
    -(2**63),
    1e308,
    -0.0,
    math.nan,
    math.inf,
    "",
    "x" * 5000,
    "\ud800",
    "a\nb\x1b[2J\u202e",
    "1e5",
    [],
    {},
    [[]],
    {"a": {"b": []}},
    [None, 1],
    {"": None},
    "9999-99-99",
)
"""What stands in the place of what should."""


def zipped(bag, path):
    """The bag as a sealed zip."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(each for each in bag.rglob("*") if each.is_file()):
            archive.write(file, f"{bag.name}/{file.relative_to(bag)}")
        archive.comment = SEAL_WORDS + b"0" * 64
    seal(path)
    return path


def rechained(bag):
    """The chain worked out again over what the bag now holds. Raises what the journal would for what is no item."""
    rows = [row.stored for row in read_rows(bag / "data" / "readings.parquet")]
    events = list(read_events(bag / "data" / "events.jsonl"))
    session = json.loads((bag / "data" / "session.json").read_text())
    lines = (bag / "data" / "chain.csv").read_text().splitlines()
    previous, out = session["chain"]["previous"], [lines[0]]
    for line in lines[1:]:
        commit, first, last, wall, boot, _ = line.split(",")
        link = Link(int(commit), int(first), int(last), int(wall), boot, "")
        mine = [row for row in rows if link.first <= row.seq <= link.last]
        said = [event for event in events if link.first <= event.seq <= link.last]
        cells = [(row.version, row.raw.wall_ns, row.raw.mono_ns, row.raw.value, row.raw.quality) for row in mine]
        payload = encode_payload(Columns.of(*(zip(*cells, strict=True) if cells else ((),) * 5)), said)
        previous = digest_of(previous, link, payload)
        out.append(f"{commit},{first},{last},{wall},{boot},{previous}")
    (bag / "data" / "chain.csv").write_text("\n".join(out) + "\n")
    session["chain"]["head"] = previous
    (bag / "data" / "session.json").write_text(json.dumps(session))


def rewrite(bag, change):
    """The readings with `change(columns)` done to them; the file's own metadata stay."""
    path = bag / "data" / "readings.parquet"
    file = pq.read_table(path)
    columns = {name: file.column(name).combine_chunks() for name in file.schema.names}
    change(columns)
    said = {b"baytrace": pq.read_metadata(path).metadata[b"baytrace"]}
    pq.write_table(pa.Table.from_arrays(list(columns.values()), schema=file.schema.with_metadata(said)), path)


def describe_anew(bag, change, more=None):
    """The Parquet file's own metadata with `change(description)` done to them; its readings stay."""
    path = bag / "data" / "readings.parquet"
    said = json.loads(pq.read_metadata(path).metadata[b"baytrace"])
    change(said)
    table = pq.read_table(path)
    described = {b"baytrace": json.dumps(said, sort_keys=True).encode()} | (more or {})
    pq.write_table(table.replace_schema_metadata(described), path, compression="zstd")


# ---------------------------------------------------------------------- at random


def places(document, above=()):
    """Every place in a JSON document."""
    yield above
    inner = (
        document.items() if isinstance(document, dict) else enumerate(document) if isinstance(document, list) else ()
    )
    for key, value in inner:
        yield from places(value, (*above, key))


def tampered(document, dice):
    """One place of a JSON document taken out, given something odd, or given to another place; how that was, and the text of it."""
    document = copy.deepcopy(document)
    place = dice.choice([place for place in places(document) if place])
    holder = document
    for key in place[:-1]:
        holder = holder[key]
    kind = dice.choice(["gone", "odd", "odd", "odd", "deep", "twice", "more"])
    if kind == "gone":
        del holder[place[-1]]
    elif kind == "more" and isinstance(holder, dict):
        holder["more"] = dice.choice(ODD)
    else:
        holder[place[-1]] = "DEEP" if kind == "deep" else dice.choice(ODD)
    text = json.dumps(document, sort_keys=True, separators=(",", ":"))
    if kind == "deep":
        text = text.replace('"DEEP"', DEEP, 1)
    elif kind == "twice":
        text = "{" + '"seq":1,"format":1,' + text[1:]
    return f"{kind} {place}", text


def forge_events(bag, dice):
    path = bag / "data" / "events.jsonl"
    lines = path.read_text().splitlines()
    telling = [number for number, line in enumerate(lines) if '"heartbeat"' not in line] + [3]
    number = dice.choice(telling)
    how, lines[number] = tampered(json.loads(lines[number]), dice)
    path.write_text("\n".join(lines) + "\n")
    return f"event {number}: {how}"


def forge_session(bag, dice):
    path = bag / "data" / "session.json"
    how, text = tampered(json.loads(path.read_text()), dice)
    path.write_text(text)
    return f"session.json: {how}"


def forge_readings(bag, dice):
    name = dice.choice(
        ["seq", "time", "channel", "version", "role", "value", "unit", "quality", "si", "flags", "wall_ns", "boot"]
    )
    how = []

    def change(columns):
        column = columns[name]
        at = dice.randrange(len(column))
        values = column.cast(pa.int64()).to_pylist() if name == "time" else column.to_pylist()
        if isinstance(values[at], str):
            values[at] = dice.choice(["", "x" * 100_000, "\x1b[2J", "nobody"])
            columns[name] = pa.array(values).dictionary_encode().cast(column.type)
        elif isinstance(values[at], float):
            values[at] = dice.choice([math.nan, math.inf, -math.inf, 1e308, values[at] + 1e-9])
            columns[name] = pa.array(values, column.type)
        else:
            most = {pa.uint16(): 2**16 - 1, pa.uint32(): 2**32 - 1}.get(column.type, 2**63 - 1)
            values[at] = dice.choice([odd for odd in (0, 1, most, values[at] + 1) if odd != values[at]])
            columns[name] = pa.array(values, pa.int64() if name == "time" else column.type).cast(column.type)
        how.append(f"{name} of row {at}: {str(values[at])[:30]}")

    rewrite(bag, change)
    return how[0]


def forge_description(bag, dice):
    how = []

    def change(said):
        place = dice.choice([place for place in places(said) if place])
        holder = said
        for key in place[:-1]:
            holder = holder[key]
        holder[place[-1]] = dice.choice([odd for odd in ODD if odd != holder[place[-1]]])
        how.append(f"description: {place}")

    describe_anew(bag, change)
    return how[0]


def forge_text(bag, dice):
    """A cell, a line, or bytes of a file of text."""
    name = dice.choice(
        ["data/chain.csv", "data/readings.csv", "data/readings.csv-metadata.json", "bag-info.txt", "bagit.txt"]
    )
    data = bytearray((bag / name).read_bytes())
    at = dice.randrange(len(data))
    with_what = dice.choice([b"\xff", b"\0", b",", b"\n", b"9" * 5000, b'"', b"-", b"\xe2\x80\xae"])
    data[at : at + dice.randrange(3)] = with_what
    (bag / name).write_bytes(data)
    return f"{name}: {with_what[:9]!r} at {at}"


FORGERIES = (forge_events, forge_events, forge_events, forge_session, forge_readings, forge_description, forge_text)


def forge(bag, seed):
    """One thing forged in a bag; what, and whether the chain was worked out again over it."""
    dice = random.Random(seed)
    how = dice.choice(FORGERIES)(bag, dice)
    if dice.random() < 0.6:
        try:
            rechained(bag)
        except Exception:  # noqa: BLE001 - what was forged cannot be chained
            return how, False
        return how, True
    return how, False
