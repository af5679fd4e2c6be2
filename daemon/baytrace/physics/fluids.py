"""Refrigerant states through CoolProp's low-level interface.

Rules of this file:
- Temperatures in K, pressures in Pa absolute, specific enthalpy in J/kg, density in kg/m3, entropy in J/(kg K).
- A blend keeps its bubble point (first vapour) and dew point (last liquid) apart; superheat counts from the dew point,
  subcooling from the bubble point. Where CoolProp has a pseudo-pure equation of a blend (R404A, R407C, R410A, R507A) that
  one is used: it agrees with the mixture model to a few mK and does not lose its way near the critical point.
- A measured pressure and temperature may lie on the saturation line, where pressure and temperature do not fix a state
  and CoolProp refuses. Such a state is given its saturated value on the side the caller names, never an error.
- Above the critical point there is no saturation: `AboveCritical` is raised, a BadInput that a watch can catch.
- Below the triple point only water has a curve here (ice and vapour, IAPWS R14-08); CoolProp would quietly extrapolate
  the liquid.
- Enthalpies have the reference state CoolProp gives them (200 kJ/kg for liquid at 0 degC for most refrigerants). Only
  differences mean something; the reference state is never changed, as that would be global to the process.
- CoolProp states are not shared between threads.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from baytrace.measure.faults import BadInput
from baytrace.measure.later import Later
from baytrace.measure.roles import Quantity
from baytrace.measure.units import STANDARD_ATMOSPHERE_PA, Against, known_units, parse_unit
from baytrace.physics import moisture
from baytrace.physics.fluid_names import Fluid, resolve

CoolProp = Later("CoolProp")
LIQUID_VAPOUR, ICE_VAPOUR = "liquid-vapour", "ice-vapour"
_ON_THE_LINE = 2e-6  # relative distance in pressure within which CoolProp refuses a pressure-temperature state


class AboveCritical(BadInput):
    """There is no saturation at this pressure or temperature: the fluid is above its critical point."""


@dataclass(frozen=True, slots=True)
class Saturation:
    """Equilibrium at one temperature or pressure; for a pure fluid bubble and dew are the same."""

    fluid: str
    phase: str
    bubble_temperature_k: float
    dew_temperature_k: float
    bubble_pressure_pa: float
    dew_pressure_pa: float
    blend: bool = False

    @property
    def temperature_k(self) -> float:
        """Middle of the glide."""
        return 0.5 * (self.bubble_temperature_k + self.dew_temperature_k)

    @property
    def pressure_pa(self) -> float:
        return 0.5 * (self.bubble_pressure_pa + self.dew_pressure_pa)


class _States(threading.local):
    def __init__(self) -> None:
        self.by_name: dict[str, Any] = {}


_states = _States()


def abstract_state(fluid: str | Fluid) -> Any:
    """CoolProp's state of `fluid` in this thread; whoever calls must update it before reading it."""
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    state = _states.by_name.get(known.key)
    if state is None:
        state = CoolProp.AbstractState("HEOS", known.coolprop)
        if known.fractions:
            state.set_mole_fractions(list(known.fractions))
        _states.by_name[known.key] = state
    return state


def _refused(fluid: Fluid, what: str) -> BadInput:
    return BadInput(
        f"no saturation of {fluid.name} at {what}", right="the equation of state finds no equilibrium there"
    )


