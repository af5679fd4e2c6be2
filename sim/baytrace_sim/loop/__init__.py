"""A car's air-conditioning loop with real refrigerant properties, from evacuated to settled, with faults as parameters."""

from baytrace.physics.fluid_names import resolve
from baytrace_sim.loop.air import Air
from baytrace_sim.loop.base import HeatBalance, LoopBase
from baytrace_sim.loop.design import DESIGNS, Faults, LoopDesign, design
from baytrace_sim.loop.loop import Loop
from baytrace_sim.loop.steady import Steady, steady
from baytrace_sim.loop.transcritical import TranscriticalLoop


def loop_of(
    made: LoopDesign, air: Air, faults: Faults | None = None, charge_kg: float | None = None, refrigerant: str = "R134a"
) -> LoopBase:
    """The loop that suits the refrigerant: `Loop`, or `TranscriticalLoop` where the high side lies above the critical point."""
    kind = TranscriticalLoop if resolve(refrigerant).transcritical else Loop
    return kind(made, air, faults, charge_kg, refrigerant)


__all__ = [
    "DESIGNS", "Air", "Faults", "HeatBalance", "Loop", "LoopBase", "LoopDesign", "Steady", "TranscriticalLoop", "design",
    "loop_of", "steady",
]  # fmt: skip
