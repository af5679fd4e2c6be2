"""A hold weighed: fit, comparison with the limits, and how much longer it would take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from baytrace.measure.channel import Channel
from baytrace.physics import outlook
from baytrace.physics.pressure_rise import RiseFit
from baytrace.watches.evacuation.decision import Against, Cause, Limits, cause, compare
from baytrace.watches.evacuation.hold import Hold, fit_hold


@dataclass(frozen=True, slots=True)
class Assessment:
    """`more_s`: further seconds the evidence needs, None when it has no need or even a day would not do."""

    fit: RiseFit | None
    stand: Against | None
    cause: Cause
    seconds: float
    more_s: float | None = None

    @property
    def beyond_saturation(self) -> bool:
        """The rise has passed what vapour could ever reach: only a leak does that."""
        if self.fit is None:
            return False
        return float(self.fit.level(np.array([self.fit.span_s]))[0]) > self.fit.start + 1.05 * self.fit.most_vapour


def weigh(
    hold: Hold, limits: Limits, pressure: Channel | None, temperature: Channel | None, resolution: float, *, ahead: bool
) -> Assessment:
    """`ahead` also asks how long an undecided hold has to go on (costs some ten times the fit)."""
    fit = fit_hold(hold, pressure, temperature, resolution)
    if fit is None:
        return Assessment(None, None, Cause.UNDECIDED, hold.seconds)

    def stands(of: RiseFit) -> Against:
        return compare(of.rate, of.vapour, of.vapour_soon_high, limits)

    stand = stands(fit)
    found = cause(stand)
    more = None
    if ahead and found is Cause.UNDECIDED:
        more = outlook.more_time(fit, hold.period_s, lambda later: cause(stands(later)) is not Cause.UNDECIDED)
    return Assessment(fit, stand, found, hold.seconds, more)
