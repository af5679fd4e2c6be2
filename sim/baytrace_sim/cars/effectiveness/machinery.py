"""Compressor by a map of its efficiencies, thermostatic valve and orifice tube by flow laws.

Volumetric efficiency: re-expansion of the clearance, leakage that counts more the slower it turns, throttling that counts more
the faster. Isentropic efficiency: a hill over the logarithm of the pressure ratio. Valve: an area by superheat at the coil's
outlet against a spring that is a pressure (so the superheat it asks for grows as the coil grows colder), one flow law with the
inlet's specific volume. Orifice tube: choked, so the flow knows the high side and the liquid's temperature and nothing of the
low side (the form of Aaron and Domanski 1990, from memory; its constants are drawn here). Forms and sizes else are common
practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from baytrace_sim.cars.effectiveness.prior import Cars
from baytrace_sim.cars.properties import Floats, Properties, Saturated

LEAST_DUTY = 0.03


def soft_share(z: Floats, sharp: float = 8.0) -> Floats:
    """`z` held between 0 and 1, without corners."""
    return np.asarray((np.logaddexp(0.0, sharp * z) - np.logaddexp(0.0, sharp * (z - 1.0))) / sharp)


def duty(cars: Cars, held_k: Floats, high_pa: Floats) -> Floats:
    """Share of stroke or of time: towards nothing as what is held falls through `hold_k`, or the high side nears cut-out."""
    low = soft_share((held_k - cars.hold_k) / cars.droop + 0.5)
    high = soft_share((cars["cut_out"] - high_pa) / (0.12 * cars["cut_out"]))
    return np.maximum(low * high, LEAST_DUTY)


class Efficiency(NamedTuple):
    volumetric: Floats
    isentropic: Floats


def efficiency(cars: Cars, ratio: Floats, duty_share: Floats, wear: Floats) -> Efficiency:
    """`wear` is the share of volumetric efficiency lost."""
    more = np.maximum(ratio, 1.01)
    speed = cars.rpm / 1500.0
    volumetric = cars["volumetric"] * (1.0 - cars["clearance"] * (more ** (1.0 / 1.1) - 1.0))
    volumetric -= cars["leak"] * np.sqrt((more - 1.0) / 4.0) / speed + cars["throttling"] * np.maximum(speed - 1.0, 0.0)
    isentropic = cars["isentropic"] - cars["curvature"] * np.log(more / cars["best_ratio"]) ** 2
    isentropic -= cars["throttling"] * np.maximum(speed - 1.0, 0.0)
    isentropic *= 1.0 - cars["part_stroke"] * (1.0 - duty_share)
    return Efficiency(
        np.maximum(volumetric, 0.15) * (1.0 - wear), np.maximum(isentropic, 0.25) * (1.0 - cars["wear_work"] * wear)
    )


def opening(cars: Cars, row: Saturated, superheat: Floats) -> Floats:
    """Share of the thermostatic valve's full area; where its charge has boiled away (MOP) it closes as the coil warms."""
    spring = _steepness(cars.values["spring"], row)
    limit = np.maximum(row.t - cars.mop, 0.0)
    asked = (superheat - cars["static_superheat"] * spring - limit) / cars["gradient"]
    return np.asarray(cars["bleed"] + (1.0 - cars["bleed"]) * soft_share(asked))


def _steepness(reference: Floats, row: Saturated) -> Floats:
    """How many times more kelvins a pressure is worth at this temperature than at 0 degC (Clausius and Clapeyron)."""
    return np.asarray(reference / (row.p / row.t**2))


def design_superheat(cars: Cars, row: Saturated) -> Floats:
    limit = np.maximum(row.t - cars.mop, 0.0)
    spring = _steepness(cars.values["spring"], row)
    return np.asarray(cars["static_superheat"] * spring + limit + cars["gradient"] * cars["design_opening"])


class Inlet(NamedTuple):
    """Before the valve's own strainer or the restriction: Pa in all, K, vapour's share, J/kg."""

    pressure: Floats
    temperature: Floats
    quality: Floats
    enthalpy: Floats


class Drops(NamedTuple):
    """Pa that the line takes and that the device needs for this flow, Pa that there are; K behind the restriction."""

    line: Floats
    needed: Floats
    available: Floats
    behind_k: Floats

    @property
    def residual(self) -> Floats:
        """Above zero where more could flow."""
        return np.asarray(1.0 - np.sqrt((self.line + self.needed) / np.maximum(self.available, 1e3)))


def drops(
    fluid: Properties, cars: Cars, inlet: Inlet, low_pa: Floats, *, flow: Floats, area: Floats, line: Floats
) -> Drops:
    """`area` and `line` in m2, discharge coefficient included."""
    row = fluid.at(inlet.temperature)
    volume = 1.0 / row.rho_l + inlet.quality * (1.0 / row.rho_v - 1.0 / row.rho_l)
    lost = 0.5 * (flow / line) ** 2 * volume
    middle = np.maximum(inlet.pressure - lost, np.minimum(low_pa + 2e4, inlet.pressure))
    boiling = fluid.saturation_temperature(middle)
    behind = np.minimum(inlet.temperature, boiling)
    at = fluid.at(behind)
    quality = np.clip((inlet.enthalpy - at.h_l) / at.latent, 0.0, 0.9)
    mixed = 1.0 / at.rho_l + quality * (1.0 / at.rho_v - 1.0 / at.rho_l)
    valve = 0.5 * (flow / area) ** 2 * mixed
    choked = 0.5 * (flow / area) ** 2 / at.rho_l * (1.0 + cars["flashing"] * quality) ** 2
    bar = np.where(cars.orifice, cars["choking"] * np.minimum(at.p, middle), low_pa)
    return Drops(lost, np.where(cars.orifice, choked, valve), inlet.pressure - bar, behind)
