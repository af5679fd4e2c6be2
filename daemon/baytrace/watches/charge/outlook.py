"""What the scale, the hose and the settings let a charge come to, said before it begins.

Rules of this file:
- A charge passes when its whole 95 % interval lies within the tolerance. The narrowest interval that a bench can give is that of its
  scale's limits of error at both ends, the display's rounding, and the hose: if that is wider than the tolerance, no charge can pass.
- Who charges with such a bench is told so while nothing has gone in yet, and what would help.
"""

from __future__ import annotations

import math

from baytrace.measure.channel import Channel
from baytrace.measure.uncertainty import K95
from baytrace.watches.charge.mass import scale_variance
from baytrace.watches.charge.settings import ChargeSettings

_HARD_TO_HIT = 0.3  # share of the tolerance: a charge that must come closer than this to its label is hard to hit


def prospects(settings: ChargeSettings, scale: Channel | None, resolution_kg: float) -> list[str]:
    """Sentences without a full stop on what keeps a charge from passing; none where nothing does. `resolution_kg` is the display's
    step as far as it was seen.
    """
    if scale is None:
        return ["without a scale nothing is weighed, so the charge may settle but not pass"]
    if settings.label_g is None:
        return ["no label charge is set, so the charge is weighed and may settle but not pass"]
    said, hose = [], settings.hose_held()
    if hose.below_kg * 1e3 > 0.5 * settings.tolerance_g:
        said.append(hose_unknown(hose.below_kg))
    variance = scale_variance(scale, settings.label_g * 1e-3) + resolution_kg**2 / 6.0 + hose.half_kg**2 / 3.0
    half, allowed = K95 * math.sqrt(variance) * 1e3, settings.tolerance_g
    if half > allowed:
        finer = allowed / half * math.sqrt(3.0 * 0.5 * variance) * 1e3
        said.append(
            f"with this scale no charge can pass: it weighs to ± {half:.0f} g at best, and {allowed:.0f} g either way is allowed; "
            f"take one with limits of error below {finer:.1g} g"
        )
    elif allowed - half < _HARD_TO_HIT * allowed:
        said.append(
            f"this scale weighs to ± {half:.0f} g at best, so only a charge within {max(allowed - half, 0.0):.0f} g of the label can pass"
        )
    return said


def hose_unknown(most_kg: float) -> str:
    """What is missing where nobody said how the hose was left."""
    return (
        f"nobody said how the hose is left, and up to {most_kg * 1e3:.0f} g may stay in it: set 'hose' (emptied into the car, or full "
        "before and after), or 'hose_g' if it was weighed"
    )
