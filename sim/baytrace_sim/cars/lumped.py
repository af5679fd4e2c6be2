"""A loop of lumped correlations: compressor polynomials, conductances on mean differences, charge as a line with breakpoints.

Theory.
- Compressor: capacity and power per volume swept are bi-quadratics of evaporating and condensing temperature (`lumped_map`).
- Condenser: heat = conductance x (condensing - mean of air in and out); the conductance goes with the root of the air's flow.
- Evaporator: heat = the larger of a dry line (inlet air - evaporating) and a wet one (wet bulb - evaporating); superheat takes from
  it as a power of what is left of (air - evaporating). The sensible share is a correlation of inlet, dew point and surface.
- Charge: subcooling as a share of (condensing - air) is a line over charge with breakpoints: rising, a plateau while a receiver
  or an accumulator makes up, rising again while the condenser floods. Below none, vapour reaches the valve. What a
  starved evaporator does not hold counts as charge of the high side.
- Valve: flow is linear in lift and subcooling. A thermostatic valve keeps its superheat until it is full. A tube passes what
  it passes: with liquid in the accumulator superheat stays near none and subcooling gives way, without it superheat rises.
- Clutch and stroke: displacement is cut back by what keeps evaporating at its set point, then by the pressure switches.

One number z says which side gives way: above 0 superheat rises (z = 1: up to the air), below 0 subcooling falls. The three
unknowns (condensing, evaporating, z) are bisected inside each other, for all states at once.

Limits: no pressure drop, oil or transients; priors are wide and common practice, no source, but where `published.toml` names
one. Temperatures in degC in here.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from baytrace_sim.cars.day import STRENGTHS, CarDay, car_days
from baytrace_sim.cars.lumped_cars import Parts, drawn
from baytrace_sim.cars.lumped_map import RATED_SUPERHEAT_K, Floats, Lines, lines, terms
from baytrace_sim.cars.properties import properties
from baytrace_sim.cars.standing import AIR, CLUTCH, not_pumping, standing
from baytrace_sim.cars.states import REFRIGERANTS, SOUND, State, Table

_STUCK = "wet or stuck valve"
_STEPS, _INNER_STEPS = 18, 14
_LEAST_Z, _DRY_Z = -1.4, 0.25  # superheat of a stuck valve is gone at -_DRY_Z; below it subcooling falls
_LEAST_STROKE, _MOST_LIFT = 0.001, 66.0
_CUT, _MOST_CUTS = 0.86, 14
_MOST_SHARE = 0.92
_VAPOUR_K = 20.0  # K that liquid had to be warmer to hold as much as what leaves at share -1


@dataclass(frozen=True, slots=True)
class Balance:
    """Arrays: degC, K, kg/s, W. `flow` is the compressor's, `passed` what the valve would pass; `share` is subcooling over
    (condensing - air), negative where vapour reaches the valve; `starved` how far superheat is on its way up to the air (0 to 1).
    """

    evaporating: Floats
    condensing: Floats
    total: Floats
    superheat: Floats
    starved: Floats
    share: Floats
    flow: Floats
    passed: Floats
    heat: Floats
    power: Floats
    stroke: Floats


def charge_share(p: Parts, starved: Floats) -> tuple[Floats, Floats]:
    """(subcooling over condensing - air, share of the condenser flooded or, negative, freed); `starved` is the evaporator's dry share."""
    charge = p.charge + p.moves * starved
    short = np.maximum(p.plateau_from - charge, 0.0)
    over = np.maximum(charge - p.plateau_to, 0.0)
    inside = np.clip(charge, p.plateau_from, p.plateau_to) - 1.0
    share = p.subcooled - p.short_slope * short + 0.10 * inside + p.over_slope * over
    # a liquid line gets no colder than the air
    share = np.where(share > 0.7, 0.7 + 0.22 * np.tanh((share - 0.7) / 0.22), share)
    # where liquid leaves, area comes free to condense on
    freed = p.relief * np.minimum(p.short_slope * short, p.subcooled)
    return np.minimum(share, _MOST_SHARE), np.minimum(p.flooding * over, 0.75) - freed


def superheat_of(p: Parts, z: Floats, evaporating: Floats) -> Floats:
    """K: the set superheat, gone where liquid comes over, up to the air where the evaporator is starved."""
    kept = p.set_superheat * np.clip(1.0 + np.minimum(z, 0.0) / _DRY_Z, 0.0, 1.0)
    kept = np.where(p.accumulator, p.set_superheat * p.wetness, kept)
    return np.asarray(kept + np.maximum(z, 0.0) * np.maximum(p.air - evaporating - kept - 0.5, 0.0))


