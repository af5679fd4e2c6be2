"""Whether vapour alone, without any leak, could have drawn a rise: for calling a leak before the set time.

The interval of the rate takes the temperature as told. Here it is asked the other way round: the best vapour without a leak
is found, and how far it stands off the readings is told both in their scatter and in kelvin, as the error of temperature
that would make up for it. Liquid follows 6 % a kelvin, so a few tenths of a kelvin that nobody saw bend a short rise straight.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from baytrace.physics import moisture, rise_shapes, rise_solver
from baytrace.physics.gauge_noise import Whitener
from baytrace.physics.pressure_rise import Problem, RiseFit, grid, prepare
from baytrace.physics.rise_cells import CellMeans
from baytrace.physics.rise_shapes import Candidates
from baytrace.physics.rise_warmth import unseen_factors

_STEPS = np.exp(np.linspace(-0.3, 0.3, 13))


class Alone(NamedTuple):
    """How far vapour alone misses the readings: in standard deviations of all of them, and in K (rms) of its temperature."""

    sigmas: float
    kelvin: float


def vapour_alone(means: CellMeans, fitted: RiseFit) -> Alone:
    """`fitted` is the fit of the same cells."""
    problem = prepare(means, fitted.gauge, fitted.thermal)
    problem = replace(problem, path_factors=unseen_factors(problem.time_s, problem.span_s, fitted.thermal))
    whiten = Whitener(problem.time_s, problem.spread, fitted.scatter.memory)
    first = _least(problem, whiten, grid(problem))
    near = _around(problem, first[2])
    squares, vapour, _ = _least(problem, whiten, near)
    extra = max(squares - fitted.squares, 0.0)
    off = math.sqrt(extra / float(np.sum(problem.spread**-2.0)))
    follows = moisture.sensitivity(fitted.thermal.level_k) * max(vapour, 1e-9)
    return Alone(math.sqrt(extra) / fitted.scatter.sigma, off / follows)


def _around(problem: Problem, centres: Candidates) -> Candidates:
    taus = [
        np.clip(tau * _STEPS, *rise_shapes.bounds(rise_shapes.family(int(kind)), problem.span_s, problem.length_s))
        for kind, tau in zip(centres.kind, centres.tau_s, strict=True)
    ]
    return Candidates(np.repeat(centres.kind, _STEPS.size), np.concatenate(taus))


def _least(problem: Problem, whiten: Whitener, candidates: Candidates) -> tuple[float, float, Candidates]:
    """Least chi2 without a leak, its vapour (Pa), and the three best candidates."""
    shapes = problem.shapes(candidates)
    most = problem.most(shapes)
    one, time = whiten(np.ones_like(problem.time_s)), whiten(problem.time_s)
    found = rise_solver.without_leak(rise_solver.normal(one, time, whiten(shapes), whiten(problem.pressure)), most)
    order = np.argsort(found.chi2)[:3]
    best = int(order[0])
    return (
        float(found.chi2[best]),
        float(found.vapour[best]),
        Candidates(candidates.kind[order], candidates.tau_s[order]),
    )
