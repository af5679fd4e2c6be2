"""The runs of a session as figures that can be compared, kept and handed on."""

from __future__ import annotations

from typing import Any

from baytrace.measure.roles import Role
from baytrace.measure.uncertainty import K95
from baytrace.physics.fluid_names import Fluid
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import ZERO_C_K, Loop, Value, evidence_of, loop_of
from baytrace.watches.running.follow import Running, RunningFollower
from baytrace.watches.running.own_compare import AIR, SHOWN, RunFigures, compare, sentence
from baytrace.watches.running.own_conditions import Conditions
from baytrace.watches.running.own_settings import EarlierRun, OwnCarSettings
from baytrace.watches.running.settings import RunningSettings


def _states(loop: Loop) -> dict[str, Value]:
    """A loop's states by the names that runs are compared by."""
    known = {name: _whole(value) for name, value in loop.values.items()}
    found: dict[str, Value] = {
        name: known[name] for name in ("superheat", "subcooling", "pressure_ratio") if name in known
    }
    if (evaporating := known.get("evaporating_temperature")) is not None:
        found["evaporating"] = Value(evaporating.value - ZERO_C_K, evaporating.u)
    if (depression := known.get("vent_depression")) is not None:
        found["vent"] = depression
    if (ambient := known.get("ambient_air")) is not None:
        found["ambient"] = Value(ambient.value - ZERO_C_K, ambient.u)
        for name, role in (("condensing", "condensing_temperature"), ("approach", "liquid_line")):
            if (value := known.get(role)) is not None:
                found[name] = value - ambient
    if loop.air is not None and (humidity := known.get("ambient_humidity")) is not None:
        found["humidity"] = humidity
    return found


def _whole(value: Value) -> Value:
    """With what is not known counted into the standard uncertainty, whole and to both sides."""
    return Value(value.value, value.u + max(value.below, value.above) / K95)


def _conditions(running: Running, settings: RunningSettings) -> Conditions:
    table = settings.own_table if isinstance(settings, OwnCarSettings) else None
    conditions = running.stretch.conditions
    return conditions.under(table.conditions) if table is not None else conditions


def instruments_of(follower: RunningFollower) -> dict[str, str]:
    """What reads each role: instrument, channel and calibration. Another text is another instrument, or the same set anew."""
    found = {}
    for role, series in follower.series.items():
        channel = follower.view.channels.get(series.channel)
        if channel is None:
            found[str(role)] = series.channel
            continue
        known = channel.calibration
        dated = known.calibrated.isoformat() if known.calibrated is not None else "no date"
        told = (channel.instrument, channel.name, channel.unit.text, dated, known.certificate)
        correction = (known.gain, known.offset, known.table, [check.to_json() for check in channel.checks])
        plain = correction == (1.0, 0.0, (), [])
        found[str(role)] = ", ".join(each for each in told if each) + ("" if plain else f", corrected {correction}")
    return found


def figures_of(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings, share: float
) -> RunFigures:
    """One settled run; `share` of the instruments' uncertainty is left when the same ones are compared with themselves."""
    values = _states(loop_of(follower, running, fluid, settings))
    repeats = _states(loop_of(follower, running, fluid, settings, share=share))
    return RunFigures(
        fluid.name,
        _conditions(running, settings),
        values,
        {name: value.u for name, value in repeats.items()},
        instruments_of(follower),
    )


def figures_in(run: EarlierRun) -> RunFigures:
    """The figures a setting holds."""
    values = {name: Value(figure.value, figure.u) for name, figure in run.figures.items()}
    repeats = {name: figure.repeats for name, figure in run.figures.items() if figure.repeats is not None}
    return RunFigures(
        run.refrigerant,
        Conditions().with_said({str(name): value for name, value in run.conditions.items()}),
        values,
        repeats,
        run.instruments,
    )


def before_repair(follower: RunningFollower, running: Running) -> Running | None:
    """The last settled run of the car as it was before the last work on it, under the same speed where there is one."""
    older = [each for each in follower.earlier if each.settled and each.stretch.repair < running.stretch.repair]
    if not older:
        return None
    last = max(each.stretch.repair for each in older)
    runs = [each for each in older if each.stretch.repair == last]
    alike = [each for each in runs if each.stretch.conditions == running.stretch.conditions]
    return (alike or runs)[-1]


def runs_json(follower: RunningFollower, fluid: Fluid, settings: RunningSettings) -> list[dict[str, Any]]:
    """Every run as a column: what was kept of those that are over, and each stretch of the present one."""
    over = [_kept_column(follower, running, fluid, settings) for running in follower.earlier]
    return [*over, *(_column(follower, running, fluid, settings) for running in follower.all())]


def _kept_column(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings
) -> dict[str, Any]:
    """Of a run that is over, worked out once: nothing it rests on changes but what is known of the atmosphere."""
    key = running.stretch, follower.atmosphere_assumed
    if key not in follower.columns:
        if len(follower.columns) > 2 * len(follower.earlier):
            follower.columns.clear()
        follower.columns[key] = _column(follower, running, fluid, settings)
    return follower.columns[key]


def _column(follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings) -> dict[str, Any]:
    evidence = evidence_of(loop_of(follower, running, fluid, settings), running)
    column: dict[str, Any] = {
        "state": running.stretch.label,
        "from_s": running.stretch.start_s,
        "to_s": running.stretch.end_s,
        "settled": running.settled,
        "evidence": {name: figure.to_json() for name, figure in evidence.items()},
    }
    if conditions := running.stretch.conditions.to_json():
        column["conditions"] = conditions
    if running.stretch.repair:
        column["repair"] = running.stretch.repair
    if running.settled and (before := before_repair(follower, running)) is not None:
        share = limit("own.repeats_session")
        found = compare(*(figures_of(follower, each, fluid, settings, share) for each in (before, running)))
        column["since"] = before.stretch.start_s
        if found.refused:
            column["not_compared"] = list(found.refused)
        else:
            column["differences"] = {change.name: change.figure.to_json() for change in found.changes}
            column["said"] = [sentence(change) for change in found.changes]
    return column


def reference_of(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: RunningSettings
) -> dict[str, Any]:
    """The settled run as a later session of the same car can be given it (`own_run`, but for `day` and `sound`)."""
    figures = figures_of(follower, running, fluid, settings, limit("own.repeats_later"))
    return {
        "refrigerant": figures.refrigerant,
        "conditions": figures.conditions.to_json(),
        "instruments": {role: each for role, each in figures.instruments.items() if Role(role) in running.means},
        "figures": {
            name: {"value": value.value, "u": value.u, "repeats": figures.repeats[name]}
            for name in (*SHOWN, *AIR)
            if (value := figures.get(name)) is not None
        },
    }
