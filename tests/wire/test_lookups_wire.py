"""What a page looks up before a session is started, from a real daemon."""

import pytest

from running_bench import GAUGE, RunningBench
from servers import pseudo_terminal

pytestmark = pytest.mark.server

SHOP = """
[[limit]]
name = "too deep"
channel = "system_pressure"
low = 5.0
[preset.van]
title = "Blue van"
refrigerant = "R1234yf"
label_g = 520
[preset.van.plan.evacuation]
volume_l = 2.4
"""


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """A daemon with one gauge whose calibration ran out long ago, a limit and a preset of the shop's own."""
    gauge_due = GAUGE.replace("accuracy =", "due = 2020-01-31\naccuracy =")
    with pseudo_terminal() as gauge:
        made = RunningBench(tmp_path_factory.mktemp("bench"), gauge_due.format(port=gauge.name) + SHOP)
        made.start()
        try:
            made.until(lambda: gauge.write(b"512\n") or made.channel("system_pressure")["count"])
            yield made
        finally:
            made.stop()


def test_the_shops_preset_comes_first_and_starts_a_session_as_it_is(running):
    """What `/api/presets` offers can be posted, and the session follows it."""
    preset = running.get("/api/presets")[0]
    assert (preset["name"], preset["from"]) == ("van", "bench.toml")
    session = running.post("/api/sessions", {key: preset[key] for key in ("refrigerant", "label_g", "plan")})["id"]
    record = running.get(f"/api/sessions/{session}")
    assert record["plan"]["evacuation"]["volume_l"] == 2.4
    assert record["refrigerant"] == "R1234yf"
    frame = running.until(lambda: running.get("/api/frame") if running.get("/api/frame")["focus"] else None)
    assert frame["focus"]["watch"] == "evacuation"
    assert record["instruments"][0]["overdue"] is True
    running.post(f"/api/sessions/{session}/close", {})


def test_a_channel_says_that_its_calibration_ran_out_and_what_its_limits_are(running):
    """Overdue and bands stand with the value, in SI: 5 micron are 0.667 Pa."""
    channel = running.channel("system_pressure")
    assert channel["overdue"] is True
    (band,) = channel["bands"]
    assert (band["name"], band["high"]) == ("too deep", None)
    assert band["low"] == pytest.approx(0.66661, rel=1e-4)


def test_watches_come_in_the_order_of_the_job_with_their_form(running):
    """The usual watches first; each row of a form has a name, a kind and its default's source where it is a limit."""
    watches = running.get("/api/watches")
    assert [watch["name"] for watch in watches if watch["usual"]] == ["evacuation", "charge", "pressures"]
    rows = {row["name"]: row for row in watches[0]["rows"]}
    assert rows["target_pa"]["source"]
    assert rows["volume_l"]["ask"]
    assert "isolated" in watches[0]["marks"]


def test_the_dome_of_a_fluid_closes_at_its_critical_point(running):
    """R744: bubble and dew lines end close below 7.377 MPa (Span & Wagner 1996)."""
    dome = running.get("/api/dome?fluid=CO2")
    assert dome["critical_pa"] == pytest.approx(7.3773e6, rel=1e-4)
    assert dome["bubble"][-1][1] == pytest.approx(dome["dew"][-1][1], rel=1e-3)
    assert dome["bubble"][-1][1] < dome["critical_pa"]
