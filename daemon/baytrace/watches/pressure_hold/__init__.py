"""The standing test: a loop filled with dry nitrogen, shut off, and watched for a fall that temperature does not explain."""

from baytrace.watches.pressure_hold.watch import PressureHold

WATCH = PressureHold

__all__ = ["WATCH", "PressureHold"]
