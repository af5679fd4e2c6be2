"""What a report draws: the loop in pressure and enthalpy, the charge against its label, bands, fits, coils, limits."""

import math
import re

import numpy as np
import pytest

from baytrace.journal.store import Stored
from baytrace.records.playing import Player
from baytrace.records.report.pictures import pictures
from baytrace.records.report.svg import Level, Line, Picture, drawn
from baytrace.records.report.trends import MOST_POINTS, Trend, Trends, with_gaps
from baytrace.records.report.units_shown import System
from baytrace.records.session import session_record, started_event
from record_kit import START_NS, Session, channel, hard_session, vacuum_session

NS = 1_000_000_000
PSI, ATMOSPHERE = 6894.757, 101_325.0
LOOP = [
    channel("low", "low_side", "psi", "0.5 % of full scale (150 psi)", "manifold"),
    channel("high", "high_side", "psi", "0.5 % of full scale (500 psi)", "manifold"),
    channel("suction", "suction_line", "degC", "0.5 K", "clamps"),
    channel("liquid", "liquid_line", "degC", "0.5 K", "clamps"),
    channel("vent", "vent_air", "degC", "0.5 K", "probe"),
    channel("ambient", "ambient_air", "degC", "0.5 K", "probe"),
    channel("tank", "tank_mass", "g", "2 g", "scale"),
    channel("spare", "auxiliary", "degC", "1 K", "probe"),
]
RUNNING = {"low": 35.0, "high": 200.0, "suction": 11.0, "liquid": 45.0, "vent": 8.0}
STANDING = {"low": 83.0, "high": 83.0, "suction": 27.0, "liquid": 27.0, "vent": 27.0}
LABEL_G = 560.0
PLAN = {
    "charge": {"refrigerant": "R134a", "label_g": LABEL_G, "elevation_m": 0.0},
    "pressures": {"refrigerant": "R134a", "elevation_m": 0.0},
    "limits": {"limits": [{"channel": "spare", "name": "too warm", "high": 40.0}]},
}


def charged_session(plan=None, extra=()):
    """Five minutes of charging, then the engine until everything has settled."""
    session = Session(plan=PLAN if plan is None else plan, channels=[*LOOP, *extra])
    dice, marks = (
        np.random.default_rng(3),
        {60: "charge start", 380: "charge end", 420: "engine on", 1600: "engine off"},
    )
    for second in range(0, 1620, 2):
        if second in marks:
            session.mark(marks[second])
        share = 1.0 - math.exp(-max(0, second - 420) / 40.0)
        values = {
            name: STANDING[name] + (RUNNING[name] - STANDING[name]) * share + dice.normal(0.0, 0.05) for name in RUNNING
        }
        gone = LABEL_G * min(max(second - 70, 0) / 300.0, 1.0)
        session.read(**values, tank=9000.0 - gone + dice.normal(0.0, 0.3), ambient=25.0, spare=30.0)
        if second % 10 == 0:
            session.beat()
        session.wait(2)
    session.close()
    return session


def told(session):
    """Trends and record of a session, as an export has them."""
    started = started_event(session.journal, session.id)
    player, trends = Player(started), Trends(started.time_ns)
    for item in session.journal.items(after=started.seq):
        if isinstance(item, Stored):
            trends.reading(player.reading(item))
        else:
            player.event(item)
            trends.event(item)
    record = session_record(session.journal, session.id)
    trends.finish(player, record)
    return trends, record


@pytest.fixture(scope="module")
def charged():
    return told(charged_session())


def picture(found, title, system=System.SI):
    trends, record = found
    return next(each for each in pictures(trends, record, system) if each.title.startswith(title))


def line(of, name):
    return next(each for each in of.lines if each.name == name)


def band(of, name):
    return next(each for each in of.bands if each.name == name)


