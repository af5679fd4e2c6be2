# ruff: noqa: T201 - what it prints is the result
"""The bench page left open on a busy bench: does its heap grow, and what does it cost?

    python tests/benchmarks/page_soak.py [--minutes 30] [--warm 20] [--channels 20] [--rate 10]

Method. A pseudo-terminal prints `rate` lines a second with `channels` numbers each; a real daemon keeps and judges them (a session
with the pressures watch runs, so that the trend draws low and high side); the system's Chromium, headless and without a GPU, shows
the page at 1920 x 1080. Nothing else is done with the page. Through the DevTools protocol, every quarter minute:

- heap: `HeapProfiler.collectGarbage`, then `Runtime.getHeapUsage` (used bytes of the page's JavaScript heap) and
  `Memory.getDOMCounters` (nodes and listeners); three times, a second apart, and the lowest counts: a frame that is just being
  drawn holds up to 1.5 MB more;
- CPU: `SystemInfo.getProcessInfo`, cumulated CPU seconds of Chromium's processes. The page's share is the renderer's seconds over
  the wall seconds of the run; the whole browser's, all processes', is given beside it. On a busy machine CPU seconds still count
  the page's own work, but a starved page is also given fewer frames, so frames drawn are counted and printed: 2 a second are due.

The first `--warm` minutes are left out of everything: code is compiled, and the trend's window of 15 minutes fills and begins to
roll. Then `--minutes` are measured. The slope is the Theil-Sen line through the rest, with its 95 % interval; a heap that does not grow has an interval that holds zero, or a slope so
small that it would take a week to add `HARMLESS_MB`. Exit 1 when the heap grows or the page takes more than a third of a core.
"""

import argparse
import os
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from playwright.sync_api import sync_playwright
from scipy.stats import theilslopes

from browser_kit import FLAGS, WIDTHS
from running_bench import RunningBench
from servers import need, pseudo_terminal

SAMPLE_S = 13.0
LOOKS = 3
HARMLESS_MB = 50.0
WEEK_MIN = 7 * 24 * 60
ROLES = [
    ("low_side", "bar"),
    ("high_side", "bar"),
    ("suction_line", "degC"),
    ("liquid_line", "degC"),
    ("vent_air", "degC"),
]


def bench_text(port, channels):
    """One instrument that prints `channels` numbers a line."""
    text = (
        f'[bench]\nname = "soak"\nelevation_m = 0\n[[instrument]]\nname = "logger"\nadapter = "line"\nport = "{port}"\n'
    )
    text += 'separator = ","\nperiod_s = 0.1\nlongest = 4096\n'
    for field in range(channels):
        role, unit = ROLES[field] if field < len(ROLES) else ("auxiliary", "V")
        name = role if field < len(ROLES) else f"aux {field}"
        text += f'[[instrument.channel]]\nname = "{name}"\nrole = "{role}"\nunit = "{unit}"\nfield = {field}\n'
    return text


class Logger(threading.Thread):
    """Prints lines until `over` is set."""

    def __init__(self, terminal, channels, rate):
        super().__init__(daemon=True)
        self.terminal, self.channels, self.rate = terminal, channels, rate
        self.over, self.lines, self.refused = threading.Event(), 0, 0

    def run(self):
        rng, begun = np.random.default_rng(7), time.monotonic()
        middle = np.array([2.0, 14.0, 8.0, 40.0, 9.0] + [5.0] * max(0, self.channels - 5))[: self.channels]
        while not self.over.is_set():
            if self.lines < (time.monotonic() - begun) * self.rate:
                values = middle * (1.0 + 0.02 * np.sin(self.lines / 300.0)) + rng.normal(0.0, 0.02, self.channels)
                try:
                    self.terminal.write((",".join(f"{value:.3f}" for value in values) + "\n").encode())
                except BlockingIOError:
                    self.refused += 1
                self.lines += 1
            self.over.wait(0.02)


