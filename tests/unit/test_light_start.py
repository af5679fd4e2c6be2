"""What a bench does not need it does not load."""

import subprocess
import sys

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
