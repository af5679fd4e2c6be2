"""A leak that is certain before the set time: only a pass needs the whole hold."""

from __future__ import annotations

from baytrace.physics.rise_alone import vapour_alone
from baytrace.watches.evacuation.assess import Assessment
from baytrace.watches.evacuation.decision import Cause
from baytrace.watches.evacuation.hold import Hold
from baytrace.watches.limits_table import limit


def certain_early(hold: Hold, weighed: Assessment) -> bool:
    """Whether nothing but a leak explains the rise.

    Never where the isolation was only seen in the curve: a pump that stalls looks like a turn.
    """
    if not hold.marked or weighed.fit is None or weighed.cause not in {Cause.LEAK, Cause.LEAK_AND_MOISTURE}:
        return False
    if hold.seconds < limit("evacuation.shortest_proof") or hold.cells.readings < limit("evacuation.fewest_readings"):
        return False
    alone = vapour_alone(hold.cells.means(), weighed.fit)
    return bool(alone.sigmas > limit("evacuation.early_sigmas") and alone.kelvin > limit("evacuation.early_kelvin"))