def liquid_at(p: Parts, condensing: Floats, share: Floats) -> Floats:
    """degC of the liquid line, or of liquid that holds the enthalpy of what leaves with vapour in it."""
    return condensing - np.where(share > 0.0, share * (condensing - p.air), _VAPOUR_K * np.maximum(share, -1.0))


def _condensed(
    p: Parts, told: Lines, evaporating: Floats, superheat: Floats, *, stroke: Floats, flooded: Floats, share: Floats
) -> Floats:
    """degC at which the condenser rejects what the compressor brings (condensing of the refrigerant's own pressure)."""
    conductance = p.condenser * np.sqrt(p.condenser_air) * (1.0 - flooded) * (1.0 - p.air_blanket)
    air = p.condenser_capacity * p.condenser_air
    per_watt = 1.0 / conductance + (0.5 + p.soak) / air
    low, high = p.air + 0.5, p.air + _MOST_LIFT + 0.0 * per_watt
    for _ in range(_INNER_STEPS):
        guess = 0.5 * (low + high)
        power, flow = _compressor(p, told, evaporating, guess, superheat=superheat, stroke=stroke)
        heat = flow * told.effect_of(evaporating, liquid_at(p, guess, share), superheat)
        more = p.air + (heat + 0.92 * power) * per_watt > guess
        low, high = np.where(more, guess, low), np.where(more, high, guess)
    return 0.5 * (low + high)


def _compressor(
    p: Parts, told: Lines, evaporating: Floats, condensing: Floats, *, superheat: Floats, stroke: Floats
) -> tuple[Floats, Floats]:
    """Power W, flow kg/s."""
    total = np.where(p.air_pa > 0.0, told.boiling(told.pressure(condensing) + p.air_pa), condensing)
    cold, hot = np.clip(evaporating, -27.0, 34.0), np.clip(total, 20.0, 90.0)
    basis = terms(cold, hot)
    swept = p.swept * stroke * p.pumping
    tilt = 1.0 + p.tilt * (hot - cold - 50.0) / 50.0
    thin = 1.0 - 0.0042 * (superheat - RATED_SUPERHEAT_K)
    heat = np.maximum(np.tensordot(told.capacity, basis, 1) * tilt, 5e4) * swept * thin
    power = np.maximum(np.tensordot(told.power, basis, 1), 2e4) * swept * thin * p.work
    return power, heat / told.effect_of(cold, hot - 5.0, np.full_like(hot, RATED_SUPERHEAT_K))


def cooling(p: Parts, evaporating: Floats, starved: Floats) -> Floats:
    """W that the evaporator's air gives up; `starved` as in `Balance`."""
    dry = p.evaporator * (p.air - evaporating)
    wet = p.evaporator * p.wet_gain * (p.wet_bulb - evaporating)
    return np.maximum(np.maximum(dry, wet), 1.0) * (1.0 - starved) ** p.dry_loss


def balance(p: Parts, told: Lines, z: Floats) -> Balance:
    """Condensing and evaporating for a given z."""
    starved = np.clip(z, 0.0, 0.999)

    def at(evaporating: Floats, stroke: Floats) -> Balance:
        superheat = superheat_of(p, z, evaporating)
        share, flooded = charge_share(p, starved)
        share = share + np.where(p.accumulator, np.minimum(z, 0.0), np.minimum(z + _DRY_Z, 0.0))
        condensing = _condensed(p, told, evaporating, superheat, stroke=stroke, flooded=flooded, share=share)
        power, flow = _compressor(p, told, evaporating, condensing, superheat=superheat, stroke=stroke)
        effect = told.effect_of(evaporating, liquid_at(p, condensing, share), superheat)
        total = np.where(p.air_pa > 0.0, told.boiling(told.pressure(condensing) + p.air_pa), condensing)
        subcooling = np.maximum(share, 0.0) * (condensing - p.air)
        passed = p.opening * (1.0 + p.by_lift * (total - evaporating - 50.0) + p.by_subcooling * (subcooling - 8.0))
        passed = np.maximum(passed, 0.02 * p.opening) * np.exp(p.by_vapour * np.minimum(share, 0.0))
        return Balance(
            evaporating, condensing, total, superheat, starved, share, flow, passed, flow * effect, power, stroke
        )

    def surplus(found: Balance) -> Floats:
        return found.heat - cooling(p, found.evaporating, found.starved)

    # four ways to stand, from warm to cold: full stroke; stroke cut back at the set point; least stroke; low-pressure switch
    full = np.ones_like(p.air)
    warm = surplus(at(p.set_point, full)) <= 0.0
    cut_back = ~warm & (surplus(at(p.set_point, p.least_stroke)) <= 0.0)
    least = ~warm & ~cut_back & (surplus(at(p.low_cut, p.least_stroke)) <= 0.0)
    ways = [warm, cut_back, least]
    low = np.select(ways, [p.set_point, p.least_stroke, p.low_cut], _LEAST_STROKE * full)
    high = np.select(ways, [p.air - 1.0, full, p.set_point], p.least_stroke)
    seeks_stroke = cut_back | ~(warm | least)
    stands = np.where(cut_back, p.set_point, p.low_cut)
    stroke = np.where(warm, 1.0, p.least_stroke)
    for _ in range(_STEPS):
        guess = 0.5 * (low + high)
        found = at(np.where(seeks_stroke, stands, guess), np.where(seeks_stroke, guess, stroke))
        less = surplus(found) > 0.0
        low, high = np.where(less, low, guess), np.where(less, guess, high)
    return found


