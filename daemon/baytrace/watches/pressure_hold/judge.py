"""What the gauges of a standing test say together: each is judged, and the worst counts.

Rules of this file:
- A leak is called on one gauge; a pass needs every gauge that was there.
- Gauges that fall differently are shut off from each other: then each has a part of the loop, and how large a part nobody knows.
- A test in which an instrument stood still, was silent, stood at its end, or at a pressure that the limit is not meant for cannot
  pass, however little it falls.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from baytrace.physics.decay_outlook import more_time
from baytrace.physics.outlook import Outlook
from baytrace.physics.pressure_decay import DecayFit
from baytrace.watches.evacuation.mute import at_an_end
from baytrace.watches.evacuation.waiting import further
from baytrace.watches.evacuation.wording import span
from baytrace.watches.limits_table import limit
from baytrace.watches.pressure_hold.settings import Bounds
from baytrace.watches.pressure_hold.side import Side, Test
from baytrace.watches.pressure_hold.stillness import Run, Stillness

if TYPE_CHECKING:
    from baytrace.watches.pressure_hold.watch import PressureHold

ORDER = ("above", "vain", "across", "below")
"""Worst first: it leaks; this test cannot pass; undecided; it holds."""
_STEPS = 3.0
_WANDERS, _SWINGS, _SETTLES = 1e-5, 1.0, 3e-3


@dataclass(frozen=True, slots=True)
class Standing:
    """How one side stands. `vain`: why it cannot pass. `bounds` are those of its part of the loop."""

    side: Side
    fit: DecayFit | None
    stand: str
    vain: str | None
    bounds: Bounds
    still: bool = False
    """Whether the gauge itself stood still: then its rate is none."""

    @property
    def rank(self) -> int:
        return ORDER.index("vain" if self.stand != "above" and self.vain is not None else self.stand)


@dataclass(frozen=True, slots=True)
class Judged:
    """Of a whole test: the deciding side, all sides, and whether they are shut off from each other."""

    worst: Standing
    all: tuple[Standing, ...]
    apart: bool


def judged(watch: PressureHold, *, aside: bool = False) -> Judged | None:
    """None before any gauge has a test."""
    dead = thermometer_stands_still(watch)
    fits = [
        (side, side.fit(watch.thermometer, watch.step_k, dead is not None, aside=aside))
        for side in watch.sides
        if side.test is not None and side.test.hold.cells.readings
    ]
    if not fits:
        return None
    rates = [fit.rate for _, fit in fits if fit is not None]
    apart = any(one.low > other.high for one in rates for other in rates)
    bounds = watch.settings.bounds
    if apart:
        part = min(float(limit("pressure_hold.least_part")) / _litres(watch), 1.0)
        bounds = bounds._replace(fails=bounds.fails / part)
    found = []
    for side, fit in fits:
        assert side.test is not None
        vain = cannot_pass(watch, side, side.test, fit) or dead
        found.append(
            Standing(side, fit, stands(fit, bounds), vain, bounds, _stood_still(watch, side, side.test) is not None)
        )
    # of equals, the gauge that allows the larger leak, or is surest of one
    worst = min(found, key=lambda each: (each.rank, _open(each)))
    return Judged(worst, tuple(found), apart)


def _litres(watch: PressureHold) -> float:
    return watch.settings.volume_l if watch.settings.volume_l is not None else float(limit("evacuation.least_volume_l"))


def _open(standing: Standing) -> float:
    if standing.fit is None:
        return -np.inf
    rate = standing.fit.rate
    return -rate.low if standing.stand == "above" else -rate.high


def stands(fit: DecayFit | None, bounds: Bounds) -> str:
    if fit is None:
        return "across"
    surely = fit.rate.value - float(limit("pressure_hold.leak_guard")) * (fit.rate.value - fit.rate.low)
    return "above" if surely > bounds.fails else "below" if fit.rate.high < bounds.passes else "across"


def outlook(standing: Standing) -> Outlook | None:
    """How long one that stands across has to go on; None when it need not, or even a day would not do."""
    if standing.fit is None or standing.stand != "across":
        return None
    return more_time(standing.fit, *standing.bounds)


# ---- why a test cannot pass


def cannot_pass(watch: PressureHold, side: Side, test: Test, fit: DecayFit | None) -> str | None:
    hold = test.hold
    if hold.gaps:
        return gap_words(watch, side, max(gap.seconds for gap in hold.gaps))
    return (
        at_an_end(hold, side.channel)
        or _unpressed(watch, side, test)
        or _stood_still(watch, side, test)
        or (_fed(watch, fit) if fit is not None else None)
    )


def gap_words(watch: PressureHold, side: Side, seconds: float) -> str:
    which = f"The {side.name} gauge" if len(watch.sides) > 1 else "The gauge"
    return (
        f"Nothing was read from {which[:1].lower()}{which[1:]} for {span(seconds)} during the test (no more than {span(watch.settings.max_gap_s)} is allowed), so "
        "this test cannot pass; mark 'isolated' to begin another."
    )


def _unpressed(watch: PressureHold, side: Side, test: Test) -> str | None:
    highest, meant = test.hold.highest, watch.settings.test_pressure_pa
    if highest is None or highest >= float(limit("pressure_hold.lowest_share")) * meant:
        return None
    if highest < watch.lowest:
        return (
            f"The {side.name} gauge showed no test pressure while the other side stood under it: a valve between them is closed, so "
            "that side was not tested; open it and mark 'isolated' again."
        )
    return (
        f"The loop stood at {highest / 1e5:.1f} bar (absolute) and the limit is meant for {meant / 1e5:.1f} bar: a hole lets out far less "
        "at so low a pressure, so this test cannot pass; fill to the test pressure."
    )


def _stood_still(watch: PressureHold, side: Side, test: Test) -> str | None:
    """Where the gauge's own flicker, or the temperature, must have moved the display and did not."""
    run = (
        test.still.stopped(watch.settings.max_gap_s)
        or _unmoved(test)
        or _dull(test.still, test.hold.seconds, "still_share")
    )
    if run is None:
        return None
    return (
        f"The {side.name} gauge showed the same figure for {span(run.seconds)}, {_when(run)}: it cannot be told from one that stands still, "
        "so this test cannot pass; see that it moves, or use one with a finer display, and mark 'isolated' again."
    )


