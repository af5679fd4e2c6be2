"""Whole jobs worked on the pages as a technician does: start, marks, steps, alarm, end, sign-off, pack, report, verify.

The clock is fast and the loop a dry one, so the shop's preset asks for shorter times than a real job does: at `RATE` the half
hour of pumping alone would outlast the patience of a test. It also allows more off the label: a busy machine's pause of a third
of a second is ten of the scale's silence, and what came in unseen counts as uncertain. `tests/benchmarks/page_stock_jobs.py` works
the stock jobs at their own times and limits.
"""

import json
import subprocess
import sys
import time
import zipfile

import pytest

from browser_kit import Technician, every_width
from played_bench import PlayedBench

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(240)]

RATE = 30.0
DRY = {"water_g": 0.0, "bound_water_pa": 0.5, "dissolved_pa": 0.5}
LEAKING = DRY | {"leak_pa_m3_s": 5e-3}
SHOP = """
[preset.quick]
title = "Quick job of the test"
job = "Compressor replaced"
refrigerant = "R134a"
label_g = 560
vehicle = { model = "Harrier estate, grey" }
[preset.quick.plan]
evacuation = { volume_l = 2.5, deep_vacuum_s = 500, hold_s = 300 }
charge = { tolerance_g = 40, hose = "full before and after", scale_zeroing = "off" }
sweep = { coils = 2, low_ohm = 11.4, high_ohm = 12.6 }
[preset.quick.plan.pressures.own_table]
source = "running table of the simulated car, invented"
pressures = "kPa gauge"
speed = "fast"
rows = [
    { air_c = 25, humidity = [0.4, 0.7], low_side = [175, 245], high_side = [920, 1160], vent_air = [8.5, 13.5] },
    { air_c = 30, humidity = [0.4, 0.7], low_side = [195, 270], high_side = [1080, 1330], vent_air = [11.0, 16.5] },
    { air_c = 35, humidity = [0.4, 0.7], low_side = [215, 290], high_side = [1240, 1500], vent_air = [13.5, 20.0] },
    { air_c = 40, humidity = [0.4, 0.7], low_side = [235, 315], high_side = [1420, 1710], vent_air = [17.0, 24.0] },
]
[preset.vacuum]
title = "Quick vacuum of the test"
job = "Condenser replaced"
refrigerant = "R134a"
[preset.vacuum.plan]
evacuation = { volume_l = 2.5, deep_vacuum_s = 500, hold_s = 300 }
[[limit]]
name = "Loop not below a tenth of the air"
channel = "system_pressure"
high = 75000
priority = "high"
"""


def bench_seconds(technician, seconds):
    technician.page.wait_for_timeout(seconds / RATE * 1000)


def verdicts(bench):
    return {each["watch"]: each["verdict"]["finding"] for each in bench.get("/api/frame")["watches"]}


def reaches(bench, within_s=60.0, **findings):
    """Wait until the watches say so; else tells what they say instead."""
    end = time.monotonic() + within_s
    while any(verdicts(bench)[watch] != finding for watch, finding in findings.items()):
        assert time.monotonic() < end, [
            (each["watch"], each["sentence"], each["verdict"]["reasons"]) for each in bench.get("/api/frame")["watches"]
        ]
        time.sleep(0.2)


def charged(bench):
    said = next(each for each in bench.get("/api/frame")["watches"] if each["watch"] == "charge")
    return said["verdict"]["evidence"].get("charged_mass", {}).get("value", 0.0)


def pumps_down_and_isolates(kim, bench):
    kim.about("Evacuation")
    kim.marks("pump on")
    bench.does("pump on")
    kim.waits_for("deep vacuum", 60)
    kim.waits_for("isolated", 90)  # the page says when it was long enough, and what to do next
    kim.marks("isolated")
    bench.does("isolate")
    kim.waits_for("holding", 30)


def answers_alarms(kim):
    """The loop is open when the job begins, so its limit calls: shelved while the pump is fetched."""
    assert kim.calling("not below a tenth").inner_text()
    assert kim.page.title().startswith("⚠")
    kim.shelves("not below a tenth", "the loop is still open")
    assert "shelved" in kim.quiet("not below a tenth").inner_text()


