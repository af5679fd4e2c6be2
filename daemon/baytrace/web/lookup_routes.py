"""What pages and scripts look up before they ask for work: watches with their settings, limits, presets, fluids."""

from __future__ import annotations

import asyncio
from typing import Annotated, Any

from fastapi import APIRouter, Query

from baytrace.bench.daemon import Bench
from baytrace.bench.focus import job_order
from baytrace.bench.presets import preset_list
from baytrace.bench.session import JOB_WATCHES
from baytrace.physics.cycle import ph_dome
from baytrace.physics.fluid_names import resolve
from baytrace.watches.limits_table import limits
from baytrace.watches.watch import watches
from baytrace.web.setting_rows import setting_rows

Fluid = Annotated[str, Query(min_length=1, max_length=60)]


def routes(bench: Bench) -> APIRouter:
    router = APIRouter()

    @router.get("/watches", summary="Every watch with its settings")
    async def watch_list() -> list[Any]:
        """The job's usual ones first. `settings` is the JSON Schema of the settings, `rows` the same as a form: unit, default and its source. `marks` are
        the texts the watch understands.
        """
        return [
            {
                "name": name,
                "summary": watch.summary,
                "roles": sorted(str(role) for role in watch.roles),
                "usual": name in JOB_WATCHES,
                "marks": list(getattr(watch, "marks", ())),
                "settings": watch.Settings.model_json_schema().get("properties", {}),
                "rows": setting_rows(name, watch.Settings),
            }
            for name, watch in sorted(watches().items(), key=lambda pair: job_order(pair[0]))
        ]

    @router.get("/limits", summary="Every default limit with unit and provenance")
    async def limit_list() -> list[Any]:
        return [limit._asdict() for limit in limits().values()]

    @router.get("/presets", summary="Jobs a session can start from")
    async def presets() -> list[Any]:
        """The shop's own from bench.toml first. Each can be posted to `/api/sessions` with `title` taken from `job`."""
        return preset_list(bench.config.presets)

    @router.get("/dome", summary="The saturation dome of a fluid, for the pressure-enthalpy picture")
    async def dome(fluid: Fluid) -> dict[str, Any]:
        """`bubble` and `dew` are lists of [J/kg, Pa absolute]; `critical_pa` is where they meet."""
        known = resolve(fluid)
        made = await asyncio.to_thread(ph_dome, known.name)
        return {**made, "critical_pa": known.critical_pressure_pa, "critical_c": known.critical_temperature_k - 273.15}

    return router