def solve(p: Parts, told: Lines) -> Balance:
    """The steady state; a valve that governs stays at z = 0 while it is not full. Where the high-pressure switch would open,
    the clutch is let go for a share of the time until it does not.
    """
    found = _solve(p, told)
    for _ in range(_MOST_CUTS):
        hot = np.flatnonzero(found.total > p.high_cut)
        if not len(hot):
            break
        p = replace(p, swept=np.where(found.total > p.high_cut, p.swept * _CUT, p.swept))
        again = _solve(_some(p, hot), told)
        for field in fields(Balance):
            getattr(found, field.name)[hot] = getattr(again, field.name)
    return found


def _some(p: Parts, which: npt.NDArray[np.intp]) -> Parts:
    return Parts(**{f.name: getattr(p, f.name)[which] for f in fields(Parts)})


def _solve(p: Parts, told: Lines) -> Balance:
    low = np.where(p.governs, 0.0, _LEAST_Z)
    high = np.full_like(low, 1.0)
    unchoked = balance(p, told, np.zeros_like(low))
    governed = p.governs & (unchoked.passed >= unchoked.flow)
    low, high = np.where(governed, 0.0, low), np.where(governed, 0.0, high)
    for _ in range(_STEPS):
        guess = 0.5 * (low + high)
        found = balance(p, told, guess)
        more = found.passed < found.flow
        low, high = np.where(more, guess, low), np.where(more, high, guess)
    return balance(p, told, 0.5 * (low + high))


def _faulty(p: Parts, cause: str, strength: float, sound: Balance) -> Parts:
    """The same cars with one fault."""
    share = strength / 100.0
    if cause == "undercharge":
        return replace(p, charge=p.charge * (1.0 - share))
    if cause == "overcharge":
        full = np.where(p.accumulator, np.maximum(p.charge * (1.0 + share) - p.plateau_to, 0.0), 0.0)
        return replace(p, charge=p.charge * (1.0 + share), wetness=np.clip(1.0 - 9.0 * full, 0.0, 1.0))
    if cause == "condenser airflow":
        subcooled = p.subcooled * (1.0 - share) ** p.subcooled_air
        return replace(p, condenser_air=p.condenser_air * (1.0 - share), subcooled=subcooled)
    if cause == "worn or slipping compressor":
        return replace(p, pumping=p.pumping * (1.0 - share), work=p.work * (1.0 + p.wear_work * share))
    if cause == "restriction":
        return replace(p, opening=p.opening * (1.0 - share) ** p.area_power)
    if cause == AIR:
        blanket = np.minimum(p.blanket * share, 0.5)
        return replace(p, air_pa=share * p.standing_pa * p.gathers, air_blanket=blanket)
    if cause == _STUCK:
        factor = np.where(p.stuck_open, 1.0 + share, 1.0 - share)
        usual = np.where(p.governs, p.opening * sound.flow / sound.passed, p.opening)
        return replace(p, opening=usual * factor, governs=np.zeros_like(p.governs))
    return p


