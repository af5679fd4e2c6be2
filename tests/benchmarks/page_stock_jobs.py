# ruff: noqa: T201 - what it prints is the result
"""The stock jobs worked on the page from start to verified pack, at their own lengths, on a fast clock.

    python tests/benchmarks/page_stock_jobs.py [healthy leak ...] [--at desk] [--rate 20] [--pictures DIR]

Method. The scenario's instruments are on real wires; the daemon and the system's Chromium run beside them. The technician starts
the session from a preset made of the scenario's own plan, says each mark of its script on the page at its instant, ends, signs,
downloads the pack and has `baytrace verify` check it with the bench's key. Every watch must find what the scenario is about. What
the page says is printed as it changes, with the bench's time; anything that is cut, overlaps, scrolls sideways, is too small to
hit or is a barrier (axe-core) is printed too. `--at` is the width it is worked at: desk, tablet or phone. `--pictures` takes the
bench page in each phase, and every other page, at three widths.

A machine that cannot keep up makes gaps in the readings, which no hold passes over: take a lower rate then. Exit 1 when a finding
is not the scenario's, the pack does not verify, a page complains or a misfit was seen.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from baytrace_sim.bench_file import toml_value
from baytrace_sim.scenario import scenario_named
from browser_kit import WIDTHS, Technician, Visit, chromium
from page_checks import barriers, misfits
from played_bench import PlayedBench

CALLS = """
[[limit]]
name = "High side above its usual"
channel = "high_side"
high = 1300
unit = "kPa"
priority = "high"
text = "Look at the condenser's fan."
"""
"Calls while a sound loop runs, so that an alarm is seen and answered."
FOLLOW_S = 10.0
"""Bench seconds between two looks at the page."""


def as_preset(scenario):
    """The scenario's job as a preset of a shop."""
    lines = ["[preset.stock]", 'title = "The stock job"', f'job = "{scenario.job}"']
    lines += [f'refrigerant = "{scenario.refrigerant}"']
    lines += [f"label_g = {scenario.label_g}"] if scenario.label_g else []
    lines += [f'vehicle = {{ model = "{scenario.vehicle.name}", number = "{scenario.vehicle.plate}" }}']
    for watch, settings in scenario.plan.items():
        lines += [f"[preset.stock.plan.{watch}]", *(f"{key} = {toml_value(value)}" for key, value in settings.items())]
    return "\n".join(lines) + "\n"


class Tour:
    """Looks at the pages, at every width where pictures are wanted."""

    def __init__(self, browser, bench, name, folder, at):
        self.name, self.folder, self.seen = name, folder, []
        widths = list(WIDTHS) if folder else [at]
        self.visits = {width: Visit(browser, bench.url, width) for width in widths}
        for visit in self.visits.values():
            visit.open("/")

    def look(self, what, path=None):
        for width, visit in self.visits.items():
            page = visit.page
            if path is not None:
                visit.open(path)
                page.wait_for_timeout(1500)
            found = [*misfits(page), *(barriers(page) if path is not None else [])]
            self.seen += [f"{what}: {line}" for line in found]
            if self.folder:
                self.folder.mkdir(parents=True, exist_ok=True)
                page.screenshot(path=self.folder / f"{self.name}-{what.replace(' ', '-')}-{width}.png", full_page=True)

    def complaints(self):
        return [line for visit in self.visits.values() for line in visit.complained()]


class Story:
    """Prints what the page says as it changes, with the bench's time since the start."""

    def __init__(self, bench, page):
        self._bench, self._page, self._said, self._began = bench, page, "", time.monotonic()

    def follow(self, for_s):
        """Let so many bench seconds pass."""
        end = time.monotonic() + for_s / self._bench.rate
        while True:
            said = self._page.locator("#now-title").inner_text() + ": " + self._page.locator("#sentence").inner_text()
            shape = re.sub(r"[\d.,]+", "#", said)
            if shape != self._said:
                self._said = shape
                minutes = (time.monotonic() - self._began) * self._bench.rate / 60
                print(f"  {minutes:5.1f} min  {said}", flush=True)
            left = end - time.monotonic()
            if left <= 0:
                return
            self._page.wait_for_timeout(1000 * min(left, FOLLOW_S / self._bench.rate))


