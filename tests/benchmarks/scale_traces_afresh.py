"""Traces of the scale under a refrigerant tank while a loop is charged, made up from physics, with the truth beside each.

Written without a look at the watch that judges such traces, at its tests or at any other trace generator of this project: it knows the
words `charge start` and `charge end` and nothing else of them. Whoever plays these traces to the watch tests it on data of another hand.

    for one in traces(seed=1, each=20): ...        20 traces of each kind of `KINDS`, the kinds in turn
    trace("clean", seed=1, number=7)               the same trace again, whatever `each` was

Rules
- Seeded by (seed, kind, number): a trace is the same whatever else is drawn.
- `truth_g` is what went into the car between the marks, all marked charges together. No refrigerant flows outside the marks, and
  tank loss = into the car + what stays in the hose.
- `label_g` is round to 5 g. The charge is made to miss it on purpose: about a third well within the tolerance, a third within 25 % of
  the limit on either side, the rest clearly under or over.
- `accuracy` gives limits of error of a single load before noise and rounding: the errors at the load before and at the load after are
  drawn apart, each even within the limits, and run straight between. So a difference of two loads may be wrong by twice the limit.
  The limit is never less than half a step of the display.
- Noise (standard deviation `noise_g`, white, or in a third of traces drawn out over some seconds) and rounding to `resolution_g` come
  on top. The display lags the load by a first-order filter of up to 1 s. Sampling jitters by a tenth of its step.

Physics
- Flow is constant or falls exponentially (tank cools, loop fills), 2.5..15 g/s in the mean where the kind says nothing; the valve opens and shuts in 0.2..1.5 s. In the first seconds the
  liquid flashes in the line: the flow starts low and surges.
- A hose that began empty and stays full keeps `hose_g` (lowest, highest): it fills first. (0, 0): full before the start, or emptied
  into the car before the end.
- Forces that are no refrigerant, on the load: a hand, a hose, a tank set down on another spot.

Kinds
- clean, slow flow (1 g/s), fast flow (30 g/s), pulsed valve, coarse (display steps of 5 or 10 g): nothing but the above.
- touched: bumped, lifted and put back, leaned on, 1..4 times, at any time and by choice at the valve; the load comes back as it was.
- hose relaid: the hose's force changes by 5..60 g while charging, at once or over some seconds, with the hand seen or not.
- re-seated: lifted while charging and set down differently: the reading shifts by 3..80 g.
- thermal drift: up to 0.03 g/s straight, or up to 10 g exponentially over minutes.
- self-zeroing (`note` says which): `near zero`: tared, and while the display is near zero a slow change is taken for drift, so a
  trickle is swallowed; `at rest`: at any load a change below some rate is swallowed; `jump`: tared, and zeroed anew after some
  seconds of rest.
- slow pull: the hose's force grows slowly by 10..60 g while charging. One sensor cannot tell this from flow: the known limit.
- two charges: two marked charges, the second smaller, with a pause; the truth is their sum.
- gaps: 1..3 silences of 5..90 s, before, across or after the marks.

Limits: no wind gusts, no vibration of a running engine beyond noise, no liquid left boiling in a shut hose, no tank change.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

KINDS = (
    "clean",
    "touched",
    "hose relaid",
    "re-seated",
    "thermal drift",
    "self-zeroing",
    "slow pull",
    "two charges",
    "pulsed valve",
    "coarse",
    "gaps",
    "slow flow",
    "fast flow",
)
GRID_S = 0.05


@dataclass(frozen=True)
class Inside:
    """What no instrument sees, on a grid of `GRID_S`: flows in g/s, the force that is no refrigerant in g."""

    times_s: np.ndarray
    from_tank_g_s: np.ndarray
    into_car_g_s: np.ndarray
    force_g: np.ndarray


@dataclass(frozen=True)
class ScaleTrace:
    """`marks`: (time in s, text) in order. `note`: which of its kind it is, and when something befell it."""

    kind: str
    times_s: np.ndarray
    masses_kg: np.ndarray
    marks: tuple[tuple[float, str], ...]
    label_g: float
    tolerance_g: float
    accuracy: str
    truth_g: float
    hose_g: tuple[float, float]
    limit_of_error_g: float
    resolution_g: float
    noise_g: float
    note: str
    inside: Inside = field(repr=False)


@dataclass
class Scale:
    """The instrument and how it is read."""

    every_s: float
    noise_g: float
    resolution_g: float
    limit_of_error_g: float
    lag_s: float
    tank_g: float
    tared: bool = False
    zeroing: str = ""


@dataclass
class Charge:
    """One marked charge: valve open from `opens_s` for `lasts_s`, delivering `mass_g` out of the tank."""

    start_s: float
    opens_s: float
    lasts_s: float
    end_s: float
    mass_g: float
    trickle_g_s: float = 0.0
    trickle_s: float = 0.0


def traces(seed: int, each: int) -> Iterator[ScaleTrace]:
    for number in range(each):
        for kind in KINDS:
            yield trace(kind, seed, number)


def trace(kind: str, seed: int, number: int) -> ScaleTrace:
    rng = np.random.default_rng([seed, KINDS.index(kind), number])
    scale = _scale(kind, rng)
    label_g, tolerance_g, truth_g = _order(kind, rng)
    hose_g, kept_g = _hose(rng)
    charges = _charges(kind, scale, truth_g, kept_g, rng)
    after_s = rng.uniform(20, 110) if kind == "gaps" else rng.uniform(8, 60)
    grid = np.arange(0.0, charges[-1].end_s + after_s, GRID_S)
    from_tank = np.zeros_like(grid)
    for charge in charges:
        from_tank += _flow(kind, charge, grid, rng)
    lost = np.cumsum(from_tank) * GRID_S
    in_hose = np.minimum(lost, kept_g)
    into_car = np.diff(lost - in_hose, prepend=0.0) / GRID_S
    force, note = _force(kind, charges, scale, grid, lost, rng)
    shown = _lagged(np.maximum(scale.tank_g - lost + force, 0.0), scale.lag_s)  # no hand takes more off than there is
    shown, zeroing = _zeroed(scale, shown, rng)
    times = _samples(kind, scale, charges, grid, rng)
    return ScaleTrace(
        kind=kind,
        times_s=times,
        masses_kg=_read(scale, times, grid, shown, scale.tank_g, scale.tank_g - lost[-1], rng),
        marks=tuple(mark for one in charges for mark in ((one.start_s, "charge start"), (one.end_s, "charge end"))),
        label_g=label_g,
        tolerance_g=tolerance_g,
        accuracy=f"{scale.limit_of_error_g:g} g",
        truth_g=truth_g,
        hose_g=hose_g,
        limit_of_error_g=scale.limit_of_error_g,
        resolution_g=scale.resolution_g,
        noise_g=scale.noise_g,
        note="; ".join(part for part in (note, zeroing) if part),
        inside=Inside(grid, from_tank, into_car, force),
    )


# -- what is drawn ------------------------------------------------------------------------------------------------------------


def _scale(kind, rng) -> Scale:
    resolution = rng.choice([5.0, 10.0]) if kind == "coarse" else rng.choice([0.1, 0.5, 1.0, 1.0, 2.0])
    limits = np.array([0.5, 1.0, 2.0, 2.0, 3.0, 5.0, 10.0])
    weights = np.array([1, 2, 3, 3, 2, 2, 1]) * (limits >= resolution / 2)
    scale = Scale(
        every_s=float(rng.choice([0.2, 0.5, 1.0, 1.0, 2.0])),
        noise_g=float(np.exp(rng.uniform(math.log(0.2), math.log(2.0)))),
        resolution_g=float(resolution),
        limit_of_error_g=float(rng.choice(limits, p=weights / weights.sum())),
        lag_s=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
        tank_g=rng.uniform(2000, 14000),
    )
    if kind == "self-zeroing":
        scale.zeroing = str(rng.choice(["near zero", "at rest", "jump"]))
        scale.tared = scale.zeroing != "at rest"
        scale.noise_g = min(scale.noise_g, 0.6)
    return scale


def _order(kind, rng) -> tuple[float, float, float]:
    """Label, tolerance and what really goes into the car, in g."""
    most = 600 if kind == "slow flow" else 950
    label = 5.0 * round(rng.uniform(330, most) / 5.0)
    tolerance = float(rng.choice([10, 15, 15, 15, 15, 20, 30]))
    share = rng.choice(["within", "near", "beyond"], p=[0.35, 0.35, 0.3])
    by = {"within": rng.uniform(0, 0.75), "near": rng.uniform(0.75, 1.25), "beyond": rng.uniform(1.25, 6.0)}[share]
    return label, tolerance, label + float(rng.choice([-1, 1])) * by * tolerance


def _hose(rng) -> tuple[tuple[float, float], float]:
    """Bounds of what stays in the hose, and what does, in g."""
    if rng.random() < 0.75:
        return (0.0, 0.0), 0.0
    lowest = round(rng.uniform(2, 40))
    highest = lowest + round(rng.uniform(2, 20))
    return (float(lowest), float(highest)), rng.uniform(lowest, highest)


def _charges(kind, scale, truth_g, kept_g, rng) -> list[Charge]:
    rate = {"slow flow": rng.uniform(0.8, 1.5), "fast flow": rng.uniform(20, 35)}.get(
        kind, float(np.exp(rng.uniform(math.log(2.5), math.log(15))))
    )
    if kind == "pulsed valve":
        rate *= 0.4  # the mean of on and off
    total = truth_g + kept_g
    masses = [total]
    if kind == "two charges":
        first = rng.uniform(0.55, 0.92)
        masses = [first * total, (1 - first) * total]
    before = rng.uniform(2, 20) if rng.random() < 0.15 else rng.uniform(20, 90)
    made: list[Charge] = []
    for mass in masses:
        start = before if not made else made[-1].end_s + rng.uniform(10, 120)
        opens = start + rng.uniform(0.3, 8)
        lasts = max(mass / rate, 4.0)
        one = Charge(start, opens, lasts, 0.0, mass)
        if scale.zeroing in {"near zero", "at rest"}:
            one.trickle_g_s, one.trickle_s = rng.uniform(0.05, 0.4), rng.uniform(10, 60)
            one.lasts_s += one.trickle_s
        if scale.zeroing == "jump":
            one.lasts_s += 40.0
        one.end_s = one.opens_s + one.lasts_s + rng.uniform(0.5, 10)
        made.append(one)
    return made


# -- the flow -----------------------------------------------------------------------------------------------------------------


def _flow(kind, charge, grid, rng):
    """Flow out of the tank in g/s; its sum over the grid is `charge.mass_g`."""
    since = grid - charge.opens_s
    left = charge.lasts_s - since
    runs = (since > 0) & (left > 0)
    shape = np.ones_like(grid)
    if rng.random() < 0.6:
        dies = rng.uniform(0.4, 2.5) * (3 if kind == "fast flow" else 1)  # no hose passes 60 g/s
        shape = np.exp(-np.clip(since, 0, charge.lasts_s) / (charge.lasts_s * dies))
    shape *= np.clip(since / rng.uniform(0.2, 1.5), 0, 1) * np.clip(left / rng.uniform(0.2, 1.5), 0, 1)
    shape *= _flashing(since, charge.lasts_s, rng)
    if kind == "pulsed valve":
        shape *= _pulses(since, rng)
    trickle = np.zeros_like(grid)
    if charge.trickle_s:
        late = rng.random() < 0.5
        slow = (left < charge.trickle_s) if late else (since < charge.trickle_s)
        trickle = np.where(runs & slow, charge.trickle_g_s, 0.0)
        shape = np.where(slow, 0.0, shape)
    elif charge.lasts_s > 60 and kind == "self-zeroing":
        pause = rng.uniform(0.2, 0.6) * charge.lasts_s
        shape[(since > pause) & (since < pause + 40.0)] = 0.0
    shape[~runs] = 0.0
    return trickle + shape * (charge.mass_g - trickle.sum() * GRID_S) / (shape.sum() * GRID_S)


def _flashing(since, lasts_s, rng):
    """Two-phase flow at the start: it comes in surges until liquid stands in the line."""
    over = min(rng.uniform(1, 8), lasts_s / 3)
    dies = np.exp(-np.clip(since, 0, None) / over)
    surge = rng.uniform(0, 0.5) * np.sin(2 * np.pi * rng.uniform(0.2, 1.5) * since + rng.uniform(0, 6.3))
    return np.clip(1 - dies * (rng.uniform(0.2, 0.8) + surge), 0.02, None)


def _pulses(since, rng):
    period, duty = rng.uniform(2, 20), rng.uniform(0.3, 0.8)
    return ((since / period) % 1.0 < duty).astype(float)


# -- forces that are no refrigerant ---------------------------------------------------------------------------------------------


def _force(kind, charges, scale, grid, lost, rng):
    force = np.zeros_like(grid)
    first, last = charges[0], charges[-1]
    whole = (3.0, grid[-1] - 3.0)
    inner = (first.opens_s + 0.15 * first.lasts_s, first.opens_s + 0.85 * first.lasts_s)
    notes = []
    if kind == "touched":
        for _ in range(rng.integers(1, 5)):
            at = first.opens_s - 1.0 if rng.random() < 0.15 else rng.uniform(*whole)
            at = last.opens_s + last.lasts_s - 1.0 if rng.random() < 0.15 else at
            what = str(rng.choice(["bumped", "lifted", "leaned on"]))
            force += _touch(what, at, scale, grid, lost, rng)
            notes.append(f"{what} at {at:.1f} s")
    elif kind == "hose relaid":
        for _ in range(rng.integers(1, 3)):
            at, over = rng.uniform(*inner), float(rng.choice([GRID_S, rng.uniform(0.5, 8)]))
            by = float(rng.choice([-1, 1]) * rng.uniform(5, 60))
            force += by * np.clip((grid - at) / over, 0, 1)
            if rng.random() < 0.6:
                force += _wobble(at, over + rng.uniform(0.5, 3), rng.uniform(2, 25), grid, rng)
            notes.append(f"{by:+.1f} g from {at:.1f} s over {over:.1f} s")
    elif kind == "re-seated":
        at, by = rng.uniform(*inner), float(rng.choice([-1, 1]) * rng.uniform(3, 80))
        lasts = rng.uniform(1, 8)
        force += _lift(at, lasts, scale, grid, lost, rng) + by * (grid >= at + lasts)
        notes.append(f"lifted at {at:.1f} s for {lasts:.1f} s, {by:+.1f} g")
    elif kind == "thermal drift":
        slope, amount, over = rng.uniform(-0.03, 0.03), 0.0, 1.0
        if rng.random() < 0.5:
            slope, amount, over = 0.0, rng.uniform(-10, 10), rng.uniform(60, 600)
        force += slope * grid + amount * (1 - np.exp(-grid / over))
        notes.append(f"{slope:+.4f} g/s" if slope else f"{amount:+.1f} g over {over:.0f} s")
    elif kind == "slow pull":
        by = float(rng.choice([-1, 1]) * rng.uniform(10, 60))
        begins = first.opens_s + rng.uniform(0, 0.5) * first.lasts_s
        over = rng.uniform(0.2, 1.0) * (first.opens_s + first.lasts_s - begins)
        force += by * np.clip((grid - begins) / over, 0, 1)
        notes.append(f"{by:+.1f} g from {begins:.1f} s over {over:.1f} s")
    return force, "; ".join(notes)


def _touch(what, at, scale, grid, lost, rng):
    if what == "bumped":
        return _bump(at, float(rng.choice([-1, 1]) * rng.uniform(20, 600)), grid, rng)
    lasts = rng.uniform(1, 10)
    if what == "lifted":
        return _lift(at, lasts, scale, grid, lost, rng)
    ramp = np.clip((grid - at) / 0.4, 0, 1) * np.clip((at + lasts - grid) / 0.4, 0, 1)
    amount = float(np.exp(rng.uniform(math.log(50), math.log(5000))))
    sways = 1 + 0.2 * np.sin(2 * np.pi * rng.uniform(0.2, 1.0) * (grid - at))
    return amount * ramp * sways


def _lift(at, lasts, scale, grid, lost, rng):
    """The tank in the hand, wholly or in part, and the knock when it is put down."""
    share = 1.0 if rng.random() < 0.6 else rng.uniform(0.05, 0.9)
    held = np.clip((grid - at) / 0.3, 0, 1) * np.clip((at + lasts - grid) / 0.3, 0, 1)
    return -share * held * (scale.tank_g - lost) + _bump(at + lasts, rng.uniform(10, 300), grid, rng)


def _bump(at, amount, grid, rng):
    since = np.clip(grid - at, 0, None)
    swings = np.exp(-since / rng.uniform(0.15, 0.7)) * np.cos(2 * np.pi * rng.uniform(1, 4) * since)
    return np.where(grid >= at, amount * swings, 0.0)


def _wobble(at, lasts, amount, grid, rng):
    inside = np.clip((grid - at) / 0.3, 0, 1) * np.clip((at + lasts - grid) / 0.3, 0, 1)
    return amount * inside * np.sin(2 * np.pi * rng.uniform(0.3, 2) * (grid - at) + rng.uniform(0, 6.3))


# -- the instrument -----------------------------------------------------------------------------------------------------------


def _lagged(load, lag_s):
    if not lag_s:
        return load
    share = 1 - math.exp(-GRID_S / lag_s)
    shown, out = float(load[0]), []
    for now in load.tolist():
        shown += share * (now - shown)
        out.append(shown)
    return np.array(out)


def _zeroed(scale, load, rng):
    """What a scale shows that moves its own zero, looked at five times a second."""
    if not scale.zeroing:
        return load, ""
    window, swallows = rng.uniform(2, 10), rng.uniform(0.3, 1.5)
    patience = rng.uniform(4, 20)
    zero = float(load[0]) if scale.tared else 0.0
    step, seen, out, rest, jumps = round(0.2 / GRID_S), float(load[0]), [], 0.0, 0
    for now in load[::step].tolist():
        slow = abs(now - seen) / 0.2 < swallows
        rest = rest + 0.2 if slow else 0.0
        if scale.zeroing == "jump":
            if rest >= patience and abs(now - zero) > scale.resolution_g / 2:
                zero, jumps = now, jumps + 1
        elif slow and (scale.zeroing == "at rest" or abs(now - zero) < window):
            zero += now - seen
        seen = now
        out.append(now - zero)
    told = f"{scale.zeroing}, below {swallows:.2f} g/s" + (f", {jumps} jumps" if jumps else "")
    return np.repeat(out, step)[: load.size], told


def _samples(kind, scale, charges, grid, rng):
    times = np.arange(0.0, grid[-1], scale.every_s)
    times[1:] += rng.uniform(-0.1, 0.1, times.size - 1) * scale.every_s
    if kind != "gaps":
        return times
    keep = np.ones(times.size, dtype=bool)
    for _ in range(rng.integers(1, 4)):
        lasts = float(np.exp(rng.uniform(math.log(5), math.log(90))))
        begins = rng.uniform(max(2.0, charges[0].start_s - 20), charges[-1].end_s + 5)
        keep &= ~((times > begins) & (times < min(begins + lasts, grid[-1] - 8.0)))
    return times[keep]


def _read(scale, times, grid, shown, full_g, drawn_g, rng):
    at = np.interp(times, grid, shown)
    limit = scale.limit_of_error_g
    before, after = rng.uniform(-limit, limit, 2)
    if scale.tared:
        full_g, drawn_g = 0.0, drawn_g - full_g
    error = np.clip(after + (before - after) * (at - drawn_g) / (full_g - drawn_g), -limit, limit)
    noise = rng.normal(0, scale.noise_g, times.size)
    if rng.random() < 1 / 3:
        stays = math.exp(-scale.every_s / rng.uniform(1, 5))
        for i in range(1, noise.size):
            noise[i] = stays * noise[i - 1] + math.sqrt(1 - stays**2) * noise[i]
    return np.round((at + error + noise) / scale.resolution_g) * scale.resolution_g / 1000 + 0.0


# -- the books ----------------------------------------------------------------------------------------------------------------


def check(one: ScaleTrace) -> None:
    """Raises AssertionError where the trace's truth is not what its own inside says."""
    inside = one.inside
    car = float(np.sum(inside.into_car_g_s)) * GRID_S
    tank = float(np.sum(inside.from_tank_g_s)) * GRID_S
    assert abs(car - one.truth_g) < 1e-6 * one.truth_g, (one.kind, car, one.truth_g)
    lowest, highest = one.hose_g
    assert lowest - 1e-6 <= tank - car <= highest + 1e-6, (one.kind, tank, car)
    marked = np.zeros(inside.times_s.size, dtype=bool)
    for (start, begun), (end, ended) in zip(one.marks[::2], one.marks[1::2], strict=True):
        assert (begun, ended) == ("charge start", "charge end")
        assert 0 < start < end < one.times_s[-1] + 2.0
        marked |= (inside.times_s >= start) & (inside.times_s <= end)
    assert not inside.from_tank_g_s[~marked].any(), one.kind
    assert (inside.from_tank_g_s >= 0).all()
    assert (np.diff(one.times_s) > 0).all()
    assert one.times_s.size == one.masses_kg.size
    assert np.isfinite(one.masses_kg).all()
