"""The charge judged from outside: CSV traces of jobs written by plain arithmetic, with none of the project's own models.

A tank loses a known charge on a scale that drifts, rounds, is touched and falls silent; then a loop relaxes by two exponentials (or
saws about such a mean) in its gauges and pipes, in trade units. The writer knows the grams, and the instant from which every mean
stays within 1 % (absolute pressure) or 0.5 K of its end. What no scale can tell is not asked of it: nobody touches the tank within
6 s of working its valve, and charges within 5 g of the tolerance may be called either way (a guard of 1.96 standard uncertainties
leaves one in forty at the very limit).
"""

import math
import random
from collections import Counter

import pytest

from baytrace.commands.judge import judge_trace
from baytrace.measure.verdict import Outcome

ATMOSPHERE, TOLERANCE_G = 101_325.0, 15.0
PRESSURES = {"psi": 6894.757, "bar": 1e5, "kPa": 1e3}
REST = {"low_side": 570e3, "high_side": 570e3, "suction_line": 27.0, "liquid_line": 27.0, "vent_air": 27.0}
HEADS = ("low_side", "high_side", "suction_line", "liquid_line", "vent_air")


class Tank:
    """Grams on the scale: what went in by any instant, and what the display shows of it."""

    def __init__(self, rng):
        self.rng, self.charge = rng, rng.uniform(350.0, 1100.0)
        self.kind, self.rate = rng.choice(["steady", "taper", "pause"]), rng.uniform(3.0, 18.0)
        self.pause = (rng.uniform(0.3, 0.7), rng.uniform(10.0, 35.0))
        self.length = self.charge / self.rate * (1.5 if self.kind == "taper" else 1.0)
        if self.kind == "pause":
            self.length += self.pause[1]
        self.begin = rng.uniform(45.0, 120.0)
        self.end = self.begin + self.length
        self.full, self.gain = rng.uniform(4000.0, 13000.0), rng.uniform(-0.002, 0.002)
        self.drift = rng.choice([0.0, rng.uniform(-0.015, 0.015)])
        self.noise, self.step = rng.uniform(0.2, 0.9), rng.choice([1.0, 2.0, 5.0])
        self.touches = [self._touch(at) for at in self._instants()]
        self.silent, self.moved = self._gap()

    def _instants(self):
        chosen = []
        for _ in range(self.rng.randint(0, 2)):
            at = self.rng.uniform(self.begin - 25.0, self.end + 25.0)
            shut = self.begin + self.pause[0] * self.charge / self.rate
            valve = [self.begin, self.end, *([shut, shut + self.pause[1]] if self.kind == "pause" else [])]
            apart = all(abs(at - other) > 30.0 for other in chosen)
            if apart and not any(at - 6.0 < edge < at + 17.0 for edge in valve):
                chosen.append(at)
        return chosen

    def _touch(self, at):
        rng = self.rng
        sign = rng.choice([-1.0, 1.0])
        kind = rng.choice(["hand", "set down", "lift"])
        if kind == "hand":
            return at, at + rng.uniform(0.5, 5.0), sign * rng.uniform(40.0, 400.0), 0.0
        if kind == "set down":
            return at, at, 0.0, sign * rng.uniform(25.0, 90.0)
        return at, at + rng.uniform(4.0, 11.0), math.nan, rng.choice([0.0, sign * rng.uniform(25.0, 40.0)])

    def _gap(self):
        rng = self.rng
        if rng.random() < 0.65:
            return (0.0, 0.0), 0.0
        length = rng.uniform(4.0, 40.0)
        begin = rng.uniform(self.begin - 0.5 * length, self.end - 0.5 * length)
        self.touches = [touch for touch in self.touches if not begin - 30.0 < touch[0] < begin + length + 30.0]
        return (begin, begin + length), rng.choice([0.0, 0.0, 0.0, rng.uniform(-200.0, 200.0)])

    @property
    def left_alone(self):
        """Neither touched nor unseen while refrigerant flows, which is what one scale can tell from flow."""
        touched = any(self.begin - 10.0 < touch[0] < self.end + 10.0 for touch in self.touches)
        return not touched and not self.silent[1]

    def gone(self, second):
        since = min(max(second - self.begin, 0.0), self.length)
        if self.kind == "taper":
            return self.charge * (1.0 - math.exp(-2.0 * since / self.length)) / (1.0 - math.exp(-2.0))
        if self.kind == "pause":
            shut = self.pause[0] * self.charge / self.rate
            since -= min(max(since - shut, 0.0), self.pause[1])
        return min(self.rate * since, self.charge)

    def shown(self, second):
        """Grams as displayed; None while the scale is silent."""
        if self.silent[0] < second < self.silent[1]:
            return None
        value = self.full - self.gone(second) * (1.0 + self.gain) + self.drift * second
        value += self.moved if self.silent[1] > 0.0 and second >= self.silent[1] else 0.0
        for begin, end, height, after in self.touches:
            if begin <= second < end:
                value = self.rng.uniform(-3.0, 3.0) if math.isnan(height) else value + height
            elif second >= end:
                value += after
        return round((value + self.rng.gauss(0.0, self.noise)) / self.step) * self.step


