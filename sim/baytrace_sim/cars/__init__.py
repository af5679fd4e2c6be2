"""Many cars in steady state, sound and with faults, by loop models that differ in structure from each other and from `loop`.

A structure is a public module here that defines `table(cars, seed) -> Table`; its name is the structure's name. Nothing lists
them: `structures()` walks the package.
"""

from baytrace_sim.cars.states import CAUSES, HEADER, SIGNS, SOUND, State, Table, structures, write

__all__ = ["CAUSES", "HEADER", "SIGNS", "SOUND", "State", "Table", "structures", "write"]
