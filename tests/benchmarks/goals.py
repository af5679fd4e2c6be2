# ruff: noqa: T201 - what it prints is the result
"""What was promised of keeping readings, measured in one run, each beside what a user would wire together instead.

    python tests/benchmarks/goals.py [--quick]

Runs, one after the other, the paths (`path_rates`), the latency (`latency`), the journal (`journal_speed`), a day's soak (`soak`) and
the way back into a session of a day (`resume_speed`); their methods stand at the top of each. `--quick`: less of each, 20 minutes
instead of an hour. Exit 1 when a script says that a goal was missed.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

RUNS = {
    "path_rates.py": ([], ["--rounds", "1", "--scale", "0.5"]),
    "latency.py": ([], ["--rounds", "1", "--seconds", "6"]),
    "journal_speed.py": (["--commit", "10"], ["--commit", "60", "--scale", "0.2"]),
    "soak.py": ([], ["--hours", "6"]),
    "resume_speed.py": ([], ["--rounds", "1"]),
}


def main():
    ask = argparse.ArgumentParser(description="What was promised of keeping readings, in one run.")
    ask.add_argument("--quick", action="store_true")
    said = ask.parse_args()
    missed = []
    for script, (whole, quick) in RUNS.items():
        wish = quick if said.quick else whole
        print(f"\n== {script} {' '.join(wish)} (load {os.getloadavg()[0]:.1f})", flush=True)
        if subprocess.run([sys.executable, str(Path(__file__).parent / script), *wish], check=False).returncode:
            missed.append(script)
    print(f"\nsay that a goal was missed: {', '.join(missed) or 'none'}")
    sys.exit(1 if missed else 0)


if __name__ == "__main__":
    main()