def _check(fluid: Fluid, what: str, value: float, critical: float, triple: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise BadInput(
            f"{what} is no absolute temperature or pressure", where=fluid.name, right="give a number above zero"
        )
    if value > critical:
        raise AboveCritical(
            f"{fluid.name} has no saturation at {what}: it is above the critical point",
            right=f"critical point: {fluid.critical_temperature_k - 273.15:.2f} degC, {fluid.critical_pressure_pa / 1e5:.2f} bar absolute",
        )
    if value < triple:
        raise BadInput(
            f"{fluid.name} has no liquid at {what}: it is below the triple point",
            right=f"lowest: {fluid.lowest_temperature_k - 273.15:.2f} degC",
        )


def _flash(fluid: Fluid, inputs: int, first: float, second: float) -> Any:
    """An updated state on the line; a blend's flash that ran into the trivial root (both phases alike) is refused."""
    state = abstract_state(fluid)
    what = f"{first:g}, {second:g}"
    if not _updated(state, inputs, first, second, _NEARBY if fluid.mixture else (0.0,)):
        raise _refused(fluid, what)
    if fluid.mixture:
        liquid = state.saturated_liquid_keyed_output(CoolProp.iDmolar)
        vapour = state.saturated_vapor_keyed_output(CoolProp.iDmolar)
        if not liquid > 1.05 * vapour:
            raise AboveCritical(f"{fluid.name} is too near its critical point at {what} for an equilibrium to be found")
    return state


_NEARBY = (0.0, 1e-9, -1e-9, 1e-8, -1e-8, 1e-6, -1e-6, 1e-5, -1e-5)


def _updated(state: Any, inputs: int, first: float, second: float, nudges: tuple[float, ...]) -> bool:
    # a mixture's flash now and then fails at one value and not beside it; 1e-5 is 3 mK, below any instrument
    for nudge in nudges:
        try:
            state.update(inputs, first * (1.0 + nudge), second * (1.0 + nudge) if second != 1.0 else second)
        except ValueError:
            continue
        return True
    return False


def saturation(
    fluid: str | Fluid, *, temperature_k: float | None = None, pressure_pa: float | None = None
) -> Saturation:
    """Saturation at a temperature or at an absolute pressure (exactly one of them).

    Raises BadInput for an unknown fluid or a value outside the line, AboveCritical above it.
    """
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    if (temperature_k is None) == (pressure_pa is None):
        raise BadInput("saturation needs a temperature or a pressure, not both", where=known.name)
    if temperature_k is not None:
        return _at_temperature(known, temperature_k)
    assert pressure_pa is not None
    return _at_pressure(known, pressure_pa)


def _at_temperature(fluid: Fluid, temperature_k: float) -> Saturation:
    what = f"{temperature_k - 273.15:.6g} degC"
    if fluid.water and 50.0 <= temperature_k < moisture.TRIPLE_POINT_K:
        pressure = moisture.saturation_pressure(temperature_k)
        return Saturation(fluid.name, ICE_VAPOUR, temperature_k, temperature_k, pressure, pressure)
    _check(fluid, what, temperature_k, fluid.critical_temperature_k, fluid.lowest_temperature_k)
    bubble = _flash(fluid, CoolProp.QT_INPUTS, 0.0, temperature_k).p()
    dew = _flash(fluid, CoolProp.QT_INPUTS, 1.0, temperature_k).p() if fluid.blend else bubble
    return Saturation(fluid.name, LIQUID_VAPOUR, temperature_k, temperature_k, bubble, dew, fluid.blend)


def _at_pressure(fluid: Fluid, pressure_pa: float) -> Saturation:
    what = f"{pressure_pa:.6g} Pa"
    if fluid.water and 1e-6 <= pressure_pa < moisture.TRIPLE_POINT_PA:
        temperature = moisture.saturation_temperature(pressure_pa)
        return Saturation(fluid.name, ICE_VAPOUR, temperature, temperature, pressure_pa, pressure_pa)
    _check(fluid, what, pressure_pa, fluid.critical_pressure_pa, fluid.lowest_pressure_pa)
    bubble = _flash(fluid, CoolProp.PQ_INPUTS, pressure_pa, 0.0).T()
    dew = _flash(fluid, CoolProp.PQ_INPUTS, pressure_pa, 1.0).T() if fluid.blend else bubble
    return Saturation(fluid.name, LIQUID_VAPOUR, bubble, dew, pressure_pa, pressure_pa, fluid.blend)


def carried_on_pressure(fluid: str | Fluid, temperature_k: float) -> float:
    """Pa: saturation (bubble) pressure, and beyond the critical point the line carried on straight in ln p over 1/T, with the
    slope of its last hundredth. No state of the fluid up there, but a measure that goes on rising with the day's air.
    """
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    top_k, top_pa = known.critical_temperature_k, known.critical_pressure_pa
    near_k = 0.99 * top_k
    if temperature_k <= near_k:
        return saturation(known, temperature_k=temperature_k).bubble_pressure_pa
    steep = math.log(top_pa / saturation(known, temperature_k=near_k).bubble_pressure_pa) / (1.0 / near_k - 1.0 / top_k)
    return top_pa * math.exp(steep * (1.0 / top_k - 1.0 / temperature_k))


def superheat(fluid: str | Fluid, pressure_pa: float, temperature_k: float) -> float:
    """K above the dew point; negative for a temperature below it. Raises AboveCritical."""
    return temperature_k - saturation(fluid, pressure_pa=pressure_pa).dew_temperature_k


def subcooling(fluid: str | Fluid, pressure_pa: float, temperature_k: float) -> float:
    """K below the bubble point; negative for a temperature above it. Raises AboveCritical."""
    return saturation(fluid, pressure_pa=pressure_pa).bubble_temperature_k - temperature_k


def saturation_temperature_uncertainty(fluid: str | Fluid, pressure_pa: float, standard_uncertainty_pa: float) -> float:
    """Standard uncertainty (K) of the saturation temperature at a measured pressure, JCGM 100:2008 5.1.2.

    The sensitivity is the slope of the line across one standard uncertainty, one-sided near its ends.
    """
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    here = saturation(known, pressure_pa=pressure_pa).temperature_k
    slopes = []
    for step in (standard_uncertainty_pa, -standard_uncertainty_pa):
        try:
            slopes.append((saturation(known, pressure_pa=pressure_pa + step).temperature_k - here) / step)
        except (BadInput, ZeroDivisionError):
            continue
    return abs(sum(slopes) / len(slopes)) * standard_uncertainty_pa if slopes else 0.0


@dataclass(frozen=True, slots=True)
class State:
    """One state. `quality` is the vapour's mass share, None outside the dome."""

    pressure_pa: float
    temperature_k: float
    enthalpy: float
    entropy: float
    density: float
    quality: float | None = None


def _read(state: Any) -> State:
    two_phase = state.phase() == CoolProp.iphase_twophase
    quality = state.Q() if two_phase else None
    return State(state.p(), state.T(), state.hmass(), state.smass(), state.rhomass(), quality)


def state_at(fluid: str | Fluid, pressure_pa: float, temperature_k: float, *, side: str) -> State:
    """The state at a measured pressure and temperature. `side` ("vapour" or "liquid") decides on the saturation line,
    and for a reading on the wrong side of it: a "vapour" below its dew point is returned as saturated vapour.
    """
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    vapour = side == "vapour"
    if pressure_pa < known.critical_pressure_pa:
        line = saturation(known, pressure_pa=pressure_pa)
        beyond = temperature_k - line.dew_temperature_k if vapour else line.bubble_temperature_k - temperature_k
        if beyond <= _ON_THE_LINE * temperature_k:
            return _read(_flash(known, CoolProp.PQ_INPUTS, pressure_pa, 1.0 if vapour else 0.0))
    state = abstract_state(known)
    if pressure_pa < known.critical_pressure_pa:
        state.specify_phase(CoolProp.iphase_gas if vapour else CoolProp.iphase_liquid)
    try:
        state.update(CoolProp.PT_INPUTS, pressure_pa, temperature_k)
        return _read(state)
    except ValueError as error:
        raise _refused(known, f"{pressure_pa:g} Pa, {temperature_k - 273.15:g} degC") from error
    finally:
        state.unspecify_phase()


def state_at_enthalpy(fluid: str | Fluid, pressure_pa: float, enthalpy: float) -> State:
    """The state at a pressure and enthalpy, inside or outside the dome."""
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    if known.mixture:
        return _mixture_at_enthalpy(known, pressure_pa, enthalpy)
    state = abstract_state(known)
    try:
        state.update(CoolProp.HmassP_INPUTS, enthalpy, pressure_pa)
    except ValueError as error:
        raise _refused(known, f"{pressure_pa:g} Pa, {enthalpy:g} J/kg") from error
    return _read(state)


def _mixture_at_enthalpy(fluid: Fluid, pressure_pa: float, enthalpy: float) -> State:
    # CoolProp has no pressure-enthalpy flash of a mixture; inside the dome the two ends are mixed by mass
    bubble = _read(_flash(fluid, CoolProp.PQ_INPUTS, pressure_pa, 0.0))
    dew = _read(_flash(fluid, CoolProp.PQ_INPUTS, pressure_pa, 1.0))
    share = (enthalpy - bubble.enthalpy) / (dew.enthalpy - bubble.enthalpy)
    if 0.0 <= share <= 1.0:
        mix = [a + share * (b - a) for a, b in zip(_inner(bubble), _inner(dew), strict=True)]
        return State(pressure_pa, mix[0], enthalpy, mix[1], 1.0 / mix[2], share)
    side = "vapour" if share > 1.0 else "liquid"
    start = dew.temperature_k if share > 1.0 else bubble.temperature_k
    span = (start, start + 200.0) if share > 1.0 else (fluid.lowest_temperature_k + 1.0, start)
    return _solve(fluid, pressure_pa, span, side, lambda found: found.enthalpy - enthalpy)


def _inner(state: State) -> tuple[float, float, float]:
    return state.temperature_k, state.entropy, 1.0 / state.density


def _solve(
    fluid: Fluid, pressure_pa: float, span_k: tuple[float, float], side: str, error: Callable[[State], float]
) -> State:
    from scipy.optimize import brentq  # noqa: PLC0415 - the only line that needs it; 25 MB

    try:
        found = brentq(lambda t: error(state_at(fluid, pressure_pa, t, side=side)), *span_k, xtol=1e-6)
    except ValueError as fault:
        raise _refused(fluid, f"{pressure_pa:g} Pa between {span_k[0]:.0f} and {span_k[1]:.0f} K") from fault
    return state_at(fluid, pressure_pa, float(found), side=side)


def compressed(fluid: str | Fluid, suction: State, pressure_pa: float, efficiency: float = 1.0) -> State:
    """The state after compression from `suction` to `pressure_pa` with an isentropic `efficiency`."""
    known = resolve(fluid) if isinstance(fluid, str) else fluid
    if known.mixture:
        start = suction.temperature_k
        ideal = _solve(known, pressure_pa, (start, start + 200.0), "vapour", lambda s: s.entropy - suction.entropy)
    else:
        state = abstract_state(known)
        try:
            state.update(CoolProp.PSmass_INPUTS, pressure_pa, suction.entropy)
        except ValueError as error:
            raise _refused(known, f"{pressure_pa:g} Pa after compression") from error
        ideal = _read(state)
    if efficiency == 1.0:
        return ideal
    return state_at_enthalpy(known, pressure_pa, suction.enthalpy + (ideal.enthalpy - suction.enthalpy) / efficiency)


def saturation_document(
    fluid: str, value: float, unit_text: str, atmosphere_pa: float = STANDARD_ATMOSPHERE_PA
) -> dict[str, Any]:
    """What `baytrace saturation` prints: saturation at a temperature or a pressure in a unit of the trade.

    A pressure is absolute unless its unit is a gauge or vacuum unit, which count from `atmosphere_pa`.
    Raises BadInput for an unknown unit or fluid, or where there is no saturation.
    """
    unit = parse_unit(unit_text)
    known = resolve(fluid)
    if unit.quantity is Quantity.TEMPERATURE:
        line = saturation(known, temperature_k=unit.to_si(value))
        given = {"temperature": (line.temperature_k - 273.15, "degC")}
        pair = {"bubble_pressure": (line.bubble_pressure_pa, "Pa"), "dew_pressure": (line.dew_pressure_pa, "Pa")}
        single = {"pressure": (line.pressure_pa, "Pa")}
    elif unit.quantity is Quantity.PRESSURE:
        against_air = unit.against in (Against.GAUGE, Against.VACUUM)
        line = saturation(known, pressure_pa=unit.to_si(value) + (atmosphere_pa if against_air else 0.0))
        given = {"pressure": (line.pressure_pa, "Pa")}
        pair = {
            "bubble_temperature": (line.bubble_temperature_k - 273.15, "degC"),
            "dew_temperature": (line.dew_temperature_k - 273.15, "degC"),
        }
        single = {"temperature": (line.temperature_k - 273.15, "degC")}
    else:
        units = ", ".join(known_units(Quantity.TEMPERATURE) + known_units(Quantity.PRESSURE))
        raise BadInput(f"{unit_text!r} is neither a temperature nor a pressure", right=f"use one of: {units}")
    figures = given | (pair if known.blend else single)
    evidence = {name: {"value": number, "unit": name_of} for name, (number, name_of) in figures.items()}
    return {
        "fluid": known.name,
        "phase": line.phase,
        "evidence": dict(sorted(evidence.items(), reverse=not known.blend)),
    }
