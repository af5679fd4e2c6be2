"""Pictures of the pull-down and the hold: the simulator's vessel, a gauge with noise and a display, the evacuation watch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.reading import Mark, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.physics.moisture import saturation_pressure
from baytrace.records.report.svg import Band, Level, Line, Picture
from baytrace.watches.evacuation import Evacuation
from baytrace.watches.watch import View
from baytrace_sim.vessel import Holder, Pool, Vessel

NS, MICRON_PA, ROOM_K, ATMOSPHERE = 1_000_000_000, 0.133322387415, 295.15, 101_325.0
LITRES = 2.0
LEAK_LIMIT = 5e-5
BLUE, RED, GREEN, INK, GREY = "#0a4fa8", "#b3171d", "#0d6b39", "#16181c", "#777777"

Array = np.ndarray


@dataclass
class Shown:
    """What the instruments showed of one hold, by the second: Pa and K."""

    time_s: Array
    pressure: Array
    kelvin: Array
    watch: Evacuation
    story: list[tuple[float, Evacuation]] = field(default_factory=list)


def vessel(leak: float = 0.0, oil_pa: float = 0.0, tau_s: float = 300.0, start_pa: float = 40.0) -> Vessel:
    nothing = Holder(exchange=0.0)
    made = Vessel(LITRES * 1e-3, ROOM_K, ATMOSPHERE, wet=nothing, oil=nothing, leak=leak)
    made.fill_with_air(start_pa)
    if oil_pa:
        made.wet = Holder.rising(oil_pa, tau_s, LITRES * 1e-3, ROOM_K, rooms=1.0)
    return made


def held(
    made: Vessel, seconds: int, seed: int, *, warming_k: float = 0.0, thermometer: bool = True, noise_pa: float = 0.4
) -> Shown:
    """The hold of a vessel, and the watch that has seen it."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(seconds + 1, dtype=float)
    pressure, wander = np.empty(seconds + 1), 0.0
    kelvin = ROOM_K + warming_k * time_s / seconds
    for second in range(seconds + 1):
        wander = 0.8 * wander + 0.6 * noise_pa * rng.normal()
        shown = made.pressure + wander
        pressure[second] = max(round(shown / MICRON_PA), 0) * MICRON_PA
        made.step(1.0, pumping=False, temperature_k=float(kelvin[second]))
    seen = kelvin + rng.normal(0.0, 0.02, seconds + 1)
    return Shown(time_s, pressure, seen, watched(time_s, pressure, seen if thermometer else None))


def watched(time_s: Array, pressure: Array, kelvin: Array | None) -> Evacuation:
    channels = {
        "p": Channel(
            "p", Role.SYSTEM_PRESSURE, unit_for(Role.SYSTEM_PRESSURE, "micron"), Accuracy.parse("10 % of reading")
        )
    }
    if kelvin is not None:
        celsius = unit_for(Role.SYSTEM_TEMPERATURE, "degC")
        channels["t"] = Channel("t", Role.SYSTEM_TEMPERATURE, celsius, Accuracy.parse("1 K"))
    settings = {"volume_l": LITRES, "phase": "hold"}
    watch = Evacuation(Evacuation.Settings.model_validate(settings), View(channels))
    watch.mark(Mark(0, "isolated"))
    for index, second in enumerate(time_s):
        if kelvin is not None:
            watch.reading(Reading(int(second * NS), "t", Role.SYSTEM_TEMPERATURE, float(kelvin[index])))
        watch.reading(Reading(int(second * NS), "p", Role.SYSTEM_PRESSURE, float(pressure[index])))
    return watch


def fitted(shown: Shown, seconds: Array) -> tuple[Array, Array, Array]:
    """The fitted curve, and the same with the rate at either end of its interval (the rest of the curve kept)."""
    fit = shown.watch.weighed(ahead=False).fit
    assert fit is not None
    middle = fit.level(seconds)
    return (
        middle,
        middle + (fit.rate.low - fit.rate.value) * seconds,
        middle + (fit.rate.high - fit.rate.value) * seconds,
    )


def dots(name: str, shown: Shown, colour: str, every: int = 15) -> Line:
    return Line(name, list(shown.time_s[::every] / 60), list(shown.pressure[::every]), colour, dots=True)


def curve(name: str, shown: Shown, colour: str, dash: str = "") -> tuple[Line, Band]:
    at = np.linspace(0.0, shown.time_s[-1], 90)
    middle, low, high = fitted(shown, at)
    x = list(at / 60)
    return Line(name, x, list(middle), colour, dash, 2.2), Band("", x, list(low), list(high), colour)


def three() -> Picture:
    """A leak, water, and both, over a hold of 30 min."""
    leak = held(vessel(leak=1.6e-4), 1800, 1)
    water = held(vessel(oil_pa=110.0, tau_s=280.0), 1800, 2)
    both = held(vessel(leak=1.6e-4, oil_pa=110.0, tau_s=280.0), 1800, 3)
    lines, bands = [], []
    for name, shown, colour, dash in (
        ("leak and water", both, INK, ""),
        ("a leak", leak, RED, "9 4"),
        ("water", water, BLUE, "3 3"),
    ):
        line, band = curve(name, shown, colour, dash)
        lines += [line, dots("", shown, colour)]
        bands.append(band)
    return Picture(
        "Three holds: a leak climbs on, water levels off, both do both",
        "minutes since the valves were closed",
        "pressure, Pa",
        lines,
        bands,
        height=340,
    )


