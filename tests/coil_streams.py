"""Made-up ohmmeter streams with a known truth: what a hurried hand and an ordinary meter make of a bank of coils."""

import math
import random
from dataclasses import dataclass, field

from baytrace.measure.accuracy import Accuracy
from baytrace.measure.channel import Channel
from baytrace.measure.instant import NS
from baytrace.measure.reading import Mark, Quality, Reading
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.watch import View, build

LOW, HIGH = 13.5, 17.5
ACCURACY = "0.5 % of reading + 2 counts (0.01 ohm)"


@dataclass
class Stream:
    """Readings and marks in time order, the settings to judge with, and the truth by contact order."""

    items: list = field(default_factory=list)
    settings: dict = field(default_factory=dict)
    truth: list = field(default_factory=list)
    shown: list = field(default_factory=list)
    features: set = field(default_factory=set)


def view(accuracy=ACCURACY, unit="ohm", temperature="1 K"):
    coil, celsius = unit_for(Role.COIL_RESISTANCE, unit), unit_for(Role.COIL_TEMPERATURE, "degC")
    return View(
        {
            "coil": Channel("coil", Role.COIL_RESISTANCE, coil, Accuracy.parse(accuracy), "meter 3"),
            "warm": Channel("warm", Role.COIL_TEMPERATURE, celsius, Accuracy.parse(temperature), "probe 2"),
        }
    )


def judge(items, settings, channels=None):
    watch = build("sweep", settings, channels or view())
    for item in items:
        watch.mark(item) if isinstance(item, Mark) else watch.reading(item)
    return watch


def ohm(second, value):
    """One meter reading; infinite is an open circuit as an adapter hands it over."""
    quality = Quality.OPEN_CIRCUIT if math.isinf(value) else Quality.GOOD
    return Reading(int(second * NS), "coil", Role.COIL_RESISTANCE, value, int(quality))


def degc(second, celsius):
    return Reading(int(second * NS), "warm", Role.COIL_TEMPERATURE, celsius + 273.15)


def plain(values, *, period=0.2, touch=3.0, lift=2.0, marks=False, nothing=math.inf):
    """A clean stream: open, contact, open ... `nothing` is what open reads, None for no reading at all."""
    items, now = [], 0.0

    def hold(seconds, value):
        nonlocal now
        for _ in range(round(seconds / period)):
            if value is not None:
                items.append(ohm(now, value))
            now += period

    hold(lift, nothing)
    for position, value in enumerate(values, 1):
        if marks:
            items.append(Mark(int((now - period) * NS), f"coil {position}"))
        hold(touch, value)
        hold(lift, nothing)
    return items


def truth_of(ohm20):
    if ohm20 <= 0.1 * LOW:
        return "short"
    return "low" if ohm20 < LOW else "high" if ohm20 > HIGH else "within"