class Meter:
    """Heap and CPU of one page, by the DevTools protocol."""

    def __init__(self, browser, page):
        self.of_browser, self.of_page = browser.new_browser_cdp_session(), page.context.new_cdp_session(page)
        self.of_page.send("HeapProfiler.enable")

    def cpu_s(self):
        """(renderers, all processes) in CPU seconds so far."""
        rows = self.of_browser.send("SystemInfo.getProcessInfo")["processInfo"]
        return sum(row["cpuTime"] for row in rows if row["type"] == "renderer"), sum(row["cpuTime"] for row in rows)

    def heap(self):
        """The lowest of LOOKS, a second apart: (used MB after a collection, DOM nodes, listeners)."""
        looks = []
        for _ in range(LOOKS):
            looks.append(self._look())
            time.sleep(1.0)
        return min(looks)

    def _look(self):
        self.of_page.send("HeapProfiler.collectGarbage")
        used = self.of_page.send("Runtime.getHeapUsage")["usedSize"]
        counted = self.of_page.send("Memory.getDOMCounters")
        return used / 1e6, counted["nodes"], counted["jsEventListeners"]


COUNT_FRAMES = """
() => { window.framesSeen = 0; const Real = window.EventSource;
  window.EventSource = class extends Real { constructor(...given) { super(...given); this.addEventListener("frame", () => { window.framesSeen += 1; }); } }; }
"""


def soak(minutes, channels, rate):
    """Rows of (minute, heap MB, DOM nodes, listeners, renderer CPU s, all CPU s, frames) over the run, the first at its start."""
    rows = []
    with tempfile.TemporaryDirectory() as folder, pseudo_terminal() as terminal, sync_playwright() as playwright:
        logger = Logger(terminal, channels, rate)
        bench = RunningBench(Path(folder), bench_text(terminal.name, channels)).start(within_s=120)
        logger.start()
        browser = playwright.chromium.launch(executable_path=need("chromium"), args=FLAGS)
        try:
            bench.until(lambda: bench.channel("low_side")["count"] > 20, 60)
            bench.post("/api/sessions", {"title": "soak", "refrigerant": "R134a", "plan": {"pressures": {}}})
            across, down = WIDTHS["desk"]
            page = browser.new_page(viewport={"width": across, "height": down})
            page.add_init_script(f"({COUNT_FRAMES})()")
            page.goto(bench.url + "/")
            page.locator("canvas").first.wait_for(timeout=60_000)
            meter, begun = Meter(browser, page), time.monotonic()
            while True:
                minute = (time.monotonic() - begun) / 60.0
                rows.append((minute, *meter.heap(), *meter.cpu_s(), page.evaluate("() => window.framesSeen")))
                print(
                    "{:6.2f} min  heap {:7.3f} MB  {:6d} nodes  {:4d} listeners  CPU {:7.2f} / {:7.2f} s  {:6d} frames".format(
                        *rows[-1]
                    ),
                    flush=True,
                )
                if minute >= minutes:
                    break
                page.wait_for_timeout(SAMPLE_S * 1000)
            heard = bench.channel("low_side")["count"]
            print(f"{heard} of {logger.lines} lines heard, {logger.refused} refused by a full pseudo-terminal")
        finally:
            browser.close()
            logger.over.set()
            logger.join()
            bench.stop()
    return rows


def main():
    said = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    said.add_argument("--minutes", type=float, default=30.0)
    said.add_argument("--warm", type=float, default=20.0)
    said.add_argument("--channels", type=int, default=20)
    said.add_argument("--rate", type=float, default=10.0)
    given = said.parse_args()
    print(f"load at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    rows = np.array(soak(given.warm + given.minutes, given.channels, given.rate))
    print(f"load at the end: {os.getloadavg()[0]:.1f}")
    rows = rows[rows[:, 0] >= given.warm]
    slope, _, low, high = theilslopes(rows[:, 1], rows[:, 0])
    took_s = (rows[-1, 0] - rows[0, 0]) * 60.0
    page_share, whole_share = (rows[-1, 4] - rows[0, 4]) / took_s, (rows[-1, 5] - rows[0, 5]) / took_s
    frames = (rows[-1, 6] - rows[0, 6]) / took_s
    grows = low > 0.0 and slope * WEEK_MIN > HARMLESS_MB
    print(
        f"heap {rows[0, 1]:.2f} -> {rows[-1, 1]:.2f} MB, slope {slope * 60:+.3f} MB/h (95 %: {low * 60:+.3f} to {high * 60:+.3f})"
    )
    print(
        f"CPU of the page {page_share:.3f} of a core, of the whole browser {whole_share:.3f}; {frames:.2f} frames a second"
    )
    print(
        "the heap grows" if grows else "the heap does not grow",
        "and",
        "the page is too dear" if page_share > 1 / 3 else "the page is cheap enough",
    )
    return int(grows or page_share > 1 / 3)


if __name__ == "__main__":
    sys.exit(main())
