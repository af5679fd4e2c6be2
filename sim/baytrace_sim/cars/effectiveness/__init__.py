"""A structure of cars: exchangers by effectiveness, a wet coil, a compressor map, inventory by void fraction.

Steady balances instead of the dynamic `loop`'s holdings in time, a desuperheating zone, air recirculating, lines with pressure
drop, receivers and accumulators with spans, fans and clutches that hold back. What both have in common is what physics leaves
no choice in or what both took for usual: liquid comes towards the air's temperature exponentially, air that misses the coil
(but there by a contact factor, here with effectiveness on enthalpies), a slip-ratio void fraction (here with its exponent drawn).
"""

from baytrace_sim.cars.effectiveness.tables import solved_table, table

__all__ = ["solved_table", "table"]
