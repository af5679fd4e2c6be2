"""The pictures of the manual, drawn from the simulator and judged by the very watches: seeded, the same bytes every time.

    python tests/benchmarks/manual_pictures.py [--to DIR] [NAME ...]

The truth of a hold is the simulator's vessel, of a running loop its loop, of the coils its bank and its hand. What is drawn over
the readings is what the watches say of them. Without NAME all are drawn, into the manual's own folder.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

from manual_pictures_hold import HOLD
from manual_pictures_loop import LOOP
from manual_pictures_signals import SIGNALS

from baytrace.records.report.svg import Picture, drawn

PICTURES: dict[str, Callable[[], Picture]] = HOLD | LOOP | SIGNALS


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    here = Path(str(files("baytrace_dashboards"))) / "manual" / "pictures"
    parser.add_argument("--to", type=Path, default=here, help="folder to write to")
    parser.add_argument("names", nargs="*", choices=[[], *PICTURES], help="only these")
    asked = parser.parse_args()
    asked.to.mkdir(parents=True, exist_ok=True)
    for name in asked.names or PICTURES:
        text = drawn(PICTURES[name]()) + "\n"
        (asked.to / f"{name}.svg").write_text(text, encoding="utf-8")
        sys.stdout.write(f"{name}: {len(text.encode()) / 1000:.0f} kB\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