def _states(days: list[CarDay], p: Parts, found: Balance, cause: str, strength: float) -> list[State]:
    """Rows as the gauges and clamps read them."""
    fluid = properties(days[0].refrigerant)
    total = fluid.saturation_temperature(fluid.at(found.condensing + 273.15).p + p.air_pa) - 273.15
    liquid = liquid_at(p, found.condensing, np.maximum(found.share, 0.0))
    superheat = found.superheat + p.line_gain * np.where(found.superheat > 0.0, 1.0, 0.2)
    lift = total - found.evaporating
    wear = strength / 100.0 if cause == "worn or slipping compressor" else 0.0
    over = np.maximum(1.0 - found.superheat / np.maximum(p.set_superheat, 0.5), 0.0)
    discharge = p.hot_lift * lift * (1.0 + p.wear_hot * wear) + superheat - p.wet_cooling * over + p.hot_offset
    rows = []
    surface = found.evaporating + 2.0 + 0.1 * (p.air - found.evaporating)
    sensible = p.air - surface
    ratio = sensible / (sensible + p.latent_gain * np.maximum(p.dew_point - surface, 0.0))
    vent = p.air - ratio * cooling(p, found.evaporating, found.starved) / p.blower_capacity
    vent = np.maximum(vent, found.evaporating + 1.5) + p.duct_gain
    for i, day in enumerate(days):
        ambient = day.ambient
        rows.append(
            State(
                day.car, day.refrigerant, day.valve, day.compressor, day.speed, cause, strength, ambient, day.humidity,
                evaporating=float(found.evaporating[i]),
                condensing=float(total[i] - ambient),
                superheat=float(min(superheat[i], ambient + 6.0 - found.evaporating[i])),
                subcooling=float(total[i] - liquid[i]),
                approach=float(liquid[i] - ambient),
                vent=float(min(vent[i] - ambient, 0.0)),
                discharge=float(max(discharge[i], 0.5)),
                static=standing(day.refrigerant, ambient, strength if cause == AIR else 0.0),
                capacity=float(found.heat[i]),
            )
        )  # fmt: skip
    return rows


def _solved(p: Parts, found: Balance) -> npt.NDArray[np.bool_]:
    """Whether the search ended inside its bounds."""
    closed = np.abs(found.heat / cooling(p, found.evaporating, found.starved) - 1.0) < 0.02
    met = np.abs(found.passed / found.flow - 1.0) < 0.02
    inside = found.condensing < p.air + _MOST_LIFT - 1.0
    return closed & (met | (p.governs & (found.passed >= found.flow))) & inside & (found.total < p.high_cut + 0.5)


def _faults() -> list[tuple[str, float]]:
    return [(cause, strength) for cause, strengths in STRENGTHS.items() if cause != CLUTCH for strength in strengths]


def _joined(parts: list[Parts]) -> Parts:
    """All as one, for one search: an array operation costs the same for one car as for a hundred."""
    return Parts(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Parts)})


def _part(found: Balance, index: int, cars: int) -> Balance:
    rows = slice(index * cars, (index + 1) * cars)
    return Balance(*(getattr(found, f.name)[rows] for f in fields(Balance)))


def states_of(days: list[CarDay], seed: int) -> tuple[list[State], int]:
    """(states, failed) of cars that hold one refrigerant."""
    told = lines(days[0].refrigerant)
    p = drawn(days, seed, told)
    sound = solve(p, told)
    faults = _faults()
    parts = [_faulty(p, cause, strength, sound) for cause, strength in faults]
    solved = solve(_joined(parts), told)
    every = [(SOUND, 0.0, p, sound)]
    every += [(*fault, parts[i], _part(solved, i, len(days))) for i, fault in enumerate(faults)]
    rows = [
        (row, bool(fine))
        for cause, strength, part, found in every
        for row, fine in zip(_states(days, part, found, cause, strength), _solved(part, found), strict=True)
    ]
    for day, (suction, liquid, hot) in zip(days, p.bay.tolist(), strict=True):
        rows.append((not_pumping(day, (suction, liquid, hot)), True))
    kept = [row for row, fine in rows if fine and row.physical]
    return kept, len(rows) - len(kept)


def table(cars: int, seed: int) -> Table:
    """`cars` cars of seed `seed`, by car; states that were not solved or break a law are left out and counted."""
    days = car_days(cars, seed)
    states: list[State] = []
    failed = 0
    for refrigerant in REFRIGERANTS:
        of = [day for day in days if day.refrigerant == refrigerant]
        if of:
            rows, missed = states_of(of, seed)
            states, failed = states + rows, failed + missed
    return Table(tuple(sorted(states, key=lambda state: state.car)), failed)
