"""Evacuation verdicts on traces written from plain physics: a warming pool, coarse displays, silences."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from baytrace.commands.judge import judge_trace
from baytrace.measure.verdict import Outcome, Verdict
from baytrace.physics.moisture import saturation_pressure

MICRON_PA = 0.133322387415
LITRES = 2.0


def hold_of(
    folder: Path,
    pressure: np.ndarray,
    *,
    unit: str = "Pa",
    digits: str = ".2f",
    kelvin: np.ndarray | None = None,
    silent: tuple[float, float] = (0.0, 0.0),
    **settings: float,
) -> Verdict:
    """The verdict over a hold read once a second; `pressure` as the column shows it."""
    lines = [f"time [s],system_pressure [{unit}]" + (",system_temperature [degC]" if kelvin is not None else "")]
    for second, shown in enumerate(pressure):
        if silent[0] < second < silent[1]:
            continue
        warmth = f",{kelvin[second] - 273.15:.2f}" if kelvin is not None else ""
        lines.append(f"{second},{shown:{digits}}{warmth}")
    path = folder / "hold.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return judge_trace(path, "evacuation", {"phase": "hold", "volume_l": LITRES, **settings})


def pool(kelvin: np.ndarray, tau_s: float, gain: float = 1.0) -> np.ndarray:
    """Pa over water that evaporates to saturation at the loop's temperature, as a gauge with this gain shows it."""
    second = np.arange(kelvin.size)
    return gain * (20.0 + (saturation_pressure(kelvin) - 20.0) * (1.0 - np.exp(-second / tau_s)))


@pytest.mark.parametrize("drift_k", [-1.5, 0.6, 1.2, 3.0])
@pytest.mark.parametrize("gain", [0.95, 1.0, 1.07])
def test_pool_that_follows_a_measured_temperature_is_no_leak(tmp_path: Path, drift_k: float, gain: float):
    """Water that stays liquid climbs with the loop's temperature, however quiet the gauge: moisture, and no leak is claimed."""
    noise = np.random.default_rng(4)
    kelvin = 295.0 + np.linspace(0.0, drift_k, 960)
    pressure = pool(kelvin, 150.0, gain) + noise.normal(0.0, 0.3, 960)
    verdict = hold_of(tmp_path, pressure, kelvin=kelvin + noise.normal(0.0, 0.05, 960))
    assert (verdict.outcome, verdict.finding) == (Outcome.FAIL, "moisture")
    low = verdict.evidence["leak_rate"].low
    assert low is not None
    assert low <= 5e-5


def test_pool_that_boils_within_the_first_readings_keeps_its_bound(tmp_path: Path):
    """A vapour nearly there within the first cells is not taken for what was there at isolation: still no leak."""
    noise = np.random.default_rng(7)
    kelvin = np.full(1500, 299.0) - np.linspace(0.0, 1.0, 1500)
    pressure = pool(kelvin, 70.0) + noise.normal(0.0, 0.1, 1500)
    verdict = hold_of(tmp_path, pressure, kelvin=kelvin + noise.normal(0.0, 0.05, 1500))
    assert verdict.finding == "moisture"


def test_leak_beside_a_pool_is_still_found(tmp_path: Path):
    """Granting a pool its temperature hides no plain leak: 1.5e-3 Pa m3/s beside water reads as both."""
    noise = np.random.default_rng(5)
    kelvin = 295.0 + np.linspace(0.0, 0.3, 1800)
    pressure = pool(kelvin, 120.0) + 1.5e-3 / (LITRES * 1e-3) * np.arange(1800) + noise.normal(0.0, 0.3, 1800)
    verdict = hold_of(tmp_path, pressure, kelvin=kelvin, hold_s=1700)
    assert verdict.finding == "leak and moisture"


