"""The daemon and simulated instruments on one fast clock, the deeds told one by one: a bench for whoever plays the technician."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path

from running_bench import RunningBench

PROGRAM = Path(__file__).with_name("hand_played.py")


class PlayedBench(RunningBench):
    """A running daemon that reads hand-played instruments. `more` is added to its bench.toml, `vacuum` changes the scenario's."""

    def __init__(self, folder, scenario="healthy", *, rate=60.0, more="", vacuum=None):
        self.rate, start_ns = rate, time.time_ns()
        clock = ["--rate", str(rate), "--start-ns", str(start_ns)]
        changed = ["--vacuum", json.dumps(vacuum or {})]
        file = folder / "instruments.toml"
        self._instruments_log = (folder / "instruments.log").open("wb")
        self._instruments = subprocess.Popen(
            [sys.executable, str(PROGRAM), scenario, "--config-out", str(file), *clock, *changed],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._instruments_log,
            text=True,
        )
        self._expect("ready")
        config = re.sub(r"\[web\][^\[]*", "", file.read_text(encoding="utf-8"))
        super().__init__(folder, config + more, extra=clock)

    def _expect(self, event):
        line = self._instruments.stdout.readline()
        assert line, (Path(self._instruments_log.name)).read_text(errors="replace")[-2000:]
        assert json.loads(line)["event"] == event

    def does(self, deed, **keys):
        """The technician's hands: `does("coil", coil=1, for_s=18)`."""
        self._tell({"do": deed, **keys})

    def disturb(self, kind, instrument="", for_s=60.0):
        self._tell({"disturb": kind, "instrument": instrument, "for_s": for_s})

    def _tell(self, line):
        self._instruments.stdin.write(json.dumps(line) + "\n")
        self._instruments.stdin.flush()
        self._expect("done")

    def heard(self):
        """Wait until every channel has a reading."""
        self.until(lambda: all(row["count"] for row in self.get("/api/channels")), 60)
        return self

    def __enter__(self):
        return self.start(within_s=90).heard()

    def __exit__(self, *_):
        if self.process is not None and self.process.poll() is None:
            self.stop()
        elif not self.log.closed:
            self.log.close()
        self._instruments.stdin.close()
        try:
            self._instruments.wait(8)
        except subprocess.TimeoutExpired:
            self._instruments.kill()
            self._instruments.wait()
        self._instruments.stdout.close()
        self._instruments_log.close()