def test_the_loop_stands_over_its_saturation_curve(charged):
    """Low side 35 psi and high side 200 psi gauge at sea level are 342.6 and 1480.3 kPa; expansion keeps the enthalpy.

    Saturated liquid R134a at 0 degC has 200 kJ/kg by the reference state of the IIR, at 292.8 kPa (Tillner-Roth and Baehr,
    1994): the curve passes there.
    """
    shown = picture(charged, "Pressure and enthalpy")
    assert shown.log
    low, high = ((gauge * PSI + ATMOSPHERE) / 1e3 for gauge in (35.0, 200.0))
    evaporator, condenser, valve = (
        line(shown, name) for name in ("Low side, 4 to 1", "High side, 2 to 3", "Valve, 3 to 4")
    )
    assert evaporator.y == pytest.approx([low, low], rel=2e-3)
    assert condenser.y == pytest.approx([high, high], rel=2e-3)
    assert valve.x[0] == pytest.approx(valve.x[1])
    assert [note.text for note in shown.notes] == ["1", "2", "3", "4"]
    curve = line(shown, "R134a, saturated")
    bubble = sorted(zip(curve.y, curve.x, strict=True))[: len(curve.x)]
    near = min(bubble, key=lambda point: abs(point[1] - 200.0))
    assert near[0] == pytest.approx(292.8, rel=0.15)
    assert "efficiency" in shown.title  # no discharge thermometer in this session


def test_the_same_loop_in_us_units(charged):
    """1 BTU/lb is 2.326 kJ/kg, 1 psi 6.894757 kPa (NIST SP 811, B.8)."""
    si, us = (line(picture(charged, "Pressure and enthalpy", system), "Low side, 4 to 1") for system in System)
    assert [x * 2.326 for x in us.x] == pytest.approx(list(si.x))
    assert [y * 6.894757 for y in us.y] == pytest.approx(list(si.y))


def test_the_charge_is_drawn_against_the_label(charged):
    """From nothing to what the watch concluded; the label with its tolerance across, the interval at the end."""
    shown = picture(charged, "Refrigerant charged")
    out = line(shown, "Out of the tank, by its scale")
    assert out.y[0] == pytest.approx(0.0, abs=3.0)
    assert out.y[-1] == pytest.approx(LABEL_G, abs=3.0)
    allowed, interval = band(shown, "Allowed round the label"), band(shown, "Charged, 95 % interval")
    assert (allowed.low[0], allowed.high[0]) == (LABEL_G - 15.0, LABEL_G + 15.0)
    assert interval.low[0] < LABEL_G < interval.high[0]
    assert shown.levels[0].y == LABEL_G
    us = picture(charged, "Refrigerant charged", System.US)
    assert us.levels[0].y == pytest.approx(LABEL_G / 28.349523)


def test_settled_means_and_expectations_are_drawn_while_the_engine_ran(charged):
    """The mean with its interval, and the band the day's air asks for, from engine on to engine off."""
    shown = picture(charged, "Pressures of the loop")
    mean = line(shown, "Low side, settled mean")
    assert mean.y[0] == pytest.approx((35.0 * PSI + ATMOSPHERE) / 1e3, rel=2e-3)
    assert 7.0 < mean.x[0] < mean.x[1] == pytest.approx(1600 / 60, abs=0.1)
    expected = band(shown, "High side, expected today")
    assert expected.low[0] < expected.high[0]
    assert list(expected.x) == pytest.approx([420 / 60, 1600 / 60], abs=0.1)


def test_a_limit_brings_its_channel_into_the_report(charged):
    """An auxiliary channel is drawn where a rule looks at it, with the rule's level; the others are not."""
    shown = picture(charged, "Auxiliary")
    assert "too warm" in shown.levels[0].name
    assert shown.levels[0].y == 40.0
    bare = told(charged_session(plan={"pressures": PLAN["pressures"]}))
    titles = [each.title for each in pictures(*bare, System.SI)]
    assert not any(title.startswith(("Auxiliary", "Mass", "Refrigerant charged", "Coils")) for title in titles)


def test_a_hold_shows_its_fit_and_the_leaks_share():
    """The fit lies in its interval; a leak of just the limit rises by limit over volume; the leak alone by its own rate."""
    found = told(vacuum_session(leak_pa_s=0.05, minutes=(13, 11)))
    shown = picture(found, "Vacuum and leak test")
    fit, interval = line(shown, "Fit"), band(shown, "95 % interval of the fit")
    assert all(low <= y <= high for low, y, high in zip(interval.low, fit.y, interval.high, strict=True))
    limit, alone = line(shown, "A leak of just the limit"), line(shown, "Leak alone")
    seconds = 60.0 * (limit.x[1] - limit.x[0])
    settings = found[1].plan["evacuation"]
    from baytrace.watches.watch import watch_named

    asked = watch_named("evacuation").Settings.model_validate(settings)
    assert (limit.y[1] - limit.y[0]) / seconds == pytest.approx(asked.leak_limit / (asked.volume_l * 1e-3))
    assert (alone.y[1] - alone.y[0]) / seconds == pytest.approx(0.05, rel=0.1)
    assert line(shown, "Readings").dots


