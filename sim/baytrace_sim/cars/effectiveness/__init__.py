"""A structure of cars: exchangers by effectiveness, a wet coil, a compressor map, inventory by void fraction."""

from baytrace_sim.cars.effectiveness.tables import solved_table, table

__all__ = ["solved_table", "table"]
