"""What is still owed after a hold: a detector check where it could miss too much, the volume where a verdict hangs on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from baytrace.physics import leak
from baytrace.watches.evacuation import wording
from baytrace.watches.evacuation.assess import Assessment
from baytrace.watches.limits_table import limit

if TYPE_CHECKING:
    from baytrace.watches.evacuation.watch import Evacuation


def gross_alone(watch: Evacuation, weighed: Assessment) -> list[str]:
    """What a hold cannot see may still be many times what a loop may lose in a year."""
    fit, litres = weighed.fit, watch.settings.volume_l
    allowed = float(limit("evacuation.yearly_loss"))
    if fit is None:
        return []
    most = fit.rate.high * (litres if litres is not None else float(limit("evacuation.most_volume_l"))) * 1e-3
    if watch.gas is None:
        return [
            f"No gross leak: what this hold could miss is {most:.1g} Pa m3/s of air, so a detector check is still owed."
        ]
    loss = leak.yearly_loss(most, watch.gas, watch.settings.ambient_pa).laminar
    if loss <= allowed:
        return []
    missed = f"what this hold could miss may be {wording.plain(loss)} g a year of {watch.gas.name}"
    allows = f"{allowed:.0f} g is allowed (Directive 2006/40/EC, one evaporator)"
    return [f"No gross leak; a detector check is still owed: {missed}, and {allows}."]


def volume_words(watch: Evacuation, weighed: Assessment) -> list[str]:
    if (
        watch.settings.volume_l is not None
        or weighed.fit is None
        or weighed.stand is None
        or weighed.stand.rate != "across"
    ):
        return []
    rate = weighed.fit.rate
    if rate.high < watch.limits.leak or rate.low > watch.limits.rate:
        return [
            "Enter the loop's volume (volume_l): how much air a rise is follows from it, and at some usual volumes this is decided."
        ]
    return []