def test_a_standing_test_is_drawn_at_one_temperature():
    """Nitrogen that warms by 3 K and does not leak stays level in the picture, by the gas law (p/T constant)."""
    channels = [
        channel("high", "high_side", "kPaa", "1 kPa", "gauge"),
        channel("wall", "system_temperature", "degC", "0.2 K", "probe"),
    ]
    session = Session(plan={"pressure_hold": {"volume_l": 2.0, "hold_s": 900}}, channels=channels)
    session.mark("isolated")
    dice = np.random.default_rng(5)
    for second in range(0, 1200, 5):
        kelvin = 293.15 + 3.0 * second / 1200
        session.read(high=1000.0 * kelvin / 293.15 + dice.normal(0.0, 0.1), wall=kelvin - 273.15)
        session.wait(5)
    session.close()
    shown = picture(told(session), "Standing test")
    readings = line(shown, "Readings, at the first temperature")
    assert max(readings.y) - min(readings.y) < 1.5
    assert readings.y[0] == pytest.approx(1000.0, abs=1.0)
    assert line(shown, "Fit").y[-1] == pytest.approx(1000.0, abs=2.0)


def test_coils_stand_in_engine_order_with_words_for_what_is_wrong():
    """A bar for each that has a resistance; one that is open, or outside, says so."""
    session = hard_session()
    shown = picture((Trends(START_NS), session_record(session.journal, session.id)), "Coils")
    bars = [each for each in shown.lines if each.colour != "none"]
    assert len(bars) == 24
    assert [note.text for note in shown.notes] == ["high", "high", "high", "high", "open"]
    assert shown.notes[-1].x == 25
    assert shown.whole


def test_every_picture_is_svg_without_a_number_that_is_none(charged):
    """In both systems of units."""
    from xml.etree import ElementTree as ET

    for system in System:
        for each in pictures(*charged, system):
            text = drawn(each)
            assert ET.fromstring(text).tag.endswith("svg")
            assert not any(word in text for word in ("nan", "inf,", '"inf'))


def test_a_trend_keeps_its_extremes_and_its_size():
    """However long: the highest and lowest reading are there, and the memory is that of a few thousand points."""
    from baytrace.measure.roles import Role

    trend = Trend(Role.LOW_SIDE)
    for n in range(100_000):
        trend.put(n * NS, {77_777: 9.0, 33_333: -9.0}.get(n, math.sin(n / 500.0)))
    assert len(trend.points) <= MOST_POINTS
    values = [value for _, value in trend.between(0, 100_000 * NS)]
    assert (max(values), min(values)) == (9.0, -9.0)
    assert [time for time, _ in trend.points] == sorted(time for time, _ in trend.points)


def test_a_gap_is_drawn_as_a_gap():
    """Neighbours far further apart than is usual are not joined."""
    points = [(n * NS, 1.0) for n in range(10)] + [(n * NS, 2.0) for n in range(100, 110)]
    broken = with_gaps(points)
    assert sum(math.isnan(value) for _, value in broken) == 1


def test_names_of_limits_stand_above_the_picture_and_cover_nothing():
    """Two limits close together near the readings: each has a dash of its own, and its name among those of the lines."""
    levels = [Level("lower limit", 11.4), Level("upper limit", 12.6)]
    text = drawn(Picture("Coils", "coil", "Resistance", [Line("", [1.0, 6.0], [12.0, 12.1])], levels=levels))
    axes_top = float(re.search(r'<path d="M78 (\d+)V', text)[1])
    for level in levels:
        (height,) = re.findall(rf'<text x="\d+" y="(\d+)" fill="#111111">{level.name}</text>', text)
        assert float(height) < axes_top
    assert len(set(re.findall(r'stroke="#555555" stroke-dasharray="([\d ]+)"', text))) == len(levels)
