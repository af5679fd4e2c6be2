"""What a session can start from: the shop's own `[preset.NAME]` tables of bench.toml, then those that come with the package.

A preset is data: what the job is called, the vehicle, refrigerant and label charge, and the plan (watches with their settings).
It is checked with the bench's configuration, by the watches themselves, so none can fail when a session is started from it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from baytrace.bench.session import complete_plan
from baytrace.measure.faults import BadInput
from baytrace.physics.fluid_names import resolve
from baytrace.watches.watch import View, build, watch_named


class Preset(BaseModel):
    """A job ready to be started; everything may be left out."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)

    title: str = Field(default="", max_length=200)
    """How the preset is called in the list; its name in the file when empty."""
    job: str = Field(default="", max_length=200)
    """What the session is called."""
    vehicle: dict[str, str] = Field(default_factory=dict)
    """What is known of the vehicle: model, number and the like."""
    refrigerant: str = Field(default="", max_length=60)
    """Refrigerant."""
    label_g: float | None = Field(default=None, gt=0.0, lt=100_000.0)
    """Charge on the vehicle's label, g."""
    oil: str = Field(default="", max_length=200)
    """Compressor oil: kind and amount in the whole loop."""
    volume_l: float | None = Field(default=None, gt=0.0, le=100.0)
    """Volume of the loop, L; goes into every watch of the plan that has such a setting and gives none of its own."""
    sources: dict[Literal["refrigerant", "label_g", "oil", "volume_l"], Annotated[str, Field(max_length=200)]] = Field(
        default_factory=dict
    )
    """Where each of these figures of the vehicle stands, such as `label under the hood`."""
    plan: dict[str, dict[str, Any]] = Field(default_factory=dict)
    """Watches and their settings; the usual watches when empty."""
    fields: dict[str, str] = Field(default_factory=dict)
    """Further lines of the record."""

    def whole(self) -> Preset:
        """With the vehicle's own figures where a session takes them from: the volume in the plan, oil and sources in the record."""
        plan = {name: self._with_volume(name, settings) for name, settings in self.plan.items()}
        told = {"Oil": self.oil} if self.oil else {}
        told |= {f"{_TOLD[name]}: source": source for name, source in self.sources.items()}
        return self.model_copy(update={"plan": plan, "fields": told | self.fields})

    def _with_volume(self, watch: str, settings: dict[str, Any]) -> dict[str, Any]:
        takes = self.volume_l is not None and "volume_l" in watch_named(watch).Settings.model_fields
        return {"volume_l": self.volume_l, **settings} if takes else settings


_TOLD = {"refrigerant": "Refrigerant", "label_g": "Label charge", "oil": "Oil", "volume_l": "Loop volume"}


def preset_faults(tables: Any) -> Iterator[tuple[str, str, str]]:
    """What is wrong with `[preset.NAME]` tables: key, what, and what would be right."""
    if not isinstance(tables, Mapping):
        yield "preset", "must be tables by name", "write [preset.NAME]"
        return
    for name, table in tables.items():
        yield from _faults_of(f"preset.{name}", table)


def _faults_of(key: str, table: Any) -> Iterator[tuple[str, str, str]]:
    try:
        preset = Preset.model_validate(table)
    except ValidationError as error:
        for fault in error.errors():
            where = ".".join([key, *(str(part) for part in fault["loc"])])
            right = f"known keys: {', '.join(Preset.model_fields)}" if fault["type"] == "extra_forbidden" else ""
            yield where, fault["msg"], right
        return
    if preset.refrigerant:
        try:
            resolve(preset.refrigerant)
        except BadInput as error:
            yield f"{key}.refrigerant", error.what, error.right
    for watch, settings in preset.plan.items():
        try:
            whole = complete_plan({watch: settings}, preset.refrigerant, preset.label_g)
            build(watch, whole[watch], View())
        except BadInput as error:
            yield f"{key}.plan.{watch}", error.what, error.right


@cache
def packaged_presets() -> Mapping[str, Mapping[str, Any]]:
    return tomllib.loads(files("baytrace.bench").joinpath("presets.toml").read_text(encoding="utf-8"))


def preset_list(own: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Every preset as JSON, the shop's own first; `from` says whose it is."""
    shop = [(name, table, "bench.toml") for name, table in own.items()]
    shipped = [(name, table, "package") for name, table in packaged_presets().items() if name not in own]
    listed = []
    for name, table, origin in (*shop, *shipped):
        preset = Preset.model_validate(table).whole()
        listed.append(preset.model_dump() | {"name": name, "title": preset.title or name, "from": origin})
    return listed