class Loop:
    """Means of a started loop (Pa absolute, degC) by seconds since its start, and what the instruments show."""

    def __init__(self, rng):
        self.rng = rng
        self.final = {
            "low_side": ATMOSPHERE + rng.uniform(170e3, 320e3),
            "high_side": ATMOSPHERE + rng.uniform(1.0e6, 1.8e6),
            "suction_line": rng.uniform(6.0, 14.0),
            "liquid_line": rng.uniform(35.0, 48.0),
            "vent_air": rng.uniform(5.0, 14.0),
        }
        self.modes = {name: (rng.uniform(8.0, 25.0), rng.uniform(40.0, 85.0), rng.uniform(0.1, 0.4)) for name in HEADS}
        self.period = rng.uniform(18.0, 50.0) if rng.random() < 0.25 else 0.0
        self.duty, self.swing = rng.uniform(0.3, 0.7), rng.uniform(0.15, 0.35)
        self.offsets = {name: rng.uniform(-0.4, 0.4) for name in HEADS}
        self.truth = max(self._within(name) for name in HEADS)

    def band(self, name):
        return 0.01 * self.final[name] if self.final[name] > 1e3 else 0.5

    def left(self, name, second):
        """How far a mean still is from its end."""
        quick, slow, share = self.modes[name]
        rest = REST[name] + (ATMOSPHERE if name in ("low_side", "high_side") else 0.0)
        parts = (1.0 - share) * math.exp(-second / quick) + share * math.exp(-second / slow)
        return (rest - self.final[name]) * parts

    def _within(self, name):
        return next(second for second in range(2000) if abs(self.left(name, second)) <= self.band(name))

    def shown(self, name, second):
        """Pa absolute or degC, with the instrument's offset and scatter."""
        second = max(second, 0.0)
        value = self.final[name] + self.left(name, second)
        if self.period and name in ("low_side", "high_side"):
            phase = second / self.period % 1.0
            saw = 0.5 - phase / self.duty if phase < self.duty else (phase - self.duty) / (1.0 - self.duty) - 0.5
            height = self.swing * min(second / 60.0, 1.0) * (1.0 if name == "low_side" else -0.4)
            value *= 1.0 + height * saw
        scatter = 800.0 if name == "low_side" else 2500.0 if name == "high_side" else 0.05
        limits = {"low_side": 4e3, "high_side": 14e3}.get(name, 1.0)
        return value + limits * self.offsets[name] + self.rng.gauss(0.0, scatter)


