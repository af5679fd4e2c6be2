"""What a bench does not need it does not load."""

import subprocess
import sys

from baytrace.cli import names, summary

HEAVY = ("CoolProp", "pyarrow", "typst", "influxdb_client", "bokeh", "scipy.optimize", "scipy.stats", "matplotlib")
"Packages of tens of MB, or of seconds."

START = f"""
import sys
from pathlib import Path
import baytrace.commands.serve
from baytrace.bench.config import load_config
load_config(Path({{file!r}}))
print(*[name for name in {HEAVY!r} if name in sys.modules])
"""

BENCH = """
[bench]
name = "bay-1"
elevation_m = 0
[[instrument]]
name = "gauge"
adapter = "line"
port = "/dev/none"
[[instrument.channel]]
role = "system_pressure"
unit = "Pa"
field = 0
"""


def test_a_bench_without_refrigerants_starts_without_heavy_packages(tmp_path):
    """Neither the memory nor the seconds of packages that only exports, refrigerants or a server need."""
    file = tmp_path / "bench.toml"
    file.write_text(BENCH)
    told = subprocess.run(
        [sys.executable, "-c", START.format(file=str(file))], check=True, capture_output=True, text=True
    )
    assert told.stdout.split() == []


COUNT = "import resource as r,subprocess,sys;subprocess.run(sys.argv[1:],capture_output=True);u=r.getrusage(r.RUSAGE_CHILDREN);print(u.ru_utime+u.ru_stime)"


def cpu_s(*command):
    """CPU time of a command, the least of three (s)."""
    return min(
        float(
            subprocess.run([sys.executable, "-c", COUNT, *command], check=True, capture_output=True, text=True).stdout
        )
        for _ in range(3)
    )


def test_commands_answer_at_once():
    """CPU time against what it takes to load numpy (some 0.1 s): help, version and ports load next to nothing, a wrong
    configuration and an unread journal are told without the heavy packages.
    """
    numpy, here = cpu_s(sys.executable, "-c", "import numpy"), [sys.executable, "-m", "baytrace"]
    for words, times in (
        (["--help"], 4),
        (["--version"], 4),
        (["ports"], 5),
        (["check", "--config", "nowhere.toml"], 12),
        (["sessions", "--journal", "nowhere"], 12),
        (["judge", "nowhere.csv", "--watch", "sweep"], 16),
    ):
        assert cpu_s(*here, *words) < times * numpy + 0.05, words


def test_every_command_says_what_it_is_for_in_its_first_line():
    """The list of commands is told without importing them, from their modules' first lines."""
    for name in names():
        assert summary(name).endswith((".", "?")), name
