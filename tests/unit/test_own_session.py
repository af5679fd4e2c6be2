"""Two sessions of one car on a bench: the first is the reference of the second, and the record of it replays."""

import math

from baytrace.bench.config import load_config
from baytrace.bench.daemon import Bench
from baytrace.measure.clock import SystemClock
from baytrace.measure.reading import Raw
from baytrace.records.exporting import export_session
from baytrace.records.verifying import verify_pack
from baytrace.records.vocabulary import Kind

CHANNELS = [
    ("low_side", "psi", "0.5 % of full scale (150 psi)", 83.0, 35.0),
    ("high_side", "psi", "0.5 % of full scale (500 psi)", 83.0, 150.0),
    ("suction_line", "degC", "0.5 K", 27.0, 11.0),
    ("liquid_line", "degC", "0.5 K", 27.0, 37.0),
    ("vent_air", "degC", "0.5 K", 27.0, 10.0),
    ("ambient_air", "degC", "0.5 K", 27.0, 27.0),
    ("ambient_humidity", "%RH", "3 %RH", 50.0, 50.0),
    ("barometer", "hPa", "1 hPa", 1013.0, 1013.0),
]
MARKED = "engine on, idle, doors open, recirculation, blower high"
ASKED = {"vehicle": {"number": "BAY 104"}, "refrigerant": "R134a", "plan": {"pressures": {}}}


class Told(SystemClock):
    """Stands where it was put."""

    def __init__(self):
        self.s = 0.0

    def wall_ns(self):
        return 1_764_061_200_000_000_000 + round(self.s * 1e9)

    def mono_ns(self):
        return 10**12 + round(self.s * 1e9)


def config(folder):
    rows = "".join(
        f'[[instrument.channel]]\nrole = "{role}"\nunit = "{unit}"\naccuracy = "{accuracy}"\nfield = {field}\n'
        for field, (role, unit, accuracy, *_) in enumerate(CHANNELS)
    )
    file = folder / "bench.toml"
    file.write_text(
        f'[bench]\nname = "bay-1"\n[quality]\nrunning_reference = "required"\n[[instrument]]\nname = "logger"\nadapter = "line"\nport = "/dev/none"\nseparator = ","\n{rows}'
    )
    return load_config(file)


async def ran(bench, clock, high_psi=150.0, **asked):
    """A session in which the loop is started and settles; its closing document and its plan."""
    session = await bench.start_session(ASKED | asked)
    plan = bench.session.plan["pressures"]
    for second in range(0, 420, 2):
        clock.s += 2.0
        if second == 60:
            await bench.mark(MARKED)
        share = 1.0 - math.exp(-max(second - 60, 0) / 25.0)
        made = []
        for index, (role, _, _, rest, goal) in enumerate(CHANNELS):
            end = high_psi if role == "high_side" else goal
            ripple = 0.002 * end * math.sin(0.7 * second + index)
            made.append(Raw(role, rest + (end - rest) * share + ripple, clock.wall_ns(), clock.mono_ns(), 0))
        await bench.take("logger", made, None, ())
    await bench.add(Kind.NOTE, {"text": "behind the last reading"})
    closing = await bench.close_session("M. Example")
    clock.s += 3600.0
    return session, plan, closing["verdicts"]["pressures"]


async def test_a_car_is_compared_with_its_own_earlier_session(tmp_path):
    """A bench that requires own figures leaves the first session undecided. Named as sound, it is the reference of the next, in which
    no state changed, and of a third, in which the car has moved and fails. The packs hold the figures they were judged by and
    replay to the same verdict.
    """
    clock = Told()
    async with Bench.running(config(tmp_path), clock) as bench:
        first, plan, verdict = await ran(bench, clock)
        assert plan == {"refrigerant": "R134a", "reference": "required"}
        assert verdict["verdict"] == "undecided", verdict["reasons"]
        assert verdict["own_run"]["conditions"] == {
            "speed": "idle",
            "doors": "open",
            "air": "recirculation",
            "blower": "high",
        }
        second, plan, verdict = await ran(bench, clock, like=first)
        assert plan["own_run"]["session"] == first
        assert sum(reason.endswith("no change that matters.") for reason in verdict["reasons"]) == 5
        assert verdict["verdict"] != "fail", verdict["reasons"]
        third, _, verdict = await ran(bench, clock, high_psi=215.0, like=first)
        assert verdict["verdict"] == "fail", verdict["reasons"]
        assert verdict["evidence"]["own_since_condensing"]["low"] > 6.0
        for session in (second, third):
            report = verify_pack(export_session(bench.journal, session, tmp_path / session, "pack"))
            assert report.good, report.summary()