class Job:
    """One CSV and its truth."""

    def __init__(self, seed):
        rng = self.rng = random.Random(seed)
        self.tank, self.loop = Tank(rng), Loop(rng)
        self.off = rng.choice([rng.uniform(-3.0, 3.0)] * 5 + [rng.uniform(8.0, 22.0), rng.uniform(40.0, 150.0)] * 2)
        self.off *= rng.choice([-1.0, 1.0])
        self.marked = rng.random() < 0.6
        self.engine = self.tank.end + rng.uniform(80.0, 140.0)
        cut = rng.random() < 0.2
        self.runs = self.loop.truth * rng.uniform(0.3, 0.75) if cut else self.loop.truth + rng.uniform(200.0, 400.0)
        self.runs += 0.0 if cut else 3.0 * self.loop.period
        self.settled = not cut
        self.unit = rng.choice(list(PRESSURES))

    def _cell(self, name, second):
        value = self.loop.shown(name, second - self.engine)
        return (
            f"{(value - ATMOSPHERE) / PRESSURES[self.unit]:.3f}"
            if name in ("low_side", "high_side")
            else f"{value:.2f}"
        )

    def write(self, path):
        units = [self.unit, self.unit, "degC", "degC", "degC"]
        heads = [f"{name} [{unit}]" for name, unit in zip(HEADS, units, strict=True)]
        period = self.rng.choice([1.0, 1.0, 2.0, 3.0])
        marks = [(self.tank.begin, "charge start"), (self.tank.end, "charge end"), (self.engine, "engine on")]
        lines, waiting, second = [], marks if self.marked else [], 0.0
        while second <= self.engine + self.runs:
            mark = waiting.pop(0)[1] if waiting and waiting[0][0] <= second else ""
            grams = self.tank.shown(second)
            cells = [self._cell(name, second) for name in HEADS]
            lines.append(",".join([f"{second:g}", *cells, "27.0", "" if grams is None else f"{grams:.0f}", mark]))
            second += period
        head = ",".join(["time [s]", *heads, "ambient_air [degC]", "tank_mass [g]", "mark"])
        path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")


def check(job, verdict):
    """Words for a tally; fails where the verdict says what is not so."""
    found, evidence = verdict.finding, verdict.evidence
    assert found != "undercharged" or job.off < -TOLERANCE_G + 5.0
    assert found != "overcharged" or job.off > TOLERANCE_G - 5.0
    if found == "settled":
        assert verdict.outcome is Outcome.PASS
        assert abs(job.off) <= TOLERANCE_G + 5.0
    words = [found]
    if "settled_at" in evidence:
        assert job.settled
        words.append("near" if abs(evidence["settled_at"].value - job.engine - job.loop.truth) <= 60.0 else "far")
    elif job.settled:
        words.append("unseen")
    doubted = any("may be the tank" in said or "left alone" in said for said in verdict.reasons)
    if "charged_mass" in evidence and not doubted and not job.tank.moved:
        figure = evidence["charged_mass"]
        words.append("inside" if figure.low <= job.tank.charge <= figure.high else "outside")
    return words


@pytest.mark.parametrize("first", [1, 1001, 3001])
def test_charge_is_never_called_what_it_is_not(tmp_path, first):
    """80 jobs a run: no charge is called under, over or right that is not, no loop settled that still moves; where the loop came to
    rest its instant is found within a minute in nine of ten, grams lie within their interval in 95 % (where no doubt is told), and few are left open.
    """
    tally, open_ = Counter(), 0
    for seed in range(first, first + 80):
        job = Job(seed)
        job.write(tmp_path / "job.csv")
        settings = {"refrigerant": "R134a", "label_g": job.tank.charge - job.off, "elevation_m": 0.0}
        settings["hose"] = "full before and after"
        words = check(job, judge_trace(tmp_path / "job.csv", "charge", settings))
        tally.update(words)
        decidable = job.settled and not 5.0 < abs(job.off) < 25.0 and job.tank.left_alone and job.tank.step < 5.0
        open_ += decidable and words[0] in ("undecided", "not settled")
    assert tally["near"] >= 0.9 * (tally["near"] + tally["far"] + tally["unseen"]), tally
    assert tally["inside"] >= 0.95 * (tally["inside"] + tally["outside"]), tally
    assert open_ <= 5, (open_, tally)
