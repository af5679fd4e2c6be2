"""The pressures judged from outside: CSV traces of running loops written by plain arithmetic, with none of the project's own models.

Days are those of the rule of thumb for R134a (30 to 40 psi and 150 to 250 psi: common practice, no source); sound cars lie well inside
it, faults far outside on both sides. Loops relax or saw, or are cut off while they still move.
"""

import math
import random
from collections import Counter

import pytest

from baytrace.commands.judge import judge_trace
from baytrace.measure.verdict import Outcome

PATTERNS = {
    "normal": ((31.5, 38.5), (170.0, 230.0)),
    "both high": ((62.0, 80.0), (330.0, 400.0)),
    "both low": ((3.0, 12.0), (70.0, 105.0)),
    "low high and high low": ((62.0, 80.0), (90.0, 115.0)),
    "low low and high high": ((3.0, 12.0), (330.0, 390.0)),
    "clutch": ((78.0, 90.0), (78.0, 90.0)),
    "moving": ((31.5, 38.5), (170.0, 230.0)),
}
UNITS = {"psi": 1.0, "bar": 0.0689476, "kPa": 6.89476}
# bar absolute at -30, -20, ... 90 degC; R134a after Tillner-Roth and Baehr 1994, rounded
SATURATION = (0.844, 1.327, 2.006, 2.928, 4.146, 5.717, 7.702, 10.166, 13.179, 16.818, 21.168, 26.332, 32.442)


def boils_at(psi):
    """degC at a gauge pressure, straight lines of the pressure's logarithm."""
    bar = (psi + 14.696) * 0.0689476
    upper = next(index for index, value in enumerate(SATURATION) if value > bar)
    below, above = SATURATION[upper - 1], SATURATION[upper]
    return -30.0 + 10.0 * (upper - 1 + math.log(bar / below) / math.log(above / below))


class Car:
    """One car on one day, and the CSV its gauges would leave."""

    def __init__(self, seed):
        rng = self.rng = random.Random(seed)
        self.kind = rng.choice(list(PATTERNS))
        self.low, self.high = (rng.uniform(*span) for span in PATTERNS[self.kind])
        if self.kind == "clutch":
            self.high = self.low
        self.ambient, self.unit = rng.uniform(25.5, 28.5), rng.choice(list(UNITS))
        self.taus = rng.uniform(12.0, 45.0), rng.uniform(12.0, 60.0)
        self.period = rng.uniform(18.0, 45.0) if self.kind == "normal" and rng.random() < 0.3 else 0.0
        self.lines = self.kind in ("normal", "moving") and rng.random() < 0.6
        self.superheat, self.subcooling = rng.uniform(5.0, 10.0), rng.uniform(5.0, 10.0)
        self.offsets = [rng.uniform(-0.4, 0.4) for _ in range(5)]
        self.start = rng.uniform(20.0, 80.0)
        self.runs = rng.uniform(30.0, 70.0) if self.kind == "moving" else rng.uniform(420.0, 700.0)

    def psi(self, second):
        """Low and high side as the gauges show them."""
        rest = 82.0 if self.kind != "clutch" else self.low
        since = max(second - self.start, 0.0)
        low, high = (
            end + (rest - end) * math.exp(-since / tau)
            for end, tau in zip((self.low, self.high), self.taus, strict=True)
        )
        if self.period and since > 0.0:
            phase = since / self.period % 1.0
            saw = 0.5 - phase / 0.4 if phase < 0.4 else (phase - 0.4) / 0.6 - 0.5
            low, high = low + 14.0 * saw * min(since / 60.0, 1.0), high - 22.0 * saw * min(since / 60.0, 1.0)
        return low + self.rng.gauss(0.2 * self.offsets[0], 0.15), high + self.rng.gauss(2.0 * self.offsets[1], 0.5)

    def temperatures(self, second):
        since = max(second - self.start, 0.0)
        ends = boils_at(self.low) + self.superheat, boils_at(self.high) - self.subcooling, boils_at(self.low) + 6.0
        return [
            end + (self.ambient - end) * math.exp(-since / 35.0) + self.rng.gauss(offset, 0.05)
            for end, offset in zip(ends, self.offsets[2:], strict=True)
        ]

    def write(self, path):
        heads = [f"low_side [{self.unit}]", f"high_side [{self.unit}]", "ambient_air [degC]"]
        heads += ["suction_line [degC]", "liquid_line [degC]", "vent_air [degC]"] if self.lines else []
        period, second, lines, marked = self.rng.choice([1.0, 2.0]), 0.0, [], False
        while second <= self.start + self.runs:
            mark = "engine on" if second >= self.start and not marked else ""
            marked = marked or bool(mark)
            cells = [f"{psi * UNITS[self.unit]:.4f}" for psi in self.psi(second)] + [f"{self.ambient:.1f}"]
            cells += [f"{celsius:.2f}" for celsius in self.temperatures(second)] if self.lines else []
            lines.append(",".join([f"{second:g}", *cells, mark]))
            second += period
        path.write_text("\n".join([",".join(["time [s]", *heads, "mark"]), *lines]) + "\n", encoding="utf-8")


@pytest.mark.parametrize("first", [1, 1001, 2001])
def test_no_pattern_is_called_what_it_is_not(tmp_path, first):
    """70 loops a run: each is called by its own pattern or left open; a moving loop is always left open, few others are."""
    tally = Counter()
    settings = {
        "refrigerant": "R134a",
        "elevation_m": 0.0,
        "ambient_humidity": 0.5,
        "accuracy.low_side": "0.5 % of full scale (10 bar)",
        "accuracy.high_side": "0.5 % of full scale (35 bar)",
    }
    for seed in range(first, first + 70):
        car = Car(seed)
        car.write(tmp_path / "loop.csv")
        verdict = judge_trace(tmp_path / "loop.csv", "pressures", dict(settings))
        truth = {"clutch": "no pumping", "moving": "undecided"}.get(car.kind, car.kind)
        assert verdict.finding in (truth, "undecided"), (seed, car.kind, car.low, car.high, verdict.reasons)
        if verdict.finding != "undecided":
            assert verdict.outcome is (Outcome.PASS if truth == "normal" else Outcome.FAIL)
        tally[verdict.finding == truth] += 1
    assert tally[False] <= 8, tally
