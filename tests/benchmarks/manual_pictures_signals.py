"""Pictures of a scale while charging, of an ohmmeter from coil to coil, and of the guard band."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.decision import decide
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.uncertainty import K95
from baytrace.measure.units import unit_for
from baytrace.records.report.svg import Band, Level, Line, Picture
from baytrace.watches.charge import WATCH as CHARGE
from baytrace.watches.sweep import WATCH as SWEEP
from baytrace.watches.watch import View, Watch
from baytrace_sim.coils import Bank, Contact
from baytrace_sim.tank import Tank

NS = 1_000_000_000
BLUE, RED, GREEN, INK, GREY = "#0a4fa8", "#b3171d", "#0d6b39", "#16181c", "#777777"
LABEL_G = 520.0


def scale_watch() -> Watch:
    grams = unit_for(Role.TANK_MASS, "g")
    channel = Channel("scale", Role.TANK_MASS, grams, Accuracy.parse("3 g", unit=grams))
    return CHARGE(CHARGE.Settings(refrigerant="R134a", label_g=LABEL_G), View({"scale": channel}))


def mass() -> Picture:
    """A tank that loses 520 g, with a hand on it, a lift and a tank set down differently."""
    bumps = [(64.0, 67.0, 0.25), (110.0, 116.0, -0.3), (180.0, 400.0, 0.035)]
    tank, watch, rng = Tank(9.2, bumps=bumps), scale_watch(), np.random.default_rng(21)
    at, shown, counted = [], [], []
    for second in range(331):
        if second == 30:
            tank.open(3.2e-3, LABEL_G * 1e-3)
            watch.mark(Mark(second * NS, "charge start"))
        if second == 250:
            watch.mark(Mark(second * NS, "charge end"))
        kilograms = round(tank.shown_kg(float(second)) + rng.normal(0.0, 3e-4), 3)
        watch.reading(Reading(second * NS, "scale", Role.TANK_MASS, kilograms))
        tank.step(1.0)
        at.append(second / 60)
        shown.append((9.2 - kilograms) * 1e3)
        figure = watch.verdict().evidence.get("charged_mass") if second % 5 == 0 else None
        counted.append(figure.value if figure is not None else float("nan"))
    kept = [(x, y) for x, y in zip(at, counted, strict=True) if np.isfinite(y)]
    span = [at[0], at[-1]]
    return Picture(
        "What left the scale, and what the watch counts as charged: touches and a tank set down anew do not count",
        "minutes",
        "grams",
        [
            Line("the scale's change", at, shown, GREY, "", 1.4),
            Line("counted as charged", [x for x, _ in kept], [y for _, y in kept], BLUE, "8 3", 2.4),
        ],
        [Band("label, 15 g either way", span, [LABEL_G - 15] * 2, [LABEL_G + 15] * 2, GREEN)],
        marks=[(0.5, "charge start"), (250 / 60, "charge end")],
        height=320,
    )


def stream() -> Picture:
    """Four coils touched one after another: bounces, the meter hunting for its range, settling; and what the sweep says."""
    bank = Bank((12.0, 12.1, 9.4, 11.9), seed=5)
    contacts = [Contact(index, 3.0 + 8.0 * index, 8.5 + 8.0 * index) for index in range(4)]
    ohm = unit_for(Role.COIL_RESISTANCE, "ohm")
    accuracy = Accuracy.parse("0.5 % of reading + 2 counts (0.01 ohm)", unit=ohm)
    view = View({"meter": Channel("meter", Role.COIL_RESISTANCE, ohm, accuracy)})
    watch = SWEEP(SWEEP.Settings(coils=4, low_ohm=11.0, high_ohm=13.0, lead_ohm=0.12), view)
    at, shown = [], []
    for step in range(175):
        now = step / 5
        value = bank.seen(next((each for each in contacts if each.start_s <= now < each.end_s), None), now)
        open_ = not np.isfinite(value)
        flags = int(Quality.OPEN_CIRCUIT if open_ else Quality.GOOD)
        watch.reading(
            Reading(int(now * NS), "meter", Role.COIL_RESISTANCE, float("inf") if open_ else round(value, 2), flags)
        )
        at.append(now)
        shown.append(min(value, 20.0) if not open_ else float("nan"))
    watch.advance(40 * NS)
    lines, marks = [Line("", [0.0, 35.0], [23.0, 23.0], "#ffffff")], []
    for coil, contact in zip(watch.verdict().more["coils"], contacts, strict=True):
        value = coil["resistance"]["value"] + 0.12
        name = "steady value, leads included" if coil["position"] == 1 else ""
        lines.append(Line(name, [contact.start_s, contact.end_s], [value, value], BLUE, "", 5.0))
        marks.append((contact.start_s, f"coil {coil['position']}: {coil['finding']}"))
    lines.append(Line("the meter (open left out, cut at 20 ohm)", at, shown, INK, dots=True))
    return Picture(
        "One ohmmeter, four coils: bounces and range changes fall out, the steady part counts",
        "seconds",
        "ohm",
        lines,
        [Band("limits", [0.0, 35.0], [11.0, 11.0], [13.0, 13.0], GREEN)],
        marks=marks,
        height=320,
    )


def guard() -> Picture:
    """Five values with their intervals before one upper limit, and what the rule says of them."""
    limit, lines, marks = 10.0, [], []
    for place, (value, u) in enumerate(((8.2, 0.5), (9.2, 0.35), (9.9, 0.5), (10.4, 0.5), (11.6, 0.5)), start=1):
        outcome = str(decide(value, u, upper=limit))
        colour, dash = {"pass": (GREEN, ""), "fail": (RED, "9 4"), "undecided": (INK, "3 3")}[outcome]
        lines.append(Line("", [place, place], [value - K95 * u, value + K95 * u], colour, dash, 3.0))
        lines.append(Line("", [place - 0.08, place + 0.08], [value, value], colour, "", 4.0))
        marks.append((place, outcome))
    ends = [Line("", [0.6, 5.8], [7.0, 7.0], "#ffffff")]
    return Picture(
        "A value passes or fails only with its whole 95 % interval; what straddles the limit is undecided",
        "five measurements",
        "value",
        [*ends, *lines],
        levels=[Level("upper limit", limit)],
        marks=marks,
        height=300,
    )


SIGNALS: dict[str, Callable[[], Picture]] = {
    "charge-mass": mass,
    "coils-stream": stream,
    "trust-guard": guard,
}
