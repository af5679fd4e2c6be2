"""The pressure pattern of a running loop, and what it points at."""

from baytrace.watches.pressures.watch import PressuresWatch

WATCH = PressuresWatch
