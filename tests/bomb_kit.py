"""Packs made to cost whoever opens them time, memory or disk: `python bomb_kit.py FOLDER` verifies each pack there and tells what it cost; with
`--make` it makes them, as large as they were when they still did harm.
"""

import json
import resource
import shutil
import sys
import tempfile
import threading
import time
import zipfile
from hashlib import sha256
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from baytrace.records import bag as bagging
from baytrace.records import signing
from baytrace.records.bag import SEAL_WORDS, seal
from forger_kit import zipped
from record_kit import forged, packed, unpacked, vacuum_session

MB = 1 << 20


def padded(path, size, filler=b" "):
    """A file's content and as many bytes as make it `size`."""
    with path.open("ab") as file:
        for _ in range((size - path.stat().st_size) // MB):
            file.write(filler * MB)


def big_session(bag, full):
    padded(bag / "data" / "session.json", (300 if full else 20) * MB)


def heavy_session(bag, full):
    """Small enough in bytes, a hundred times that in memory."""
    path = bag / "data" / "session.json"
    said = json.loads(path.read_text())
    said["fields"] = {"x": [[] for _ in range(1_000_000)]}
    path.write_text(json.dumps(said, separators=(",", ":")))


def long_texts(bag, full):
    path = bag / "data" / "readings.parquet"
    table = pq.read_table(path)
    count = 30 if full else 3
    texts = pa.DictionaryArray.from_arrays(
        pa.array([row % count for row in range(len(table))], pa.int32()),
        pa.array([chr(65 + n) * ((40 if full else 10) * MB) for n in range(count)]),
    )
    place = table.schema.get_field_index("unit")
    pq.write_table(table.set_column(place, table.schema.field("unit"), texts), path, compression="zstd")


def equal_rows(bag, full):
    path = bag / "data" / "readings.parquet"
    table = pq.read_table(path)
    block = pa.concat_tables([table.slice(5, 1)] * 65_536).combine_chunks()
    with pq.ParquetWriter(path, table.schema, compression="zstd") as writer:
        for _ in range((20_000_000 if full else 1_000_000) // len(block)):
            writer.write_table(block)
    return pq.read_metadata(path).num_rows


def equal_rows_claimed(bag, full):
    """The same, and the record tells of as many."""
    rows = equal_rows(bag, full)
    path = bag / "data" / "session.json"
    said = json.loads(path.read_text())
    said["readings"] = rows
    said["chain"]["last_seq"] = said["chain"]["first_seq"] + 2 * rows
    path.write_text(json.dumps(said))


def one_long_event(bag, full):
    padded(bag / "data" / "events.jsonl", (300 if full else 10) * MB, b"x")


def untold_marks(bag, full):
    """Marks by the hundred thousand that the record does not tell of, in a file no larger than its numbers allow."""
    path = bag / "data" / "events.jsonl"
    lines = path.read_text().splitlines()
    mark = next(line for line in lines if '"kind":"mark"' in line)
    with path.open("a") as file:
        file.write(f"{mark}\n" * 150_000)


def long_table(bag, full):
    padded(bag / "data" / "readings.csv", (1000 if full else 20) * MB, b"0")


def many_links(bag, full):
    padded(bag / "data" / "chain.csv", (300 if full else 5) * MB, b"1")


def long_tags(bag, full):
    padded(bag / "bag-info.txt", (300 if full else 2) * MB)


BOMBS = (
    big_session,
    heavy_session,
    long_texts,
    equal_rows,
    equal_rows_claimed,
    one_long_event,
    untold_marks,
    long_table,
    many_links,
    long_tags,
)


def overlapping(bag, path):
    """Sixty names for the same bytes of a zip."""
    content = (bag / "data" / "readings.csv").read_bytes() * 50
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(f"{bag.name}/a0", content)
        first = archive.filelist[0]
        for number in range(1, 60):
            entry = zipfile.ZipInfo(f"{bag.name}/a{number}", first.date_time)
            for each in ("header_offset", "compress_size", "file_size", "CRC", "compress_type", "external_attr"):
                setattr(entry, each, getattr(first, each))
            archive.filelist.append(entry)
        archive.comment = SEAL_WORDS + b"0" * 64
    seal(path)
    return path


def make(folder, *, full=False):
    """Every bomb, sealed by a forger's key, as a zip; by name."""
    key = signing.load_or_make_key(folder / "forger")
    whole = unpacked(packed(vacuum_session(leak_pa_s=0.05, minutes=(1, 0.1)), folder), folder / "whole")
    made = {"overlapping": overlapping(whole, folder / "overlapping.zip")}
    for bomb in BOMBS:
        bag = shutil.copytree(whole, folder / "bag" / whole.name)
        bomb(bag, full)
        made[bomb.__name__] = zipped(_sealed(bag, key), folder / f"{bomb.__name__}.zip")
        shutil.rmtree(folder / "bag")
    return made


def _sealed(bag, key):
    if (bag / bagging.BAG_INFO).stat().st_size < MB:
        return forged(bag, key)
    tags = bag / bagging.TAG_MANIFEST
    lines = [line for line in tags.read_text().splitlines(keepends=True) if not line.endswith("bag-info.txt\n")]
    tags.write_text("".join([*lines, f"{sha256((bag / bagging.BAG_INFO).read_bytes()).hexdigest()}  bag-info.txt\n"]))
    (bag / bagging.SIGNATURE).write_bytes(key.sign(tags.read_bytes()))
    return bag


class DiskWatch:
    """The most bytes under a folder while something runs."""

    def __init__(self, folder):
        self._folder, self._done, self.most = folder, threading.Event(), 0
        self._thread = threading.Thread(target=self._look, daemon=True)

    def _look(self):
        while not self._done.wait(0.05):
            sizes = 0
            for file in self._folder.rglob("*"):
                try:
                    sizes += file.stat().st_size if file.is_file() else 0
                except OSError:
                    continue
            self.most = max(self.most, sizes)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._done.set()
        self._thread.join()


def peak_mb():
    """Of this process alone; what `getrusage` tells begins with its parent's."""
    try:
        told = Path("/proc/self/status").read_text()
        return int(told.partition("VmHWM:")[2].split()[0]) // 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def main(folder):
    """A line of JSON a pack: name, seconds, peak resident MB of this process so far, most bytes of temporary files, what was said."""
    from baytrace.records.verifying import verify_pack

    temporary = folder / "temporary"
    temporary.mkdir(exist_ok=True)
    tempfile.tempdir = str(temporary)
    for path in sorted(folder.glob("*.zip")):
        start = time.monotonic()
        with DiskWatch(temporary) as disk:
            report = verify_pack(path)
        said = {
            "name": path.stem,
            "seconds": round(time.monotonic() - start, 2),
            "peak_mb": peak_mb(),
            "temporary": disk.most,
            "good": report.good,
            "said": report.summary(),
            "left": len(list(temporary.iterdir())),
        }
        sys.stdout.write(json.dumps(said) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    if "--make" in sys.argv:
        make(Path(sys.argv[1]), full=True)
        sys.exit()
    main(Path(sys.argv[1]))
