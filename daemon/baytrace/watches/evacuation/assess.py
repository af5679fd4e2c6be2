"""A hold weighed: fit, comparison with the limits, and how much longer it would take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from baytrace.measure.channel import Channel
from baytrace.physics import moisture
from baytrace.physics.outlook import Outlook, more_time
from baytrace.physics.pressure_rise import RiseFit
from baytrace.physics.rise_alone import vapour_alone
from baytrace.watches.evacuation.decision import Against, Cause, Limits, cause, compare
from baytrace.watches.evacuation.hold import Hold, fit_hold
from baytrace.watches.evacuation.waiting import time_left
from baytrace.watches.limits_table import limit

_OFF = 4.0
"""Half-widths of tracking that a course off the thermometer's may draw as a slope, at either end and between (from simulated pools)."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """`more`: when the evidence will do, None when it does or even a day would not."""

    fit: RiseFit | None
    stand: Against | None
    cause: Cause
    seconds: float
    more: Outlook | None = None

    def time_left(self, set_s: float) -> float | None:
        """Seconds of hold to come, `set_s` being its set length; None when that is not known well."""
        rest = max(set_s - self.seconds, 0.0)
        if self.cause is not Cause.UNDECIDED or self.fit is None:
            return rest
        return time_left(self.more, rest)

    @property
    def beyond_saturation(self) -> bool:
        """The rise has passed what vapour could ever reach: only a leak does that."""
        if self.fit is None:
            return False
        return float(self.fit.level(np.array([self.fit.span_s]))[0]) > self.fit.start + 1.05 * self.fit.most_vapour


def weigh(
    hold: Hold, limits: Limits, pressure: Channel | None, temperature: Channel | None, resolution: float
) -> Assessment:
    """Without a look ahead."""
    fit = fit_hold(hold, pressure, temperature, resolution)
    if fit is None:
        return Assessment(None, None, Cause.UNDECIDED, hold.seconds)
    stand = _stands(fit, limits)
    if stand.rate == "above" and (_drifting_explains(hold, fit) or _lag_explains(fit, limits)):
        stand = stand._replace(rate="across")
    return Assessment(fit, stand, cause(stand), hold.seconds)


def look_ahead(now: Assessment, limits: Limits) -> Outlook | None:
    """How long an undecided hold has to go on (costs some fifteen times the fit); None for one that need not."""
    if now.cause is not Cause.UNDECIDED or now.fit is None:
        return None
    return more_time(now.fit, lambda later: cause(_stands(later, limits)) is not Cause.UNDECIDED)


def _stands(fit: RiseFit, limits: Limits) -> Against:
    return compare(fit.rate, fit.vapour, fit.vapour_soon_high, limits)


def _drifting_explains(hold: Hold, fit: RiseFit) -> bool:
    """Whether water alone would do for a rise that bends, had the unseen temperature wandered a few thousandths of a kelvin."""
    if fit.problem.path_factors is None:
        return False
    return vapour_alone(hold.cells.means(), fit).kelvin <= float(limit("evacuation.early_kelvin"))


def _lag_explains(fit: RiseFit, limits: Limits) -> bool:
    """Whether water alone would do, were it as far off its thermometer as a lag may put it: saturation then goes a course of its own."""
    if fit.thermal.drift_k > 0.0:
        return False
    off = _OFF * fit.thermal.tracking_k * moisture.sensitivity(fit.thermal.level_k) * fit.vapour.high
    return fit.rate.low - off / fit.span_s <= max(limits.rate, limits.leak)
