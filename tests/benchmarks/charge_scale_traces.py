"""Made-up tank-scale records with known charge: bumps, re-seatings, lifts, drift, rounding. Seeded by number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ScaleTrace:
    """Seconds, kg as shown, the true charge in kg, and the marks (None where nobody marked)."""

    times: np.ndarray
    shown: np.ndarray
    charge_kg: float
    start_s: float | None
    end_s: float | None
    story: str


def _flow(rng: np.random.Generator, charge: float) -> tuple[np.ndarray, np.ndarray]:
    """Instants and cumulated charge: steady, tapering as the tank cools, or with pauses."""
    rate = rng.uniform(0.004, 0.025)
    length = charge / rate
    kind = rng.choice(["steady", "taper", "pauses"])
    if kind == "steady":
        return np.array([0.0, length]), np.array([0.0, charge])
    if kind == "taper":
        share = np.linspace(0.0, 1.0, 60)
        return length * 1.6 * share, charge * (1.0 - np.exp(-2.5 * share)) / (1.0 - np.exp(-2.5))
    pause = rng.uniform(10.0, 40.0)
    cut = rng.uniform(0.3, 0.7)
    return np.array([0.0, cut * length, cut * length + pause, length + pause]), np.array([0.0, cut, cut, 1.0]) * charge


def _disturb(rng: np.random.Generator, times: np.ndarray, shown: np.ndarray, window: tuple[float, float]) -> list[str]:
    told: list[str] = []
    taken: list[float] = []
    for _ in range(rng.integers(0, 4)):
        at = rng.uniform(window[0] - 30.0, window[1] + 30.0)
        if any(abs(at - other) < 25.0 for other in taken):
            continue  # one touch at a time
        taken.append(at)
        kind = rng.choice(["bump", "re-seating", "lift"])
        height = rng.choice([-1.0, 1.0]) * rng.uniform(0.012, 0.4)
        if kind == "bump":
            shown[(times >= at) & (times < at + rng.uniform(0.5, 6.0))] += height
        elif kind == "re-seating":
            shown[times >= at] += rng.choice([-1.0, 1.0]) * rng.uniform(0.012, 0.08)
        else:
            away = rng.uniform(3.0, 12.0)
            shown[(times >= at) & (times < at + away)] = rng.uniform(-0.02, 0.02)
            shown[times >= at + away] += rng.choice([0.0, rng.uniform(-0.03, 0.03)])
        told.append(str(kind))
    return told


def _silence(
    rng: np.random.Generator, times: np.ndarray, shown: np.ndarray, window: tuple[float, float]
) -> tuple[np.ndarray, str]:
    """Which readings are lost: 3 to 60 s about the flow, in one of three gaps with the tank set down differently meanwhile."""
    length = rng.uniform(3.0, 60.0)
    begin = rng.uniform(window[0] - 0.7 * length, window[1] - 0.3 * length)
    moved = float(rng.choice([0.0, 0.0, rng.choice([-1.0, 1.0]) * rng.uniform(0.012, 0.3)]))
    shown[times >= begin + 0.5 * length] += moved
    return (times > begin) & (times < begin + length), f"silent for {length:.0f} s, moved {moved * 1e3:.0f} g"


def scale_trace(seed: int, *, marked: bool | None = None, disturbed: bool = True, silent: bool = False) -> ScaleTrace:
    """One record. The scale's own errors: limits of error of 5 g spread over gain, rounding, scatter and linearity."""
    rng = np.random.default_rng(seed)
    period = float(rng.choice([0.2, 0.5, 1.0, 2.0]))
    charge = float(rng.uniform(0.3, 1.2))
    at, mass = _flow(rng, charge)
    start = float(rng.uniform(40.0, 120.0))
    length = start + at[-1] + float(rng.uniform(60.0, 200.0))
    times = np.arange(0.0, length, period)
    gone = np.interp(times - start, at, mass)
    tank = rng.uniform(4.0, 14.0) - gone * (1.0 + rng.uniform(-0.003, 0.003))
    drift = float(rng.choice([0.0, rng.uniform(-2e-5, 2e-5)]))
    shown = tank + drift * times + rng.normal(0.0, rng.uniform(0.0002, 0.0012), len(times))
    story = _disturb(rng, times, shown, (start, start + at[-1])) if disturbed else []
    step = float(rng.choice([0.001, 0.002, 0.005]))
    known = bool(rng.random() < 0.6) if marked is None else marked
    marks = (start, start + float(at[-1])) if known else (None, None)
    if silent:
        lost, told = _silence(rng, times, shown, (start, start + at[-1]))
        times, shown, story = times[~lost], shown[~lost], [*story, told]
    shown = np.round(shown / step) * step
    return ScaleTrace(
        times, shown, charge, *marks, f"{period} s, {step * 1e3:.0f} g, drift {drift * 1e3:.3f} g/s, {', '.join(story)}"
    )