def pool() -> Picture:
    """A pool that dries out in the middle of the hold."""
    made = vessel()
    made.pool = Pool(mass=5.0e-6, metal=200.0, boiling=4.4e-12)
    made.pool.settle(ROOM_K)
    shown = held(made, 1800, 4)
    line, band = curve("the fitted curve", shown, BLUE)
    return Picture(
        "A pool of water that dries out: straight, then flat",
        "minutes since the valves were closed",
        "pressure, Pa",
        [dots("readings", shown, INK, 12), line],
        [band],
        height=300,
    )


def plateau() -> Picture:
    """Pull-downs of a dry loop and of one with water in it."""
    lines = []
    # how well the metal warms the water decides whether it boils warm or freezes
    for name, grams, warming, colour, dash in (
        ("dry", 0.0, 1.0, INK, ""),
        ("4 g of water, the metal warms it", 4.0, 7.0, RED, "9 4"),
        ("1 g in a cold corner: it freezes", 1.0, 0.02, BLUE, "3 3"),
    ):
        made = vessel()
        made.pool = Pool(mass=grams * 1e-3, metal=8.0, warming=warming)
        made.fill_with_air(ATMOSPHERE)
        at, seen = [0.0], [made.pressure]
        for second in range(5, 2401, 5):
            made.step(5.0, pumping=True)
            at.append(second / 60)
            seen.append(made.pressure)
        lines.append(Line(name, at, seen, colour, dash, 2.2))
    warm = float(saturation_pressure(ROOM_K))
    return Picture(
        "Pull-down of a dry loop and of one with water: the pressure stands while water boils, and again over ice",
        "minutes with the pump on",
        "pressure, Pa",
        lines,
        levels=[
            Level("water boils at 22 °C: 2.6 kPa", warm),
            Level("below this it is ice: 611 Pa", 611.7),
        ],
        log=True,
        height=340,
    )


def interval() -> Picture:
    """The interval of the leak over the length of the hold, for a tight loop and a leaking one."""
    lines: list[Line] = []
    bands: list[Band] = []
    marks = []
    for name, shown, colour, dash in (
        ("leaking: 1.5e-4 Pa m³/s", held(vessel(leak=1.5e-4), 1500, 5), RED, "9 4"),
        ("tight, a little water", held(vessel(oil_pa=12.0, tau_s=200.0), 1500, 6), GREEN, ""),
    ):
        x, best, low, high, decided, found = [], [], [], [], None, ""
        for seconds in range(120, 1501, 30):
            part = watched(shown.time_s[: seconds + 1], shown.pressure[: seconds + 1], shown.kelvin[: seconds + 1])
            weighed = part.weighed(ahead=False)
            if weighed.fit is None:
                continue
            x.append(seconds / 60)
            for into, value in zip((best, low, high), weighed.fit.rate, strict=True):
                into.append(min(value * LITRES * 1e-3 * 1e4, 4.0))
            if decided is None and str(weighed.cause) != "undecided":
                decided, found = seconds / 60, str(weighed.cause)
        lines.append(Line(name, x, best, colour, dash, 2.2))
        bands.append(Band("", x, low, high, colour))
        if decided is not None:
            marks.append((decided, f"decided: {found}"))
    return Picture(
        "The interval of the leak grows narrow as the hold goes on; it decides when it no longer touches the limit",
        "minutes since the valves were closed",
        "leak, 1e-4 Pa m³/s",
        lines,
        bands,
        [Level("limit", LEAK_LIMIT * 1e4)],
        sorted(marks),
        height=330,
    )


def wet_and_warming(by_k: float) -> Shown:
    made = vessel(start_pa=60.0)
    made.pool = Pool(mass=2e-3, metal=400.0, warming=40.0, boiling=2.0e-10)
    made.pool.settle(ROOM_K)
    return held(made, 1800, 7, warming_k=by_k, noise_pa=2.0)


def warming() -> Picture:
    """A wet loop that warms by 3 K: as read, and as the watch sees it at one temperature."""
    shown, still = wet_and_warming(3.0), wet_and_warming(0.0)
    line, band = curve("what the watch makes of it, warming taken out", shown, BLUE)
    return Picture(
        "A wet loop that warms by 3 K climbs on like a leak; with a thermometer the warming is taken out",
        "minutes since the valves were closed",
        "pressure, Pa",
        [
            dots("readings while it warms", shown, RED, 30),
            dots("the same loop, not warming", still, GREY, 30),
            line,
        ],
        [band],
        height=320,
    )


HOLD: dict[str, Callable[[], Picture]] = {
    "hold-leak-or-water": three,
    "hold-pool-dries": pool,
    "hold-plateau": plateau,
    "hold-interval": interval,
    "hold-warming": warming,
}
