"""The sweep: one coil after another on one ohmmeter, found by itself or named by mark; then the odd one out of the bank.

Findings of a coil: within, low, high, open, short, unsteady, undecided, missing. Of the sweep: `all within`; `coil 3 high` or
`coils 2 low, 5 open`; `no coil seen`; `undecided`. Pass when every coil is within and the count is right, fail when any coil is
surely low, high, open or short, else undecided. The odd one out is evidence, not a verdict: it is told, never failed.

Parts: `settings`, `contacts` (touches and bounces), `steady` (what the meter settled on), `naming` (which contact is which
coil), `coil` (uncertainty and limits), `follow` (the watch).
"""

from baytrace.watches.sweep.follow import Sweep
from baytrace.watches.sweep.settings import SweepSettings, families

__all__ = ["WATCH", "Sweep", "SweepSettings", "families"]

WATCH = Sweep
