"""A gauge on a pseudo-terminal, and the daemon that hears it: for faults that need no more."""

import time

from fault_harness import PATIENCE_S, Lines
from nursery import NurseryBench

CONFIG = """
[bench]
name = "bay-1"
elevation_m = 0
journal = "{journal}"
[[instrument]]
name = "gauge"
adapter = "line"
port = "{port}"
{more}
[[instrument.channel]]
role = "system_pressure"
unit = "Pa"
field = 0
"""


class GaugeBench:
    """`a_second` numbered lines, or the gauge given; `rate`: how many times as fast as life the bench's clock is. `more` are
    further settings of the instrument.
    """

    def __init__(self, nursery, folder, a_second=10, *, gauge=None, journal="journal", more="", rate=1.0):
        self.folder, self.gauge, self._rate = folder, gauge or Lines(folder, a_second), rate
        extra = ["--rate", str(rate), "--start-ns", str(time.time_ns())] if rate != 1.0 else []
        config = CONFIG.format(journal=journal, port=self.gauge.link, more=more)
        self.daemon = NurseryBench(nursery, folder, config, extra)

    def up(self):
        return self.daemon.get("/api/bench")["instruments"][0]["state"] == "up"

    def start(self):
        self.daemon.start(PATIENCE_S)
        self.daemon.until(self.up, PATIENCE_S)

    def talk(self, bench_s, while_=lambda: None):
        """The gauge prints for so long, of the bench's time."""
        begun = before = time.monotonic()
        while (now := time.monotonic()) - begun < bench_s / self._rate:
            self.gauge.step(now - before)
            before = now
            while_()
            time.sleep(0.005)

    def close(self):
        if self.daemon.process is not None:
            self.daemon.kill()
        self.gauge.unplug()
