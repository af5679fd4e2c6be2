"""The sweep judged from outside: CSV traces of a hurried hand, written without any of the project's own stream makers.

The meter shows open circuits in five ways, in three units, from ten readings a second to one; contacts settle, bounce and spike;
leads and contacts add their own resistance. Limits lie 13 % either side of the coil family's figure; faults are far beyond them.
"""

import contextlib
import io
import json
import random

import pytest

from baytrace.cli import run

FAULTS = {"within": (0.97, 1.03), "low": (0.4, 0.75), "high": (1.3, 1.9), "short": (0.01, 0.01)}
UNITS = {"ohm": 1.0, "kohm": 1e-3, "mohm": 1e3}


class Meter:
    """Writes one line a reading, and knows how this one shows that nothing is touched."""

    def __init__(self, rng):
        self.rng, self.now, self.lines = rng, 0.0, []
        self.period = rng.choice([0.1, 0.2, 0.5, 1.0])
        self.unit, self.scale = rng.choice(list(UNITS.items()))
        self.open = rng.choice(["OL", "", "9.9E37", None, "big"])

    def line(self, ohm, mark=""):
        cell = self.open if ohm is None else f"{ohm * self.scale:.6g}"
        if cell == "big":
            cell = f"{self.rng.uniform(2e7, 4e7) * self.scale:.4g}"
        if cell is not None or mark:
            self.lines.append(f"{self.now:.2f},{cell or ''},{mark}")
        self.now += self.period

    def seconds(self, span):
        return range(int(max(span, 4 * self.period) / self.period) + 1)


def bank(rng, marks):
    """The true state of 3 to 12 coils; an open one is only there to be seen where marks name it."""
    kinds = [*FAULTS, "open"] if marks else list(FAULTS)
    weights = [0.8, 0.06, 0.06, 0.04, 0.04][: len(kinds)]
    return rng.choices(kinds, weights, k=rng.randint(3, 12))


def touch(meter, ohm, digit, mark):
    """One contact: it may begin with a wild reading, bounce and spike; it ends in at least two seconds of good ones."""
    rng = meter.rng
    span = meter.seconds(rng.uniform(2.5, 5.0))
    for index in span:
        shown = None if ohm is None else round((ohm + rng.gauss(0.0, digit / 2.0)) / digit) * digit
        if shown is not None and index == 0 and rng.random() < 0.5:
            shown *= rng.uniform(1.2, 5.0)
        elif shown is not None and 0 < index < len(span) - 1 and meter.period < 0.6 and rng.random() < 0.02:
            shown = None if rng.random() < 0.5 else shown * rng.choice([10.0, 1000.0, 0.1])
        meter.line(shown, mark if index == 0 else "")


def sweep(seed):
    """(CSV text, settings, truth by position, whether an open coil leaves any reading)."""
    rng = random.Random(seed)
    meter, marks = Meter(rng), rng.random() < 0.4
    nominal, lead = rng.choice([2.4, 12.2, 15.5, 200.0, 1200.0]), rng.choice([0.0, 0.15, 0.3])
    digit, truth = 0.01 if nominal < 100.0 else 0.1, bank(rng, marks)
    for _ in meter.seconds(3.0):
        meter.line(None)
    for position, kind in enumerate(truth, 1):
        coil = None if kind == "open" else nominal * rng.uniform(*FAULTS[kind]) + lead + rng.uniform(0.0, 0.05)
        touch(meter, coil, digit, f"coil {position}" if marks else "")
        for _ in meter.seconds(rng.uniform(1.5, 4.0)):
            meter.line(None)
    text = "\n".join([f"time [s],coil_resistance [{meter.unit}],mark", *meter.lines]) + "\n"
    chosen = {
        "coils": len(truth),
        "low_ohm": 0.87 * nominal,
        "high_ohm": 1.13 * nominal,
        "lead_ohm": lead,
        "temperature_c": 20,
    }
    return text, chosen, truth, meter.open not in ("", None)


@pytest.mark.parametrize("first", [1, 21, 41, 61])
def test_no_coil_is_called_what_it_is_not(tmp_path, first):
    """Every coil is found at its place and called by its fault, or left open; twenty streams a run."""
    for seed in range(first, first + 20):
        text, chosen, truth, opens_show = sweep(seed)
        trace = tmp_path / f"{seed}.csv"
        trace.write_text(text)
        settings = [part for key, value in chosen.items() for part in ("--set", f"{key}={value}")]
        with contextlib.redirect_stdout(io.StringIO()) as out:
            run(["judge", str(trace), "--watch", "sweep", *settings, "--json"])
        coils = sorted(json.loads(out.getvalue())["coils"], key=lambda coil: coil["position"])
        assert [coil["position"] for coil in coils] == list(range(1, len(truth) + 1)), seed
        for coil, kind in zip(coils, truth, strict=True):
            unseen = kind == "open" and not opens_show
            doubtful = kind == "short" and coil["finding"] == "unsteady"
            assert doubtful or coil["finding"] == ("missing" if unseen else kind), (seed, coil, kind)
