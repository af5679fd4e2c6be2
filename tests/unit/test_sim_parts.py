"""The small parts of the simulator: sensors, coils, tank, script."""

import math
import statistics

import pytest

from baytrace.measure.roles import Role
from baytrace_sim.coils import Bank, Contact
from baytrace_sim.script import Script, Step
from baytrace_sim.sensor import Sensor, SensorKeys
from baytrace_sim.tank import Tank


def shown(keys, role, true_si, count=1, *, seed=1, every_s=1.0, atmosphere=101_325.0):
    sensor = Sensor(role, SensorKeys(**keys), seed)
    return [sensor.shown(true_si, index * every_s, atmosphere) for index in range(count)]


def test_the_same_seed_shows_the_same_numbers():
    """Noise is part of the scene: repeatable by seed, different for another seed."""
    keys = {"unit": "micron", "noise": 3.0, "wander": 5.0, "drop_share": 0.1}
    assert shown(keys, Role.SYSTEM_PRESSURE, 60.0, 200) == shown(keys, Role.SYSTEM_PRESSURE, 60.0, 200)
    assert shown(keys, Role.SYSTEM_PRESSURE, 60.0, 200) != shown(keys, Role.SYSTEM_PRESSURE, 60.0, 200, seed=2)


def test_a_gauge_counts_from_the_day_s_atmosphere():
    """A gauge pressure is the absolute one less the atmosphere, in the channel's unit."""
    assert shown({"unit": "bar"}, Role.LOW_SIDE, 400_000.0, atmosphere=98_000.0) == [pytest.approx(3.02)]


def test_resolution_offset_and_range():
    """Values come in steps; beyond the range the instrument says so, below it stays at its least."""
    assert shown({"unit": "g", "resolution": 2.0, "offset": 0.7}, Role.TANK_MASS, 0.5) == [500.0]
    assert shown({"unit": "degC", "high": 50.0}, Role.VENT_AIR, 333.15) == [math.inf]
    assert shown({"unit": "degC", "low": 0.0}, Role.VENT_AIR, 263.15) == [0.0]


def test_noise_and_wander_have_the_size_and_memory_asked_for():
    """The scatter's standard deviation is `noise`; the wander's too, and neighbours of it are alike for `wander_s`."""
    noise = shown({"unit": "ohm", "noise": 0.2}, Role.COIL_RESISTANCE, 12.0, 4000)
    assert statistics.stdev(noise) == pytest.approx(0.2, rel=0.06)
    wander = shown({"unit": "ohm", "wander": 0.2, "wander_s": 20.0}, Role.COIL_RESISTANCE, 12.0, 20_000)
    assert statistics.stdev(wander) == pytest.approx(0.2, rel=0.2)
    middle = statistics.mean(wander)
    pairs = [(a - middle) * (b - middle) for a, b in zip(wander, wander[20:], strict=False)]
    assert statistics.mean(pairs) / statistics.variance(wander) == pytest.approx(math.exp(-1.0), abs=0.12)


def test_a_slow_probe_follows_with_its_lag():
    """After one time constant 63 % of a step is shown."""
    sensor = Sensor(Role.VENT_AIR, SensorKeys(unit="degC", lag_s=10.0), 1)
    sensor.shown(293.15, 0.0, 101_325.0)
    for second in range(1, 10):
        sensor.shown(303.15, float(second), 101_325.0)
    assert sensor.shown(303.15, 10.0, 101_325.0) == pytest.approx(20.0 + 10.0 * (1.0 - math.exp(-1.0)), abs=1e-6)


def test_dropouts_come_at_their_share():
    """A share of readings is missing."""
    values = shown({"unit": "degC", "drop_share": 0.2}, Role.VENT_AIR, 293.15, 3000)
    assert sum(value is None for value in values) / 3000 == pytest.approx(0.2, abs=0.03)


def test_copper_is_read_warm_and_with_its_leads():
    """R(T) = R20 (1 + 0.00393 (T - 20)) plus the leads (IEC 60028), once the contact has bedded in."""
    bank = Bank((12.0,), lead_ohm=0.12, temperature_k=333.15)
    contact = Contact(0, 10.0, 24.0)
    assert bank.seen(contact, 22.0) == pytest.approx(12.0 * (1.0 + 0.00393 * 40.0) + 0.12, abs=1e-3)


def test_a_contact_is_open_then_wild_then_settles():
    """Open before and after; the first half second is not the coil's value, the later half is, to a milliohm."""
    bank = Bank((12.0, 11.0), temperature_k=293.15)
    contact = Contact(1, 10.0, 22.0)
    assert math.isinf(bank.seen(None, 9.0))
    early = [bank.seen(contact, 10.0 + 0.1 * index) for index in range(9)]
    assert any(math.isinf(ohm) or abs(ohm - 11.12) > 0.5 for ohm in early)
    late = [bank.seen(contact, 16.0 + 0.1 * index) for index in range(50)]
    assert max(abs(ohm - 11.12) for ohm in late) < 1e-3


def test_a_broken_coil_stays_open_and_a_loose_one_jumps():
    """An infinite coil reads open all along; an unsteady one does not come to rest."""
    bank = Bank((math.inf, 12.0), unsteady=(1,))
    assert math.isinf(bank.seen(Contact(0, 0.0, 12.0), 8.0))
    loose = [bank.seen(Contact(1, 0.0, 12.0), 3.0 + 0.25 * index) for index in range(30)]
    assert max(loose) - min(loose) > 0.5


def test_leads_together_show_only_themselves():
    """Coil 0 of a script is the leads on each other."""
    assert Bank((12.0,), lead_ohm=0.3).seen(Contact(-1, 0.0, 12.0), 8.0) == pytest.approx(0.3, abs=1e-3)


def test_the_tank_gives_what_was_asked_and_shows_touches():
    """The mass that left is the mass asked for; a bump shows on the scale and not in the flow."""
    tank = Tank(8.0, bumps=[(50.0, 60.0, 0.3)])
    tank.open(0.005, 0.5)
    gone = sum(tank.step(1.0) for _ in range(200))
    assert gone == pytest.approx(0.5, abs=1e-9)
    assert tank.mass_kg == pytest.approx(7.5, abs=1e-9)
    assert tank.shown_kg(55.0) - tank.shown_kg(65.0) == pytest.approx(0.3)


def test_a_script_is_worked_out_in_time():
    """Steps follow each other; the valve opens after its mark and shuts before the next; a coil is touched after its mark."""
    steps = [
        Step(do="wait", for_s=10),
        Step(do="charge", grams=100, rate_g_s=5, for_s=4),
        Step(do="coil", coil=2, for_s=12),
    ]
    script = Script(steps)
    assert [(deed.at_s, deed.mark) for deed in script.deeds] == [
        (0.0, ""),
        (10.0, "charge start"),
        (25.0, ""),
        (65.0, "charge end"),
        (69.0, "coil 2"),
    ]
    [contact] = script.contacts
    assert contact.coil == 1
    assert contact.start_s > 69.0
    assert contact.end_s - contact.start_s == 12.0
    assert script.contact_at(68.0) is None
    assert script.length_s == contact.end_s + 4.0
