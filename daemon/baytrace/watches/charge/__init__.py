"""The charge: mass by the tank scale, settled or not, and what the running loop then says of it."""

from baytrace.watches.charge.watch import ChargeWatch

WATCH = ChargeWatch
