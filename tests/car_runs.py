"""A follower that has seen runs of one car with work on the loop between them."""

import numpy as np

from baytrace.measure.reading import Mark
from baytrace.measure.roles import Role
from baytrace.physics.fluid_names import resolve
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.follow import RunningFollower
from baytrace.watches.running.own import own_judgement
from charge_bench import items, relaxing, view

R134A = resolve("R134a")
NS = 1_000_000_000
MARKED = "engine on, idle, doors shut, recirculation, blower high"


def session(*runs, between=("engine off", "recovered", "charge start", "charge end"), marked=MARKED):
    """A follower that has seen one run after another, each a `running` of `relaxing`, with work on the loop in between."""
    settings = PressuresSettings(refrigerant="R134a", ambient_humidity=0.5)
    follower = RunningFollower(settings.bands(), view())
    for number, running in enumerate(runs):
        from_s = 1000.0 * number
        times = np.arange(0.0, 600.0, 2.0)
        columns = relaxing(times, 30.0, tau=25.0, running={k: v for k, v in running.items() if k != "air"})
        columns[Role.AMBIENT_AIR] = np.full(len(times), running.get("air", 27.0))
        marks = [(30.0, running.get("marked", marked)), *[(600.0 + 20.0 * n, text) for n, text in enumerate(between)]]
        for item in items(times, columns, [(at, text) for at, text in marks if number + 1 < len(runs) or at < 600.0]):
            moved = (
                item._replace(time_ns=item.time_ns + round(from_s * NS))
                if not isinstance(item, Mark)
                else Mark(item.time_ns + round(from_s * NS), item.text)
            )
            (follower.mark if isinstance(item, Mark) else follower.reading)(moved)
    return follower


def judged(follower, **settings):
    return own_judgement(
        follower, follower.judged(), R134A, PressuresSettings(refrigerant="R134a", ambient_humidity=0.5, **settings)
    )
