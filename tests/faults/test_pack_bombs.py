"""Limits that know what a session can hold: what is honest passes however well it compresses, what is not is refused at once."""

import json
import os
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

import bomb_kit
from baytrace.measure.faults import VerificationFailed
from baytrace.measure.reading import Quality, Raw
from baytrace.records import exporting, limits
from baytrace.records.scratch import scratch
from baytrace.records.verifying import verify_pack
from record_kit import Session, packed

MB = 1 << 20
TESTS = Path(bomb_kit.__file__).parent
PEAK_MB = 256
SECONDS = 5.0
"""For what takes well under one, where the machine is busy."""


@pytest.fixture(scope="module")
def costs(tmp_path_factory):
    """What each bomb cost, verified one after the other in a process of its own."""
    folder = tmp_path_factory.mktemp("bombs")
    bomb_kit.make(folder)
    done = subprocess.run(
        [sys.executable, "bomb_kit.py", str(folder)], cwd=TESTS, capture_output=True, text=True, check=True, timeout=200
    )
    return {said["name"]: said for said in map(json.loads, done.stdout.splitlines())}


@pytest.mark.parametrize("name", ["overlapping", *(bomb.__name__ for bomb in bomb_kit.BOMBS)])
def test_bombs_are_refused_in_a_line_at_once(costs, name):
    """Seconds, memory and disk stay those of an honest pack; the folder of temporary files is gone."""
    cost = costs[name]
    assert not cost["good"]
    assert cost["said"].startswith("verification failed: ")
    assert "\n" not in cost["said"]
    assert cost["seconds"] < SECONDS
    assert cost["peak_mb"] < PEAK_MB
    assert cost["temporary"] < MB
    assert cost["left"] == 0


def test_the_same_limits_let_the_honest_pack_pass(costs):
    """The pack that the bombs were made of."""
    (honest,) = [cost for name, cost in costs.items() if name.startswith("2026")]
    assert honest["good"]
    assert honest["peak_mb"] < PEAK_MB


def test_equal_records_by_the_ten_thousand_are_exported_and_verified(tmp_path):
    """Two messages of 20,000 equal readings at one instant: their table shrinks to less than a 250th, and that says nothing."""
    session = Session(plan={})
    for _ in range(2):
        raw = Raw("vacuum", 500.0, session.time_ns, session.mono(), int(Quality.SOURCE_TIME))
        session.journal.append([raw] * 20_000, [])
        session.wait(1)
    session.close()
    pack = packed(session, tmp_path)
    with zipfile.ZipFile(pack) as archive:
        table = next(entry for entry in archive.infolist() if entry.filename.endswith("readings.csv"))
    assert table.file_size > 250 * table.compress_size
    report = verify_pack(pack)
    assert report.good, report.summary()


def test_what_export_writes_it_has_read_back(tmp_path, monkeypatch):
    """A disk that writes other bytes than it was given: the pack is not kept, and nothing is left lying."""
    session = Session(plan={})
    session.read(vacuum=500.0)
    session.close()
    write = exporting.write_bag

    def damaged(target, *given, **more):
        write(target, *given, **more)
        data = bytearray(target.read_bytes())
        data[len(data) // 2] ^= 1
        target.write_bytes(data)

    monkeypatch.setattr(exporting, "write_bag", damaged)
    with pytest.raises(VerificationFailed, match=r"was not kept: .* at least one was changed"):
        packed(session, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["keys"]


def test_export_keeps_no_pack_that_is_beyond_the_limits(tmp_path, monkeypatch):
    """A reader's limit is the writer's: told when it is written, not years later."""
    monkeypatch.setitem(limits.FIXED, "data/session.json", 100)
    session = Session(plan={})
    session.close()
    with pytest.raises(VerificationFailed, match="more than the 100 a pack may have"):
        packed(session, tmp_path)


def test_folders_of_a_killed_run_are_removed_by_the_next(tmp_path):
    """That of a run that still goes on is left alone."""
    script = (
        "import sys, time; from pathlib import Path; from baytrace.records.scratch import scratch\n"
        "with scratch('some-', Path(sys.argv[1])) as folder:\n"
        "    (folder / 'large').write_bytes(bytes(1000)); print(folder, flush=True); time.sleep(100)\n"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    killed, going = (Path(run.stdout.readline().strip()) for run in runs)
    try:
        os.kill(runs[0].pid, signal.SIGKILL)
        runs[0].wait()
        assert (killed / "large").exists()
        with scratch("some-", tmp_path) as folder:
            assert folder.is_dir()
            assert not killed.exists()
            assert (going / "large").exists()
        assert not folder.exists()
    finally:
        for run in runs:
            run.kill()
            run.wait()
            run.stdout.close()


def test_a_session_of_many_channels_keeps_its_table_small_in_memory(tmp_path):
    """Rows as wide as there are channels are made a few at a time; the same rows whatever the window."""
    from baytrace.records import trace_file
    from record_kit import channel

    channels = [channel(f"c{number}", "auxiliary", "degC", "1 K", "probe") for number in range(40)]
    session = Session(plan={}, channels=channels)
    for step in range(60):
        session.read(**{f"c{number}": float(step) for number in range(40)})
        if step % 7 == 0:
            session.mark(f"step {step}")
        if step % 3:
            session.wait(0.5)
    session.close()
    wide = packed(session, tmp_path)
    with zipfile.ZipFile(wide) as archive:
        name = next(name for name in archive.namelist() if name.endswith("readings.csv"))
        whole = archive.read(name)
    for window in (1, 2, 7):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(trace_file, "_WINDOW", window)
            with zipfile.ZipFile(packed(session, tmp_path / str(window))) as archive:
                assert archive.read(name) == whole


def test_limits_cost_no_time(tmp_path):
    """Refusing takes no longer than looking: a pack of 60 MB of zeros in its table is refused before they are unpacked."""
    path = tmp_path / "zeros.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("top/bagit.txt", b"\0" * 60_000_000)
        archive.comment = bomb_kit.SEAL_WORDS + b"0" * 64
    bomb_kit.seal(path)
    start = time.monotonic()
    assert "refused" in verify_pack(path).summary()
    assert time.monotonic() - start < SECONDS