def taken_and_verified(kim, bench, folder):
    """Pack and reports as downloaded: the pack verifies, with the bench's keys. The pack's session document."""
    pack = kim.takes("Trace pack", folder)
    assert kim.takes(r"Report \(PDF\)", folder).read_bytes().startswith(b"%PDF-")
    assert "</html>" in kim.takes(r"Report \(web page\)", folder).read_text(encoding="utf-8")
    command = [sys.executable, "-m", "baytrace", "verify", str(pack), "--keys", str(bench.folder / "keys")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    with zipfile.ZipFile(pack) as bag:
        return json.loads(bag.read(next(name for name in bag.namelist() if name.endswith("session.json"))))


def charges_and_runs(kim, bench):
    kim.marks("charge start")
    bench_seconds(kim, 15)
    bench.does("charge", grams=560, rate_g_s=1.2)  # faster, and a late stamp looks like a touched scale
    bench.until(lambda: charged(bench) > 540, 40)
    bench_seconds(kim, 60)
    kim.marks("charge end")
    bench_seconds(kim, 10)
    kim.marks("engine on")
    bench.does("engine on")
    bench_seconds(kim, 30)
    kim.marks("engine fast")
    bench.does("engine fast")
    for coil in (1, 2):
        kim.marks(f"coil {coil}")
        bench.does("coil", coil=coil, for_s=18, gap_s=8)
        bench_seconds(kim, 40)
    reaches(bench, pressures="normal", charge="settled", sweep="all within")
    # a click takes half a minute of the bench's time: what has only just settled is let stand
    bench_seconds(kim, 180)
    reaches(bench, pressures="normal", charge="settled", sweep="all within")
    kim.marks("engine off")
    bench.does("engine off")


@every_width
def test_a_sound_job_from_the_form_to_the_verified_pack(tmp_path, visit, width):
    """Everything of the healthy job done on the page: four passes, a signed record, and a pack that verifies."""
    with PlayedBench(tmp_path, "healthy", rate=RATE, more=SHOP, vacuum=DRY) as bench:
        window = visit(bench.url, width)
        window.open("/")
        kim = Technician(window)
        kim.starts("Compressor replaced", preset="Quick job of the test", Vehicle_number="BAY 104")
        answers_alarms(kim)
        pumps_down_and_isolates(kim, bench)
        reaches(bench, evacuation="tight")
        kim.waits_for("tight|no leak|holds")
        charges_and_runs(kim, bench)
        for name in ("Evacuation", "Charge", "Pressures", "Sweep"):
            assert "pass" in kim.part(name).inner_text()
        kim.page.get_by_role("link", name="Steps, sheet, verdicts").click()
        kim.ticks("Identify the refrigerant")
        kim.page.get_by_role("link", name="Bench", exact=True).click()
        kim.ends("all parts passed")
        kim.finds("✓ pass")
        kim.signs("looked at and agreed")
        document = taken_and_verified(kim, bench, tmp_path)
        assert document["outcome"] == "pass"
        assert [mark["data"]["text"] for mark in document["marks"]][:2] == ["pump on", "isolated"]
        assert window.complained() == []


@every_width
def test_a_leaking_job_through_its_alarm_to_the_verified_pack(tmp_path, visit, width):
    """Air comes in: said in plain words, its limit calls and is acknowledged with name and comment; the record fails, and verifies."""
    with PlayedBench(tmp_path, "leak", rate=RATE, more=SHOP, vacuum=LEAKING) as bench:
        window = visit(bench.url, width)
        window.open("/")
        kim = Technician(window)
        kim.starts("Condenser replaced", preset="Quick vacuum of the test", Vehicle_number="BAY 211")
        kim.calling("not below a tenth").wait_for()
        kim.acknowledges("not below a tenth", "pump comes next")
        assert "acknowledged" in kim.quiet("not below a tenth").inner_text()
        pumps_down_and_isolates(kim, bench)
        reaches(bench, evacuation="leak")
        kim.waits_for("leak")
        kim.part("Evacuation").filter(has_text="fail").wait_for()
        kim.ends("fitting to be redone")
        kim.finds("✗ fail")
        kim.signs("seen")
        document = taken_and_verified(kim, bench, tmp_path)
        assert document["outcome"] == "fail"
        story = kim.page.get_by_role("region", name="What happened").first.inner_text()
        assert "Kim Aas" in story
        assert "pump comes next" in story
        assert window.complained() == []
