"""How much faster than real time the simulated loop runs on one core: `python tests/benchmarks/loop_speed.py`.

For each design: 20 simulated minutes at one-second steps, best of three; then time to a steady state, and to build a loop.
"""

import sys
import time

from baytrace_sim.loop import DESIGNS, Air, Loop, steady
from baytrace_sim.loop.truth import run


def timed(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main():
    air = Air(303.15, 0.5)
    first = timed(lambda: Loop(next(iter(DESIGNS.values())), air))
    sys.stdout.write(f"first loop (fills the tables): {first:.3f} s\n")
    for key, made in DESIGNS.items():
        building = timed(lambda made=made: Loop(made, air))
        running = min(timed(lambda made=made: run(Loop(made, air), 1200.0)) for _ in range(3))
        settling = timed(lambda made=made: steady(Loop(made, air)))
        sys.stdout.write(
            f"{key[0]:8s} {key[1]:9s} {1200.0 / running:7.0f} times real time,"
            f" steady in {settling:.3f} s, built in {building * 1e3:.1f} ms\n"
        )


if __name__ == "__main__":
    main()