def _when(run: Run) -> str:
    return "to the end of the test" if run.last else f"from {span(run.start_s)} on"


def _dull(still: Stillness, seconds: float, share: str) -> Run | None:
    run = still.ending
    return run if run.seconds > float(limit(f"pressure_hold.{share}")) * seconds and run.readings > 1 else None


def _unmoved(test: Test) -> Run | None:
    """The longest stretch of one figure, where the measured temperature moved the gas by several of its steps meanwhile."""
    run, cells = test.still.longest, test.hold.cells.means()
    inside = (cells.time_s >= run.start_s) & (cells.time_s <= run.end_s) & ~np.isnan(cells.temperature)
    if test.still.step == 0.0 or int(inside.sum()) < 4:
        return None
    kelvin = cells.temperature[inside]
    moved = float(np.ptp(kelvin)) / float(kelvin.mean()) * float(cells.pressure[inside].mean())
    return run if moved > 2.0 * _STEPS * test.still.step else None


def thermometer_stands_still(watch: PressureHold) -> str | None:
    still, seconds = watch.warm_still, watch.seconds
    if watch.thermometer is None or still is None or still.readings < 2 or seconds <= 0.0:
        return None
    run = still.stopped(watch.settings.max_gap_s) or _dull(still, seconds, "dull_share")
    if run is None:
        return None
    return (
        f"The thermometer showed the same figure for {span(run.seconds)}, {_when(run)}: it cannot be told from a dead one, and what the gas "
        "did is not known, so this test cannot pass; see that it moves, or use one with a finer display."
    )


def _fed(watch: PressureHold, fit: DecayFit) -> str | None:
    """Nitrogen still coming in hides a leak: the pressure rises by more than the limit lets out and temperature explains."""
    unseen_k = limit(
        "pressure_hold.temperature_tracking" if fit.problem.warmth is not None else "pressure_hold.temperature_drift"
    )
    unseen = fit.start * unseen_k / fit.problem.thermal.level_k
    if fit.rise_pa <= watch.settings.bounds.passes * fit.span_s + unseen:
        return None
    return (
        f"The pressure rose by {fit.rise_pa / 1e3:.2g} kPa more than temperature explains: nitrogen may still come in, or the sun warm what the "
        "thermometer does not see, and hide a leak, so this test cannot pass; shut it off, shade the loop and mark 'isolated' to begin another."
    )


# ---- what would settle it


def wanting(found: Judged, watch: PressureHold) -> list[str]:
    """Of a test that decides nothing: how much longer, and what else would help, the most telling first."""
    fit, more = found.worst.fit, outlook(found.worst)
    said = [
        f"{further(more)[:1].upper()}{further(more)[1:]} more of the test should decide it."
        if more is not None
        else "A longer test alone would not decide it; a steadier temperature or a finer gauge might."
    ]
    if fit is None:
        return said
    if found.apart:
        said.append(
            "The gauges fall differently, so a valve between them is closed: open it, or test each part with its own volume."
        )
    elif watch.settings.volume_l is None and _volume_would(fit, watch):
        said.append(
            "Enter the loop's volume: how much a fall lets out follows from it, and at some usual volumes this is decided."
        )
    if fit.swing_k > _SWINGS:
        said.append(
            f"The thermometer moved by {fit.swing_k:.1f} K, and how far the gas follows it is not known: repeat in the shade or overnight, the "
            "thermometer under insulation on the thickest metal."
        )
    if fit.walk >= _WANDERS and watch.thermometer is not None:
        said.append(
            "The pressure moved in ways the thermometer does not show: keep sun, engine and hands off the loop, or move the thermometer."
        )
    if fit.settling > _SETTLES * fit.start:
        said.append("The gas was still settling after the filling: wait ten minutes before 'isolated'.")
    if fit.step_pa > 0.5 * fit.steady_pa:
        said.append("The gauge's last figure is coarse for this limit: a finer gauge needs less time.")
    if fit.start < watch.settings.test_pressure_pa:
        said.append("A higher pressure within what the loop bears shows the same hole faster.")
    return said


def _volume_would(fit: DecayFit, watch: PressureHold) -> bool:
    bounds = watch.settings.bounds
    return fit.rate.high < bounds.fails or fit.rate.low > bounds.passes
