"""Simulated instruments on real wires whose technician is whoever writes on standard input.

    python hand_played.py SCENARIO --config-out bench.toml --rate 60 --start-ns NS [--vacuum '{"water_g": 0}']

Everything of the scenario counts (`--vacuum` changes its vacuum) but its script: each line read is one deed as JSON, in the words of a scenario's step, such as
`{"do": "pump on"}` or `{"do": "coil", "coil": 1, "for_s": 18}`, done at once; `{"disturb": "silence", "instrument": "tank scale",
"for_s": 60}` disturbs. No mark is said: marks are the page's. `ready` and, for each line, `done` are printed as JSON lines.
"""

import argparse
import asyncio
import json
import sys
from dataclasses import replace
from pathlib import Path

from baytrace.bench.signals import stop_on_signals
from baytrace.measure.clock import FastClock
from baytrace_sim import runner
from baytrace_sim.scenario import Disturbance, scenario_named
from baytrace_sim.script import Script, Step

SOAKED_S = 40.0
"""The first wait of the stock jobs."""
STANDING = [Step(do="wait", for_s=1e7, mark="")]
"""A script without deeds: the plant stands until a line comes."""


class Hands(runner.Stage):
    """The stage, with deeds put into its script as they are told."""

    def __init__(self, scenario, clock):
        super().__init__(scenario, clock)
        self._begun = False
        stages.append(self)

    def told(self, line):
        now, said = self.script_s(), json.loads(line)
        if "disturb" in said:
            kind = said.pop("disturb")
            self.readings.scenario.disturbance.append(Disturbance(kind=kind, at_s=now, **said))
            return
        if not self._begun:
            # an open loop soaks its desiccant: however long the technician took to come, it does so as long as in the stock jobs
            self._begun, self.plant.vessel = True, self.plant._vessel()
            self.plant.vessel.step(SOAKED_S, pumping=False)
        own, script = Script([Step(**said)]), self.plant.script
        script.deeds += [deed._replace(at_s=deed.at_s + now, mark="") for deed in own.deeds]
        script.contacts += [replace(each, start_s=each.start_s + now, end_s=each.end_s + now) for each in own.contacts]


stages = []


def tell(event):
    sys.stdout.write(json.dumps({"event": event}) + "\n")
    sys.stdout.flush()


async def listen():
    while line := await asyncio.to_thread(sys.stdin.readline):
        stages[0].told(line)
        tell("done")


async def main(scenario, vacuum, config_out, clock):
    stop = asyncio.Event()
    stop_on_signals(stop)
    runner.Stage = Hands
    changed = {"step": STANDING, "disturbance": list(scenario.disturbance)}
    own = scenario.model_copy(update=changed | {"vacuum": scenario.vacuum.model_copy(update=vacuum)})
    playing = runner.run(own, clock=clock, broker=None, config_out=config_out, on_ready=lambda: tell("ready"))
    tasks = [asyncio.create_task(job) for job in (playing, listen(), stop.wait())]
    await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


if __name__ == "__main__":
    said = argparse.ArgumentParser()
    said.add_argument("scenario")
    said.add_argument("--config-out", type=Path, required=True)
    said.add_argument("--vacuum", type=json.loads, default={})
    said.add_argument("--rate", type=float, default=60.0)
    said.add_argument("--start-ns", type=int, required=True)
    given = said.parse_args()
    timing = FastClock(given.rate, given.start_ns)
    asyncio.run(main(scenario_named(given.scenario), given.vacuum, given.config_out, timing))
