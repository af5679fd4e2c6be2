"""A maker's published running tables against what the watches expect under the tables' own conditions.

Nissan R35 electronic service manual (2010), heater and air conditioning, test reading: shade, doors shut, windows and hood
open, coldest, face vents, recirculation, blower fastest, idle, after 10 min; R134a; kPa gauge. One car, not a standard: each cell must lie
inside what a sound car may show, and none may fail.
"""

import numpy as np
import pytest

from baytrace.measure.roles import Role
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA
from baytrace.measure.verdict import Outcome
from baytrace.physics.fluid_names import resolve
from baytrace.watches.pressures.expect import expected
from baytrace.watches.pressures.settings import PressuresSettings
from baytrace.watches.running.figures import Value
from charge_bench import PSI, fed, items, relaxing

VENT = [
    (20, (50, 60), (6.0, 8.0)),
    (25, (50, 60), (8.4, 10.9)),
    (30, (50, 60), (14.5, 17.5)),
    (20, (60, 70), (7.1, 9.1)),
]
PRESSURE = [(25, (171, 209), (1204, 1471)), (35, (229, 280), (1500, 1820))]
STANDING = {25: 82.0, 35: 114.0}
TIMES = np.arange(0.0, 480.0, 1.0)


@pytest.mark.parametrize(("celsius", "low", "high"), PRESSURE)
@pytest.mark.parametrize("percent", [50, 60, 70])
def test_every_published_pressure_lies_in_the_usual_range(celsius, low, high, percent):
    """Both ends of both cells, at every humidity of the table, with the thermometer's interval counted against them."""
    own = PressuresSettings(refrigerant="R134a")
    wanted = expected(resolve("R134a"), own, Value(celsius + 273.15, 0.3), percent / 100)
    for cell, side in ((low, wanted.low_side), (high, wanted.high_side)):
        ends = [1e3 * kpa + STANDARD_ATMOSPHERE_PA for kpa in cell]
        assert side.low <= ends[0]
        assert ends[1] <= side.high


def running(celsius, low_kpa, high_kpa):
    psi = {"low": 1e3 * low_kpa / PSI, "high": 1e3 * high_kpa / PSI}
    rest = dict.fromkeys(psi, STANDING[celsius])
    columns = relaxing(TIMES, 60.0, tau=25.0, running=psi, standing=rest)
    columns[Role.AMBIENT_AIR][:] = celsius
    columns[Role.AMBIENT_HUMIDITY] = np.full(len(TIMES), 60.0) / 100.0
    return items(TIMES, columns, [(60.0, "engine on")])


@pytest.mark.parametrize(("celsius", "low", "high"), PRESSURE)
def test_a_loop_in_a_published_cell_does_not_fail(celsius, low, high):
    """The corners of both cells, played as readings: never a fault."""
    for low_kpa in low:
        for high_kpa in high:
            verdict = fed("pressures", running(celsius, low_kpa, high_kpa)).verdict()
            assert verdict.outcome is not Outcome.FAIL, verdict.reasons
            assert verdict.more["laws"] == []


@pytest.mark.parametrize(("celsius", "percent", "cell"), VENT)
def test_every_published_vent_temperature_is_expected(celsius, percent, cell):
    """Both ends of every cell lie in what `charge` expects of the vent in that air, and the cell's middle near its middle."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    columns[Role.AMBIENT_AIR][:] = celsius
    for share in percent:
        columns[Role.AMBIENT_HUMIDITY] = np.full(len(TIMES), share / 100.0)
        found = (
            fed("charge", items(TIMES, columns, [(60.0, "engine on")])).verdict().evidence["expected_vent_temperature"]
        )
        assert found.low <= cell[0]
        assert cell[1] <= found.high
        assert found.value == pytest.approx(sum(cell) / 2, abs=1.6)


def test_an_unknown_humidity_widens_the_expected_vent_temperature():
    """Without a hygrometer the range is that of every humidity in the table."""
    columns = relaxing(TIMES, 60.0, tau=25.0)
    widths = []
    for share in (0.5, None):
        if share is not None:
            columns[Role.AMBIENT_HUMIDITY] = np.full(len(TIMES), share)
        else:
            del columns[Role.AMBIENT_HUMIDITY]
        found = (
            fed("charge", items(TIMES, columns, [(60.0, "engine on")])).verdict().evidence["expected_vent_temperature"]
        )
        widths.append(found.high - found.low)
    assert widths[1] > widths[0] + 4.0
