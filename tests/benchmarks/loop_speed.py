"""How much faster than real time the simulated loop runs on one core: `python tests/benchmarks/loop_speed.py`.

For each design: 20 simulated minutes at one-second steps, best of three; then time to a steady state, and to build a loop.
"""

import sys
import time

from baytrace_sim.loop import DESIGNS, Air, design, loop_of, steady
from baytrace_sim.loop.truth import run


def timed(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main():
    air = Air(303.15, 0.5)
    for fluid in ("R134a", "R744"):
        first = timed(lambda fluid=fluid: loop_of(design(refrigerant=fluid), air, refrigerant=fluid))
        sys.stdout.write(f"{fluid}: first loop (fills the tables): {first:.3f} s\n")
        for key in DESIGNS:
            each(key, fluid, air)


def each(key, fluid, air):
    def built():
        return loop_of(design(*key, fluid), air, refrigerant=fluid)

    building = timed(built)
    running = min(timed(lambda: run(built(), 1200.0)) for _ in range(3))
    settling = timed(lambda: steady(built()))
    sys.stdout.write(
        f"{key[0]:8s} {key[1]:9s} {1200.0 / running:7.0f} times real time,"
        f" steady in {settling:.3f} s, built in {building * 1e3:.1f} ms\n"
    )


if __name__ == "__main__":
    main()
