"""A car's air-conditioning loop with real refrigerant properties, from evacuated to settled, with faults as parameters."""

from baytrace_sim.loop.air import Air
from baytrace_sim.loop.design import DESIGNS, Faults, LoopDesign, design
from baytrace_sim.loop.loop import HeatBalance, Loop
from baytrace_sim.loop.steady import Steady, steady

__all__ = ["DESIGNS", "Air", "Faults", "HeatBalance", "Loop", "LoopDesign", "Steady", "design", "steady"]
