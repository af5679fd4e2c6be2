"""Traces of a loop standing under nitrogen, made up from physics, with the true leak beside each.

Written without a look at the watch that judges such holds, at its tests or at any other trace generator of this project: it knows the
roles of the channels and the mark `isolated` and nothing else of them. Whoever plays these traces to the watch tests it on data of
another hand.

    for one in traces(seed=1, each=20): ...        20 traces of each kind of `KINDS`, the kinds in turn
    trace("swing", seed=1, number=7)               the same trace again, whatever `each` was

Rules
- Seeded by (seed, kind, number): a trace is the same whatever else is drawn.
- `channels` are what instruments said, in SI: `low_side`, `high_side` absolute Pa (one or both), `system_temperature` K (a thermometer
  on the shell), in half of the traces `ambient_air` K. The filling is seen first; the hold runs from the mark `isolated` to the end.
- `truth_leak` is throughput (Pa m3/s, at the gas temperature of the mark) at the pressure `meant_for_pa`, absolute, for which
  `leak_limit` is meant: the pressure at the mark, but 10 bar gauge in `low pressure`. `leak_at_hold` is the throughput at the mark's
  own pressure. About half of the holds are tight (0), the others leak 0.2..5 times the limit, even in the logarithm.
- Where parts are shut off from each other (`two gauges`), `truth_leak` is what all that was filled loses together and `leak_of_loop`
  what the loop loses without the hose behind a closed valve. Else both are the same.
- `accuracies` are limits of error as text. A gauge's error is straight over its range, with both ends drawn even within the limits, and
  constant within a hold: an offset and a gain. Noise (20..300 Pa) and rounding (100..1000 Pa) come on top. A thermometer's error is an
  offset within its limits; where it touches the shell it may stand up to 3 K off the gas besides (`note` tells).
- The filled volume is `volume_l` exactly. Nobody in a shop knows it so well: that is another question.

Physics
- Ideal gas of one pressure in parts of different temperature: p = n R / sum(V_i / T_i).
- Leak, viscous: throughput = C (p^2 - pa^2), pa the atmosphere. Nothing flows back.
- Ambient air -> metal (first-order lag of 200..1200 s) -> gas (20..120 s) -> shell thermometer (60..900 s behind the gas). An hour of
  history before the trace starts, so nothing starts in rest by decree.

Kinds
- calm: air within 0.3 K.
- swing: air swings by 0.5..5 K from end to end: a wave of 20..120 min, a steady change or a door opened.
- settling: isolated 0..90 s after filling; gas 5..40 K above the metal, most of it gone within minutes, a part slowly; the thermometer
  sees next to nothing of it, the metal is warmed by up to 1 K.
- sun: a part of 10..50 % of the volume warms by 3..20 K at some moment, for good or for a while; the thermometer sits on it or not.
- freeze: a gauge, or both, stand still from a moment of the hold on, sometimes only for a while; the air swings by up to 2 K.
- dead thermometer: it stands still, from before the hold or from a moment in it, while the air swings by 0.5..5 K.
- low pressure: 1..2 bar gauge where the limit is meant for 10.
- two gauges: low and high side read (`note` says which case): `joined`; `part leaks`: the loop in two parts shut off from each other,
  one leaks or neither; `hose leaks`: a hose behind a closed valve leaks and the loop is tight; `hose holds`: the loop leaks or not and
  the other gauge stands behind a closed valve in a tight hose.

Limits: the atmosphere does not change, gauges do not drift, hoses do not stretch, nothing dissolves in oil, and no leak opens or shuts.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

KINDS = ("calm", "swing", "settling", "sun", "freeze", "dead thermometer", "low pressure", "two gauges")
BAR = 1e5
STEP_S = 1.0
HISTORY_S = 3600.0


@dataclass(frozen=True)
class Part:
    """A volume of one pressure, on the grid of `Inside.times_s`. `amount_pa_m3`: p V at the gas temperature of the mark, from it on.
    `gas_k`: the temperature that gas of one temperature would have.
    """

    name: str
    volume_m3: float
    conductance: float
    gas_k: np.ndarray
    pressure_pa: np.ndarray
    amount_pa_m3: np.ndarray


@dataclass(frozen=True)
class Inside:
    """What no instrument sees, on a grid of `STEP_S`."""

    times_s: np.ndarray
    ambient_k: np.ndarray
    isolated: int
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class NitrogenTrace:
    """`marks`: (time in s, text). Leaks in Pa m3/s, `limits_of_error` in SI, pressures absolute in Pa."""

    kind: str
    times_s: np.ndarray
    channels: dict[str, np.ndarray]
    marks: tuple[tuple[float, str], ...]
    volume_l: float
    leak_limit: float
    truth_leak: float
    accuracies: dict[str, str]
    meant_for_pa: float
    leak_at_hold: float
    leak_of_loop: float
    limits_of_error: dict[str, float]
    atmosphere_pa: float
    note: str
    inside: Inside = field(repr=False)


@dataclass
class Hold:
    """What was done: times in s from the start of the history."""

    times_s: np.ndarray
    shown_from: float
    fill_from: float
    filled: float
    isolated: float
    pressure_pa: float
    atmosphere_pa: float


@dataclass
class Heat:
    """Temperatures in K on the grid. `shell_k`: what a thermometer at its place would follow."""

    ambient_k: np.ndarray
    gas_k: np.ndarray
    shell_k: np.ndarray
    note: str


def traces(seed: int, each: int) -> Iterator[NitrogenTrace]:
    for number in range(each):
        for kind in KINDS:
            yield trace(kind, seed, number)


def trace(kind: str, seed: int, number: int) -> NitrogenTrace:
    rng = np.random.default_rng([seed, KINDS.index(kind), number])
    hold = _hold(kind, rng)
    volume_l = rng.uniform(1.0, 4.0)
    limit = float(np.exp(rng.uniform(math.log(1e-3), math.log(3e-2))))
    leak = 0.0 if rng.random() < 0.45 else limit * float(np.exp(rng.uniform(math.log(0.2), math.log(5))))
    heat = _heat(kind, hold, rng)
    meant_for = hold.atmosphere_pa + 10 * BAR if kind == "low pressure" else hold.pressure_pa
    conductance = leak / (meant_for**2 - hold.atmosphere_pa**2)
    parts, read_by, case, in_hose = _parts(kind, hold, heat, volume_l / 1000, conductance, rng)
    times = np.arange(hold.shown_from, hold.times_s[-1], rng.choice([1.0, 1.0, 2.0, 5.0]))
    channels, accuracies, limits, notes = _instruments(kind, hold, heat, parts, read_by, times, rng)
    at_hold = conductance * (hold.pressure_pa**2 - hold.atmosphere_pa**2)
    return NitrogenTrace(
        kind=kind,
        times_s=times - hold.shown_from,
        channels=channels,
        marks=((hold.isolated - hold.shown_from, "isolated"),),
        volume_l=volume_l,
        leak_limit=limit,
        truth_leak=leak,
        accuracies=accuracies,
        meant_for_pa=meant_for,
        leak_at_hold=at_hold,
        leak_of_loop=0.0 if in_hose else leak,
        limits_of_error=limits,
        atmosphere_pa=hold.atmosphere_pa,
        note="; ".join(said for said in (case, heat.note, *notes) if said),
        inside=Inside(hold.times_s - hold.shown_from, heat.ambient_k, _index(hold, hold.isolated), parts),
    )


# -- what is done ---------------------------------------------------------------------------------------------------------------


def _hold(kind, rng) -> Hold:
    fill_from = HISTORY_S + rng.uniform(10, 60)
    filled = fill_from + rng.uniform(15, 120)
    waits = rng.uniform(0, 90) if kind == "settling" else rng.uniform(120, 600)
    isolated = float(math.ceil(filled + waits))
    lasts = rng.uniform(15, 60) * 60
    gauge = 10 * rng.uniform(0.95, 1.05) if rng.random() < 0.6 else rng.uniform(3, 15)
    if kind == "low pressure":
        gauge = rng.uniform(1, 2)
    atmosphere = rng.uniform(0.93, 1.03) * BAR
    times = np.arange(0.0, isolated + lasts + STEP_S, STEP_S)
    return Hold(times, HISTORY_S, fill_from, filled, isolated, atmosphere + gauge * BAR, atmosphere)


def _index(hold, at) -> int:
    return round(at / STEP_S)


# -- heat -----------------------------------------------------------------------------------------------------------------------


def _heat(kind, hold, rng) -> Heat:
    since = np.clip(hold.times_s - hold.filled, 0, None) * (hold.times_s >= hold.filled)
    greatest, least = {"swing": (5.0, 0.5), "dead thermometer": (5.0, 0.5), "freeze": (2.0, 0.1)}.get(kind, (0.3, 0.0))
    ambient = _ambient(hold, rng.uniform(least, greatest), rng)
    metal = lagged(ambient, rng.uniform(200, 1200))
    extra, note = np.zeros_like(since), ""
    if kind == "settling":
        hot, slow = rng.uniform(5, 40), rng.uniform(0, 0.25)
        fades = (1 - slow) * np.exp(-since / rng.uniform(30, 180)) + slow * np.exp(-since / rng.uniform(200, 900))
        extra = hot * fades * (hold.times_s >= hold.filled)
        warmed = rng.uniform(0.1, 1.0)
        metal += warmed * np.exp(-since / rng.uniform(300, 1200)) * (hold.times_s >= hold.filled)
        note = f"gas {hot:.1f} K hot when filled, metal {warmed:.2f} K"
    follows = rng.uniform(20, 120)
    gas = lagged(metal, follows)
    shell = gas + rng.uniform(0, 0.01) * extra
    gas = gas + extra
    if kind == "sun":
        share, by = rng.uniform(0.1, 0.5), rng.uniform(3, 20)
        comes = hold.isolated + rng.uniform(-0.1, 0.8) * (hold.times_s[-1] - hold.isolated)
        goes = comes + rng.uniform(200, 1500) if rng.random() < 0.4 else math.inf
        lit = by * lagged(((hold.times_s >= comes) & (hold.times_s < goes)).astype(float), rng.uniform(60, 600))
        lit_gas = gas + lagged(lit, follows)
        on_it = rng.random() < 0.5
        shell = lit_gas if on_it else shell
        gas = standing_for([1 - share, share], [gas, lit_gas])
        note = f"sun of {by:.1f} K on {share:.0%} of the volume, thermometer {'on' if on_it else 'off'} it"
    return Heat(ambient, gas, shell, note)


def standing_for(shares, temperatures_k):
    """The one temperature at which a volume holds as much at the same pressure as its parts do at theirs."""
    return 1 / sum(share / warmth for share, warmth in zip(shares, temperatures_k, strict=True))


def _ambient(hold, swing_k, rng):
    """Air that changes by `swing_k` from its lowest to its highest."""
    since = hold.times_s - hold.isolated
    lasts = since[-1]
    base = rng.uniform(283, 308)
    form = rng.choice(["wave", "steady", "door"])
    if form == "wave":
        return base + swing_k / 2 * np.sin(2 * np.pi * since / rng.uniform(1200, 7200) + rng.uniform(0, 6.3))
    sign = rng.choice([-1, 1])
    if form == "steady":
        return base + sign * swing_k * np.clip(since / lasts, -0.5, 1) / 1.5
    opened = rng.uniform(-0.2, 0.7) * lasts
    shut = opened + rng.uniform(120, 1800) if rng.random() < 0.5 else math.inf
    return base + sign * swing_k * ((since >= opened) & (since < shut))


def lagged(values, lag_s):
    """A first-order lag, from rest at the first value."""
    share = 1 - math.exp(-STEP_S / lag_s)
    now, out = float(values[0]), []
    for value in values.tolist():
        now += share * (value - now)
        out.append(now)
    return np.array(out)


# -- gas ------------------------------------------------------------------------------------------------------------------------


def _parts(kind, hold, heat, volume, conductance, rng):
    """The volumes, which of them each role reads, the case, and whether the leak is in the hose alone."""
    loop = _part("loop", volume, conductance, heat.gas_k, hold)
    if kind != "two gauges":
        sides = [["low_side"], ["high_side"], ["low_side", "high_side"]][rng.choice(3, p=[0.4, 0.1, 0.5])]
        return (loop,), dict.fromkeys(sides, 0), "", False
    first, second = (0, 1) if rng.random() < 0.5 else (1, 0)
    read_by = {"low_side": first, "high_side": second}
    case = str(rng.choice(["joined", "part leaks", "hose leaks", "hose holds"], p=[0.2, 0.3, 0.25, 0.25]))
    if case == "joined":
        return (loop,), {"low_side": 0, "high_side": 0}, case, False
    if case == "part leaks":
        share = rng.uniform(0.2, 0.8)
        leaking = _part("part that may leak", share * volume, conductance, heat.gas_k, hold)
        return (leaking, _part("other part", (1 - share) * volume, 0.0, heat.gas_k, hold)), read_by, case, False
    hose_k = lagged(heat.ambient_k, rng.uniform(60, 300))
    inside = rng.uniform(0.02, 0.3) / 1000
    if case == "hose holds":
        return (loop, _part("hose", inside, 0.0, hose_k, hold)), read_by, case, False
    tight = _part("loop", volume, 0.0, heat.gas_k, hold)
    return (tight, _part("hose", inside, conductance, hose_k, hold)), read_by, case, True


def _part(name, volume, conductance, gas_k, hold) -> Part:
    isolated = _index(hold, hold.isolated)
    fills = np.clip((hold.times_s - hold.fill_from) / (hold.filled - hold.fill_from), 0, 1)
    pressure = hold.atmosphere_pa + (hold.pressure_pa - hold.atmosphere_pa) * fills
    amount = held(volume, conductance, hold.pressure_pa, hold.atmosphere_pa, gas_k[isolated:])
    pressure[isolated:] = amount / volume * gas_k[isolated:] / gas_k[isolated]
    return Part(name, volume, conductance, gas_k, pressure, amount)


def held(volume, conductance, pressure_pa, atmosphere_pa, gas_k):
    """p V at the first temperature, Pa m3, at each step of `gas_k`, as `conductance (p^2 - pa^2)` leaks away; midpoint rule in ten
    parts of a step, so that a small hose that empties within seconds stays right.
    """
    amount = pressure_pa * volume
    if not conductance:
        return np.full(gas_k.size, amount)
    warmth = (gas_k / gas_k[0] / volume).tolist()
    out, part = [amount], STEP_S / 10
    for now in warmth[1:]:
        for _ in range(10):
            middle = amount - part / 2 * conductance * max((amount * now) ** 2 - atmosphere_pa**2, 0.0)
            amount -= part * conductance * max((middle * now) ** 2 - atmosphere_pa**2, 0.0)
        out.append(amount)
    return np.array(out)


# -- instruments ----------------------------------------------------------------------------------------------------------------


def _instruments(kind, hold, heat, parts, read_by, times, rng):
    channels, accuracies, limits, notes = {}, {}, {}, []
    gauge_bar = (hold.pressure_pa - hold.atmosphere_pa) / BAR
    noise, step = float(np.exp(rng.uniform(math.log(20), math.log(300)))), rng.choice([100.0, 200.0, 500.0, 1000.0])
    percent = rng.choice([0.25, 0.5, 1.0])
    for role, which in read_by.items():
        full = rng.choice([bar for bar in (6, 10, 16, 25, 35, 60) if gauge_bar * 1.1 < bar < max(gauge_bar * 6, 17)])
        accuracies[role], limits[role] = f"{percent:g} % of full scale ({full} bar)", percent / 100 * full * BAR
        at_zero, at_full = rng.uniform(-1, 1, 2) * limits[role]
        true = np.interp(times, hold.times_s, parts[which].pressure_pa)
        error = at_zero + (at_full - at_zero) * (true - hold.atmosphere_pa) / (full * BAR)
        channels[role] = np.round((true + error + rng.normal(0, noise, times.size)) / step) * step
    if kind == "freeze":
        notes += _freeze(hold, times, channels, rng)
    channels["system_temperature"], accuracies["system_temperature"], limits["system_temperature"], said = _thermometer(
        hold, heat.shell_k, times, rng, touching=True
    )
    notes.append(said)
    if kind == "dead thermometer":
        lasts = hold.times_s[-1] - hold.isolated
        from_s = hold.shown_from if rng.random() < 0.6 else hold.isolated + rng.uniform(0, 0.6) * lasts
        at = int(np.searchsorted(times, from_s))
        channels["system_temperature"][at:] = channels["system_temperature"][at]
        notes.append(f"thermometer dead from {times[at] - hold.shown_from:.0f} s")
    if rng.random() < 0.5:
        channels["ambient_air"], accuracies["ambient_air"], limits["ambient_air"], _ = _thermometer(
            hold, heat.ambient_k, times, rng, touching=False
        )
    return channels, accuracies, limits, notes


def _thermometer(hold, follows, times, rng, *, touching):
    lag = rng.uniform(60, 900) if touching else rng.uniform(5, 60)
    limit, step = float(rng.choice([0.1, 0.3, 0.5, 1.0, 2.0])), float(rng.choice([0.01, 0.1, 0.1]))
    contact = rng.uniform(-3, 3) if touching and rng.random() < 0.5 else 0.0
    true = np.interp(times, hold.times_s, lagged(follows, lag)) + contact + rng.uniform(-limit, limit)
    read = np.round((true + rng.normal(0, rng.uniform(0.01, 0.1), times.size)) / step) * step
    return read, f"{limit:g} K", limit, f"thermometer {lag:.0f} s behind" + (f", {contact:+.1f} K" if contact else "")


def _freeze(hold, times, channels, rng):
    """One gauge, or all, stand still; says which and when."""
    lasts = hold.times_s[-1] - hold.isolated
    from_s = hold.isolated + rng.uniform(0.03, 0.8) * lasts
    until = from_s + rng.uniform(60, 0.4 * lasts) if rng.random() < 0.25 else math.inf
    roles = sorted(channels) if rng.random() < 0.5 else [str(rng.choice(sorted(channels)))]
    still = (times >= from_s) & (times < until)
    for role in roles:
        channels[role][still] = channels[role][np.argmax(still)]
    over = "the end" if until == math.inf else f"{until - hold.shown_from:.0f} s"
    return [f"{' and '.join(roles)} frozen from {from_s - hold.shown_from:.0f} s to {over}"]


# -- the books ------------------------------------------------------------------------------------------------------------------


def check(one: NitrogenTrace) -> None:
    """Raises AssertionError where the trace's truth is not what its own inside says."""
    inside, air2 = one.inside, one.atmosphere_pa**2
    leaks = 0.0
    for part in inside.parts:
        pressure, gas = part.pressure_pa[inside.isolated :], part.gas_k[inside.isolated :]
        substance = pressure * part.volume_m3 / gas
        if not part.conductance:
            assert np.ptp(substance) < 1e-9 * substance[0], (one.kind, part.name)
            continue
        leaks += part.conductance * (pressure[0] ** 2 - air2)
        gone = (substance[0] - substance) * gas[0]
        flow = part.conductance * np.clip(pressure**2 - air2, 0, None)
        middle = (flow[1:] + flow[:-1]) / 2
        assert abs(gone[-1] - middle.sum() * STEP_S) <= 2e-3 * gone[-1], (one.kind, part.name, one.note)
        assert (np.diff(gone) >= -1e-9 * gone[-1]).all(), (one.kind, part.name)
    assert abs(leaks - one.leak_at_hold) <= 1e-9 * one.leak_limit, (one.kind, leaks, one.leak_at_hold)
    meant = one.leak_at_hold * (one.meant_for_pa**2 - air2) / (inside.parts[0].pressure_pa[inside.isolated] ** 2 - air2)
    assert abs(meant - one.truth_leak) <= 1e-9 * one.leak_limit, (one.kind, meant, one.truth_leak)
    assert one.leak_of_loop in {0.0, one.truth_leak}
    assert {"low_side", "high_side"} & one.channels.keys()
    assert one.channels.keys() == one.accuracies.keys() == one.limits_of_error.keys()
    for role, values in one.channels.items():
        assert values.size == one.times_s.size, role
        assert np.isfinite(values).all(), role
    assert one.marks[0][1] == "isolated"
    assert one.times_s[0] <= one.marks[0][0] < one.times_s[-1] - 890