def answers(kim):
    """Acknowledge what calls, if anything does."""
    calling = kim.calling("above its usual")
    if calling.count():
        kim.acknowledges("above its usual", "the fan runs")
        print("         the alarm was acknowledged with name and comment", flush=True)


def works(kim, bench, scenario, tour, story):
    """Each deed of the script at its instant: said on the page, then done."""
    now = 0.0
    for timed in scenario.script.deeds:
        story.follow(timed.at_s - now)
        now = max(now, timed.at_s)
        if timed.mark:
            kim.marks(timed.mark)
        if timed.do is not None and timed.do != "wait":
            keys = timed.step.model_dump(exclude={"do", "mark", "for_s"}, exclude_defaults=True)
            keys |= {"for_s": timed.step.for_s} if timed.do == "coil" else {}
            bench.does(str(timed.do), **keys)
        after = {"pump on": 300, "isolate": 420, "charge": 200, "engine fast": 420, "coil": 22}.get(str(timed.do), 0)
        if after and not (timed.do == "coil" and timed.step.coil != 2):
            story.follow(after)
            now += after
            tour.look(f"{timed.do} underway")
            answers(kim)
    story.follow(scenario.script.length_s - now)


def verified(bench, pack):
    command = [sys.executable, "-m", "baytrace", "verify", str(pack), "--keys", str(bench.folder / "keys")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    print("  " + done.stdout.strip().replace("\n", "\n  "))
    return done.returncode == 0


def job(browser, name, rate, pictures, folder, at):
    """Whether all was as the scenario has it."""
    scenario = scenario_named(name)
    print(f"{name}: {scenario.summary}; {scenario.script.length_s / 60:.0f} min at {rate:g} times life", flush=True)
    more = as_preset(scenario) + (CALLS if "transmitters" in " ".join(scenario.uses) else "")
    with PlayedBench(folder, name, rate=rate, more=more) as bench:
        tour = Tour(browser, bench, name, pictures, at)
        tour.look("no session")
        kim = Technician(tour.visits[at])
        kim.starts(scenario.job, preset="The stock job")
        story = Story(bench, kim.page)
        works(kim, bench, scenario, tour, story)
        found = {each["watch"]: each["verdict"]["finding"] for each in bench.get("/api/frame")["watches"]}
        kim.page.get_by_role("link", name="Steps, sheet, verdicts").click()
        kim.page.wait_for_timeout(2000)
        record = kim.page.url.removeprefix(bench.url)
        kim.page.get_by_role("link", name="Bench", exact=True).click()
        kim.ends("as it stands")
        kim.signs("seen")
        pack = kim.takes("Trace pack", folder)
        for what, path in (("session", record), ("sessions", "/sessions"), ("manual", "/manual")):
            tour.look(what, path)
        sound = verified(bench, pack)
        seen, complaints = sorted(set(tour.seen)), tour.complaints()
    wrong = {watch: finding for watch, finding in found.items() if finding != scenario.expect.get(watch, finding)}
    print(f"  found: {found}; {'all as meant' if not wrong else f'NOT as meant: {scenario.expect}'}")
    for line in [*seen, *complaints]:
        print(f"  ! {line}")
    return sound and not wrong and not seen and not complaints


def main():
    said = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    said.add_argument("scenario", nargs="*", default=["healthy", "leak"])
    said.add_argument("--at", choices=list(WIDTHS), default="desk")
    said.add_argument("--rate", type=float, default=20.0)
    said.add_argument("--pictures", type=Path)
    given = said.parse_args()
    good = True
    with chromium() as browser:
        for name in given.scenario:
            with tempfile.TemporaryDirectory(prefix="stock-job-") as folder:
                good &= job(browser, name, given.rate, given.pictures, Path(folder), given.at)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