class _Hand:
    """Writes one stream."""

    def __init__(self, rng):
        self.rng, self.now, self.out = rng, 0.0, Stream()
        self.period = rng.choice([0.05, 0.1, 0.2, 0.25, 0.5])
        self.gain = 1.0 + rng.uniform(-0.005, 0.005)
        self.offset = rng.uniform(-0.02, 0.02)
        self.lead = rng.uniform(0.05, 0.35)
        self.nothing = rng.choice([math.inf, math.inf, 9.9e37])
        self.spikes = rng.choice([0.0, 0.01, 0.04])
        self.celsius = rng.choice([20.0, rng.uniform(5.0, 90.0)])

    def say(self, value):
        if value is not None and math.isfinite(value) and value < 1e6:
            value = round(value * self.gain + self.offset, 2)
        if value is not None:
            self.out.items.append(ohm(self.now, value))
        self.now += self.period * self.rng.uniform(0.98, 1.02)

    def open(self, seconds):
        end, hands = self.now + seconds, self.rng.random() < 0.1
        while self.now < end:
            touched = hands and self.rng.random() < 0.05
            self.say(self.rng.uniform(2e5, 9e5) if touched else self.nothing)

    def contact(self, true, seconds, *, bounce=True):
        rng, begin = self.rng, self.now
        wander = rng.uniform(-0.02, 0.02)
        bounces = rng.randrange(4) if bounce else 0
        for _ in range(bounces):
            if self.now - begin > 0.4:
                break
            self.say(true * rng.uniform(0.9, 3.0) + self.lead)
            if rng.random() < 0.6:
                self.say(self.nothing)
        settle = rng.choice([0.05, 0.15, 0.3])
        end = begin + seconds
        while self.now < end:
            shown = true + self.lead + wander + rng.gauss(0.0, 0.006)
            shown += 0.5 * max(true, 1.0) * math.exp(-(self.now - begin) / settle)
            if rng.random() < self.spikes:
                shown = rng.choice([0.0, rng.uniform(100.0, 9e4), self.nothing])
                self.out.features.add("spike")
            self.say(shown)
        if bounces > 2:
            self.say(self.nothing)
            self.say(true * rng.uniform(1.0, 1.5) + self.lead)


def simulated(seed):
    """One stream: 3 to 12 coils with bounce, range-change spikes, wandering leads, missed and repeated contacts."""
    rng = random.Random(seed)
    hand, count = _Hand(rng), rng.randint(3, 12)
    marked = rng.random() < 0.4
    base, out = rng.uniform(14.0, 16.5), hand.out
    out.settings = {"coils": count, "low_ohm": LOW, "high_ohm": HIGH}
    nulling = rng.choice(["set", "touched", "unknown"])
    if nulling == "unknown":
        # worse leads than the allowance must be nulled, and the watch says so
        hand.lead = rng.uniform(0.02, 0.2)
    hand.open(3.0)
    if nulling == "set":
        out.settings["lead_ohm"] = round(hand.lead, 2)
    elif nulling == "touched":
        out.items.append(Mark(int(hand.now * NS), "leads shorted"))
        hand.contact(0.0, 2.5, bounce=False)
        hand.open(2.5)
    missed = rng.randrange(count) if rng.random() < 0.12 else None
    warm = 1.0 + 0.00393 * (hand.celsius - 20.0)
    for index in range(count):
        ohm20 = base + rng.gauss(0.0, 0.12)
        draw = rng.random()
        if draw < 0.10:
            ohm20 = rng.choice([rng.uniform(6.0, 13.6), rng.uniform(17.4, 30.0), rng.uniform(0.05, 0.4)])
        if index == missed:
            out.features.add("missed")
            if not marked:
                continue
        lifted = marked and draw > 0.97
        if marked and index != missed:
            out.items.append(Mark(int((hand.now - rng.uniform(0.0, 1.0)) * NS), f"coil {index + 1}"))
        if index == missed:
            out.truth.append((index + 1, "missing", None))
            continue
        if lifted:
            hand.open(rng.uniform(3.0, 6.0))
            out.truth.append((index + 1, "open", None))
            continue
        hand.contact(ohm20 * warm, rng.uniform(2.0, 6.0))
        if rng.random() < 0.12:
            out.features.add("repeat")
            hand.open(rng.uniform(0.3, 0.9))
            hand.contact(ohm20 * warm, rng.uniform(1.8, 3.0))
        out.truth.append((index + 1 if marked else len(out.truth) + 1, truth_of(ohm20), ohm20 * warm))
        hand.open(rng.uniform(2.0, 5.0))
    if hand.celsius != 20.0 or rng.random() < 0.5:
        error = rng.uniform(-1.0, 1.0)
        out.items += [degc(second, hand.celsius + error) for second in range(int(hand.now))]
    else:
        out.settings |= {"temperature_c": 20.0, "temperature_u_k": 0.5}
    out.items.sort(key=lambda item: item.time_ns)
    return out