def test_moisture_says_when_a_leak_is_not_excluded(tmp_path: Path):
    """Water found beside a rise that may be air is not sold as water alone: the reasons name the leak left open."""
    second = np.arange(960)
    shown = 20.0 + 500.0 * (1.0 - np.exp(-second / 100.0)) + 0.15 * second
    verdict = hold_of(tmp_path, shown + np.random.default_rng(1).normal(0.0, 0.3, 960))
    assert verdict.finding == "moisture"
    assert any(reason.startswith("A leak besides") for reason in verdict.reasons)


@pytest.mark.parametrize(
    ("unit", "pascals", "digits"),
    [("kPa", 1000.0, ".1f"), ("kPa", 1000.0, ".0f"), ("Torr", 133.322, ".0f"), ("inHg", 3386.39, ".1f")],
)
def test_display_that_never_moved_proves_nothing_below_its_last_figure(
    tmp_path: Path, unit: str, pascals: float, digits: str
):
    """A leak that stays below the display's last figure never passes as tight: the gauge stood still, not the loop."""
    pressure = (2.0 + 0.04 * np.arange(960)) / pascals
    verdict = hold_of(tmp_path, pressure, unit=unit, digits=digits)
    assert verdict.outcome is Outcome.UNDECIDED


def test_fine_display_that_never_moved_may_pass(tmp_path: Path):
    """300 micron all through, shown to the micron, is tight."""
    verdict = hold_of(tmp_path, np.full(960, 300.0), unit="micron", digits=".0f")
    assert (verdict.outcome, verdict.finding) == (Outcome.PASS, "tight")


def test_flicker_of_a_coarse_display_is_neither_pump_nor_stray(tmp_path: Path):
    """A display of 10 Pa steps that flickers between 20 and 30 Pa neither ends the hold nor counts as wild readings."""
    shown = np.round(np.random.default_rng(3).normal(25.0, 0.3, 960), -1)
    verdict = hold_of(tmp_path, shown, digits=".0f")
    said = " ".join(verdict.reasons)
    assert "pump restarted" not in said
    assert verdict.evidence["hold_time"].value >= 899.0
    assert verdict.finding == "tight"


def test_steps_of_a_coarse_display_are_no_vapour(tmp_path: Path):
    """A slow leak crossing one 100 Pa step looks like a rise that levels off: undecided, not moisture."""
    shown = np.round(48.0 + 0.05 * np.arange(960), -2)
    verdict = hold_of(tmp_path, shown + 0.0, digits=".0f")
    assert verdict.outcome is Outcome.UNDECIDED


@pytest.mark.parametrize("silence", [(300.0, 601.0), (301.0, 602.0)])
def test_silence_in_a_leak_is_no_valve(tmp_path: Path, silence: tuple[float, float]):
    """After five silent minutes a steady leak stands higher; that is no opened valve, and the leak on both sides counts."""
    shown = 25.0 + 0.5 * np.arange(960) + np.random.default_rng(2).normal(0.0, 0.3, 960)
    verdict = hold_of(tmp_path, np.round(shown / MICRON_PA) * MICRON_PA, silent=silence)
    assert "valve opened" not in " ".join(verdict.reasons)
    assert verdict.finding == "leak"
    assert math.isclose(verdict.evidence["leak_rate"].value, 1e-3, rel_tol=0.1)


def test_certain_leak_fails_though_the_hold_was_cut_short(tmp_path: Path):
    """5 Pa/s for 10 of 15 min with a thermometer is a leak and nothing else: fail, and the reason says it was cut short."""
    noise = np.random.default_rng(11)
    kelvin = 295.0 + noise.normal(0.0, 0.05, 600)
    shown = 30.0 + 5.0 * np.arange(600) + noise.normal(0.0, 1.0, 600)
    verdict = hold_of(tmp_path, shown, kelvin=kelvin)
    assert (verdict.outcome, verdict.finding) == (Outcome.FAIL, "leak")
    assert any("the leak is certain" in reason for reason in verdict.reasons)


