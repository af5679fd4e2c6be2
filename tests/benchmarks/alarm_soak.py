"""Thirty days of limits and alarms at compressed time, with random faults: no alarm lost, none stuck.

    python tests/benchmarks/alarm_soak.py [days] [seed]

Method: six channels read once a second around their limits, with excursions, noise at the limit, dropouts, unusable readings, late
readings and stalls; people acknowledge, shelve, suppress and reset at random; the bench restarts from the journal's events about
every two hours. Beside it runs a plain second model, which knows only the readings: an excursion that lasted its on-delay in
unbroken sight must have been raised by then (else it is lost), and an alarm whose channel was in sight and clear for its off-delay
must have returned (else it is stuck). After each restart the folded book must equal the one before. At the end everything is made
normal, answered, uncovered and reset, and the book must be empty.
"""

import math
import random
import sys
import time
from collections import Counter

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.measure.instant import NS
from baytrace.measure.reading import Event, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.alarms import ACTIVE, State
from baytrace.watches.limits import LimitEngine, parse_rules

CHANNELS = {
    f"t{index}": Channel(f"t{index}", Role.AUXILIARY, unit_for(Role.AUXILIARY, "V"), Accuracy()) for index in range(6)
}
RULES = parse_rules(
    {
        "channel": f"t{index}",
        "high": 10.0,
        "deadband": 0.05 if index == 0 else 1.0,
        "on_delay_s": on,
        "off_delay_s": off,
        "latched": latched,
        "stale_after_s": 30.0,
    }
    for index, (on, off, latched) in enumerate(
        [(0, 0, False), (5, 0, False), (0, 5, False), (5, 5, True), (20, 60, False), (1, 1, True)]
    )
)


class Process:
    """One channel's value: long quiet, excursions, and dwelling right at the limit."""

    def __init__(self, rng):
        self.rng, self.level, self.left, self.silent, self.broken = rng, 5.0, 60, 0, 0

    def step(self):
        """The value now, None for silence, nan for an unusable reading."""
        rng = self.rng
        self.left -= 1
        if self.left <= 0:
            self.level = rng.choice([5.0, 5.0, 5.0, 14.0, 9.6, 10.0])
            self.left = int(rng.expovariate(1 / 300)) + 1
            if rng.random() < 0.05:
                self.silent = int(rng.expovariate(1 / 60)) + 1
            if rng.random() < 0.05:
                self.broken = rng.randrange(1, 30)
        if self.silent > 0:
            self.silent -= 1
            return None
        if self.broken > 0:
            self.broken -= 1
            return float("nan")
        return self.level + rng.gauss(0.0, 0.15)


class Model:
    """What must hold, from the readings alone: seconds in unbroken sight above the limit, and clear of it."""

    def __init__(self, rule):
        self.rule, self.above, self.clear = rule, None, None

    def see(self, value, second):
        if value is None or math.isnan(value):
            self.above = self.clear = None
            return
        self.above = (second if self.above is None else self.above) if value > 10.0 else None
        self.clear = (second if self.clear is None else self.clear) if value <= 10.0 - self.rule.deadband else None

    def must_stand(self, second):
        return self.above is not None and second - self.above >= self.rule.on_delay_s

    def must_have_returned(self, second):
        return self.clear is not None and second - self.clear >= self.rule.off_delay_s


def people(engine, rng, now, counts):
    """Somebody does something, sensible or not."""
    alarm = f"t{rng.randrange(6)}-{rng.choice(['high', 'stale'])}"
    act = rng.choice(
        ["acknowledge", "acknowledge", "shelve", "unshelve", "suppress", "unsuppress", "unsuppress", "reset"]
    )
    try:
        if act == "shelve":
            engine.book.shelve(alarm, "Ada", now, now + rng.randrange(60, 7200) * NS, "moving a probe")
        elif act == "suppress":
            engine.book.suppress(alarm, "Ada", now, "engine is off")
        else:
            getattr(engine.book, act)(alarm, "Ada", now, "seen")
        counts[act] += 1
    except BadInput:
        counts["refused"] += 1


def settle(engine, now):
    """Everything normal, answered, uncovered and reset."""
    for second in range(1, 200):
        for name in CHANNELS:
            engine.reading(Reading(now + second * NS, name, Role.AUXILIARY, 5.0))
        engine.advance(now + second * NS)
    now += 200 * NS
    for row in engine.book.standing():
        for act in ("unsuppress", "unshelve", "acknowledge", "reset"):
            try:
                getattr(engine.book, act)(row["alarm"], "Ada", now)
            except BadInput:
                continue
    return engine.book.standing()


def soak(days, seed):
    rng = random.Random(seed)
    engine, events, counts, faults = LimitEngine(RULES, CHANNELS), [], Counter(), []
    processes = {name: Process(rng) for name in CHANNELS}
    models = {name: Model(rule) for name, rule in zip(CHANNELS, RULES, strict=True)}
    stall = 0
    for second in range(int(days * 86_400)):
        now = second * NS
        if stall:
            stall -= 1
        elif rng.random() < 1 / 20_000:
            stall = rng.randrange(1, 600)
        for name, process in processes.items():
            value = None if stall else process.step()
            if value is not None:
                quality = Quality.NOT_A_NUMBER if math.isnan(value) else Quality.GOOD
                engine.reading(Reading(now, name, Role.AUXILIARY, value, int(quality)))
                if rng.random() < 1 / 5_000:
                    engine.reading(Reading(now - 5 * NS, name, Role.AUXILIARY, 99.0))
            models[name].see(value, second)
        engine.advance(now)
        if rng.random() < 1 / 120:
            people(engine, rng, now, counts)
        for transition in engine.transitions():
            events.append(Event(transition.time_ns, 0, "alarm", "", transition.data()))
            counts[transition.action] += 1
            counts["flapping"] += transition.flapping and transition.action == "raised"
        for name, model in models.items():
            standing = engine.book.beneath(f"{name}-high") in ACTIVE
            if model.must_stand(second) and not standing:
                faults.append(f"lost: {name} at {second} s")
            if model.must_have_returned(second) and standing:
                faults.append(f"stuck: {name} at {second} s")
        if rng.random() < 1 / 7_200:
            before = engine.book.snapshot()
            engine = LimitEngine(RULES, CHANNELS)
            engine.restore(events)
            counts["restarts"] += 1
            if engine.book.snapshot() != before:
                faults.append(f"restart at {second} s changed the book")
            for model in models.values():
                model.above = model.clear = None
    left = settle(engine, int(days * 86_400) * NS)
    faults += [f"left standing at the end: {row['alarm']} {row['state']}" for row in left]
    covered = sum(1 for name in CHANNELS if engine.book.state(f"{name}-high") in (State.SHELVED, State.SUPPRESSED))
    return counts, faults, covered, len(events)


def main():
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    begun = time.perf_counter()
    counts, faults, covered, events = soak(days, seed)
    spent = time.perf_counter() - begun
    lines = [f"{days:g} days in {spent:.0f} s, {events} transitions kept", f"{dict(counts)}", *faults[:20]]
    lines.append(f"faults: {len(faults)}; still covered: {covered}")
    sys.stdout.write("\n".join(lines) + "\n")
    return 1 if faults or covered else 0


if __name__ == "__main__":
    sys.exit(main())