@pytest.mark.parametrize("seconds", [240, 480])
def test_warming_pool_cut_short_is_no_certain_leak(tmp_path: Path, seconds: int):
    """A pool straightened by 2 K of unseen warming never fails as a leak before the set time: too short."""
    kelvin = 293.0 + 2.0 * (np.arange(seconds) / seconds) ** 2
    tau = seconds / (2.0 * 2.0 * 0.061)
    shown = pool(kelvin, tau) + np.random.default_rng(6).normal(0.0, 0.5, seconds)
    assert hold_of(tmp_path, shown).finding == "too short"


def test_warming_pool_without_a_thermometer_is_no_leak(tmp_path: Path):
    """Water that warms by 2.3 K unseen draws a straighter rise than vapour can: moisture or undecided, never a leak."""
    second = np.arange(1290)
    share = second / 1290.0
    kelvin = 293.15 + 2.3 * (share - 0.35 * share * (1.0 - share))
    rise = 1422.0 * (1.0 - np.exp(-second / 1309.0)) * saturation_pressure(kelvin) / saturation_pressure(293.15)
    verdict = hold_of(tmp_path, 43.0 + rise + np.random.default_rng(3).normal(0.0, 1.0, 1290), hold_s=1280)
    assert "leak" not in verdict.finding


@pytest.mark.parametrize(
    ("leak", "litres", "outcome"),
    [
        (1e-4, 5.0, Outcome.UNDECIDED),
        (1e-4, 2.0, Outcome.UNDECIDED),
        (0.0, 2.0, Outcome.PASS),
        (1e-3, 2.0, Outcome.FAIL),
    ],
)
def test_without_a_volume_no_leak_verdict_rests_on_an_assumed_one(
    tmp_path: Path, leak: float, litres: float, outcome: Outcome
):
    """Twice the limit into 5 L rises as little as half of it into 1 L: neither pass nor fail, and the volume is asked for."""
    noise = np.random.default_rng(12)
    shown = 30.0 + leak / (litres * 1e-3) * np.arange(1800) + noise.normal(0.0, 0.2, 1800)
    kelvin = 295.0 + noise.normal(0.0, 0.05, 1800)
    verdict = hold_of(tmp_path, shown, kelvin=kelvin, hold_s=1700, volume_l=None)  # type: ignore[arg-type]
    assert verdict.outcome is outcome, verdict.reasons
    assert any("volume_l" in reason for reason in verdict.reasons)
    assert "leak_rate" not in verdict.evidence


def test_tight_says_what_it_cannot_see(tmp_path: Path):
    """A hold that could miss more than 40 g a year (Directive 2006/40/EC) says that a detector check is still owed; its evidence stays."""
    shown = 30.0 + np.random.default_rng(13).normal(0.0, 1.2, 960)
    verdict = hold_of(tmp_path, shown, kelvin=np.full(960, 295.0), refrigerant="R134a", volume_l=5.0)  # type: ignore[arg-type]
    assert verdict.outcome is Outcome.PASS
    assert verdict.evidence["yearly_loss_laminar"].high > 40.0
    assert any(reason.startswith("No gross leak; a detector check is still owed") for reason in verdict.reasons)


@pytest.mark.parametrize("lag_s", [60.0, 300.0, 900.0])
@pytest.mark.parametrize("swing", [-3.0, 3.0])
def test_pool_behind_or_ahead_of_its_thermometer_is_no_leak(tmp_path: Path, lag_s: float, swing: float):
    """Water that warms and cools by 3 K while the thermometer on the shell comes up to 15 min late is never found as a leak."""
    second, noise = np.arange(1800), np.random.default_rng(14)
    kelvin = 295.0 + swing * np.sin(np.pi * second / 1800.0)
    late, now = np.empty(1800), kelvin[0]
    for row, value in enumerate(kelvin.tolist()):
        now += (value - now) / (lag_s + 1.0)
        late[row] = now
    shown = pool(kelvin, 150.0) + noise.normal(0.0, 0.3, 1800)
    assert "leak" not in hold_of(tmp_path, shown, kelvin=late + noise.normal(0.0, 0.05, 1800), hold_s=1700).finding
