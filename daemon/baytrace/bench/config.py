"""bench.toml: read, checked whole, every fault at once. Checking touches no hardware.

A fault names the key's path, what is wrong and what would be right. Keys an adapter owns are checked by the adapter's own
settings models, so a new adapter needs no line here.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from baytrace.adapter import Adapter, ChannelRequest, Collector, adapters
from baytrace.bench.config_faults import Fault, model_faults
from baytrace.bench.config_sections import (
    SECTIONS,
    BenchSection,
    ChannelSection,
    ForwardSection,
    InstrumentSection,
    MqttSection,
    QualitySection,
    WebhookSection,
    WebSection,
)
from baytrace.bench.job_files import job_lists
from baytrace.bench.limit_faults import limit_faults
from baytrace.bench.presets import preset_faults
from baytrace.measure.accuracy import Accuracy
from baytrace.measure.calibration import Calibration
from baytrace.measure.channel import Channel
from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import BadInput
from baytrace.measure.interpret import standard_pressure
from baytrace.measure.roles import Role
from baytrace.measure.units import unit_for
from baytrace.watches.limits_table import limit

MANY_ALLOWED = frozenset({Role.COIL_RESISTANCE, Role.AUXILIARY})


@dataclass(frozen=True)
class InstrumentPlan:
    """An instrument ready to be built: `adapter(name, settings, requests, sink)`."""

    name: str
    adapter: type[Adapter]
    settings: Any
    requests: Sequence[ChannelRequest]
    channels: Sequence[Channel]


@dataclass(frozen=True)
class BenchConfig:
    file: Path
    bench: BenchSection
    web: WebSection
    instruments: Sequence[InstrumentPlan]
    limits: Sequence[Mapping[str, Any]] = ()
    mqtt: MqttSection | None = None
    webhook: WebhookSection | None = None
    forward: ForwardSection | None = None
    quality: QualitySection = field(default_factory=QualitySection)
    presets: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    job: Mapping[str, Any] = field(default_factory=dict)
    """The shop's own steps and sheet, where it has any."""

    @property
    def channels(self) -> list[Channel]:
        return [channel for plan in self.instruments for channel in plan.channels]

    def path(self, name: str) -> Path:
        """A file or directory named in the configuration, relative to its file."""
        return (self.file.parent / Path(name).expanduser()).resolve()


_TOP = (*SECTIONS, "instrument", "limit", "preset")
_ALWAYS = ("bench", "web", "quality")
"""Tables that may be left out and then stand with their defaults."""


class _Reader:
    """Walks one document and gathers faults instead of stopping at the first."""

    def __init__(self, document: dict[str, Any], folder: Path) -> None:
        self.document, self.folder = document, folder
        self.faults: list[Fault] = []
        self.names: set[str] = set()
        self.roles: dict[Role, str] = {}
        self.taken: dict[str, str] = {}

    def model(
        self, kind: type[BaseModel], data: Any, prefix: str, *, also: Sequence[str] = (), context: Any = None
    ) -> Any:
        """The table as `kind` reads it, or None and its faults. `also` are keys of the same table that others read."""
        if not isinstance(data, dict):
            self.faults.append(Fault(prefix, "must be a table", f"write [{prefix}]"))
            return None
        try:
            return kind.model_validate(data, context=context)
        except ValidationError as error:
            self.faults.extend(model_faults(prefix, error, [*also, *kind.model_fields]))
            return None

    def unknown_tables(self) -> None:
        for name in self.document:
            if name not in _TOP:
                near = difflib.get_close_matches(name, _TOP, n=1)
                self.faults.append(
                    Fault(
                        name,
                        "no such table",
                        f"did you mean [{near[0]}]?" if near else f"known tables: {', '.join(_TOP)}",
                    )
                )

    def section(self, name: str) -> Any:
        kind = SECTIONS[name]
        if name in self.document:
            section = self.model(kind, self.document[name], name)
            if name == "bench" and section is not None and section.elevation_m is not None:
                try:
                    standard_pressure(section.elevation_m)
                except BadInput as error:
                    self.faults.append(
                        Fault("bench.elevation_m", error.what, "give the height above sea level in metres")
                    )
            return section
        return kind() if name in _ALWAYS else None

    def tables(self, name: str) -> list[Any]:
        tables = self.document.get(name, [])
        if not isinstance(tables, list):
            self.faults.append(Fault(name, "must be an array of tables", f"write [[{name}]]"))
            return []
        return tables

    def instrument(self, data: Any, key: str) -> InstrumentPlan | None:
        section: InstrumentSection | None = self.model(InstrumentSection, data, key)
        adapter = self._adapter(data, key)
        settings = None
        if adapter is not None and isinstance(data, dict):
            own = {name: value for name, value in data.items() if name not in InstrumentSection.model_fields}
            settings = self.model(
                adapter.Settings, own, key, also=list(InstrumentSection.model_fields), context={"folder": self.folder}
            )
        channels: list[Channel] = []
        requests: list[ChannelRequest] = []
        listed = data.get("channel", []) if isinstance(data, dict) else []
        for index, table in enumerate(listed if isinstance(listed, list) else []):
            made = self._channel(table, f"{key}.channel[{index}]", section, adapter)
            if made:
                channels.append(made[0])
                requests.append(made[1])
        if section is not None:
            self._unique(section.name, f"{key}.name", "instrument ")
        if section is None or adapter is None or settings is None or len(requests) != len(listed):
            return None
        plan = InstrumentPlan(section.name, adapter, settings, requests, channels)
        try:
            built = adapter(section.name, settings, requests, Collector(SystemClock()))
            self._alone(getattr(built, "exclusive", ""), section.name, key)
        except BadInput as error:
            where = f"{key}.{error.where}" if error.where else key
            self.faults.append(Fault(where, error.what, error.right))
        return plan

    def _adapter(self, data: Any, key: str) -> type[Adapter] | None:
        name = data.get("adapter") if isinstance(data, dict) else None
        if not isinstance(name, str):
            return None
        if name not in adapters():
            self.faults.append(
                Fault(f"{key}.adapter", f"no adapter is called {name!r}", f"there are: {', '.join(adapters())}")
            )
            return None
        return adapters()[name]

    def _channel(
        self, data: Any, key: str, instrument: InstrumentSection | None, adapter: type[Adapter] | None
    ) -> tuple[Channel, ChannelRequest] | None:
        section: ChannelSection | None = self.model(ChannelSection, data, key)
        own = None
        if adapter is not None and isinstance(data, dict):
            keys = {name: value for name, value in data.items() if name not in ChannelSection.model_fields}
            own = self.model(adapter.ChannelKeys, keys, key, also=list(ChannelSection.model_fields))
        if section is None:
            return None
        channel = self._measured(section, key, instrument)
        if channel is None or (adapter is not None and own is None):
            return None
        self._unique(channel.name, f"{key}.name", "")
        if channel.role not in MANY_ALLOWED and channel.role in self.roles:
            self.faults.append(
                Fault(
                    f"{key}.role",
                    f"{channel.role} is already played by {self.roles[channel.role]!r}",
                    "a watch follows one channel per role; use role 'auxiliary' for a second one",
                )
            )
        self.roles.setdefault(channel.role, channel.name)
        return channel, ChannelRequest(channel.name, section.unit, own, channel.period_s)

    def _measured(self, section: ChannelSection, key: str, instrument: InstrumentSection | None) -> Channel | None:
        try:
            role = Role(section.role)
        except ValueError:
            near = difflib.get_close_matches(section.role, [str(each) for each in Role], n=1)
            self.faults.append(
                Fault(
                    f"{key}.role",
                    f"{section.role!r} is no role",
                    f"did you mean {near[0]!r}?" if near else f"roles: {', '.join(Role)}",
                )
            )
            role = None
        unit = accuracy = None
        if role is not None:
            try:
                unit = unit_for(role, section.unit)
            except BadInput as error:
                self.faults.append(Fault(f"{key}.unit", error.what, error.right))
        stated = section.accuracy or (instrument.accuracy if instrument else "")
        text = stated or (limit(f"instruments.{role}") if role else "")
        try:
            resolution = section.resolution or (instrument.resolution if instrument else None)
            span = section.full_scale or (instrument.full_scale if instrument else None)
            accuracy = Accuracy.parse(text, unit=unit, resolution=resolution, span=span)
        except BadInput as error:
            self.faults.append(Fault(f"{key}.accuracy", error.what, error.right))
        try:
            calibration = _calibration(section, instrument)
        except BadInput as error:
            self.faults.append(Fault(f"{key}.{error.where}", error.what, error.right))
            return None
        if role is None or unit is None or accuracy is None:
            return None
        return Channel(
            name=section.name or str(role),
            role=role,
            unit=unit,
            accuracy=accuracy,
            instrument=instrument.name if instrument else "",
            calibration=calibration,
            period_s=section.period_s
            if "period_s" in section.model_fields_set or instrument is None
            else instrument.period_s,
            assumed=not stated,
        )

    def _unique(self, name: str, key: str, kind: str) -> None:
        tagged = kind + name
        if tagged in self.names:
            self.faults.append(Fault(key, f"the name {name!r} is used twice", "give each its own"))
        self.names.add(tagged)

    def _alone(self, exclusive: str, name: str, key: str) -> None:
        if exclusive and (other := self.taken.setdefault(exclusive, name)) != name:
            right = "one instrument can have it; put the channels into one table, or give each its own"
            self.faults.append(Fault(key, f"uses {exclusive}, as {other!r} does", right))


def _calibration(section: ChannelSection, instrument: InstrumentSection | None) -> Calibration:
    """The channel's own facts, else the instrument's. Raises BadInput for a correction that cannot be applied."""
    whole = instrument or section
    return Calibration(
        calibrated=section.calibrated or whole.calibrated,
        due=section.due or whole.due,
        certificate=section.certificate or whole.certificate,
        gain=section.gain,
        offset=section.offset,
        table=tuple(section.calibration_table),
        uncertainty=section.calibration_uncertainty,
        by=section.calibrated_by or whole.calibrated_by,
    )


def parse_config(text: str, file: Path) -> tuple[BenchConfig | None, list[Fault]]:
    """The configuration, or None with every fault found."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, [Fault(_line_of(str(error)), f"not TOML: {error}", "see toml.io for the grammar")]
    except RecursionError:
        return None, [Fault("file", "lists or tables are nested too deeply", "a bench.toml needs a few levels")]
    reader = _Reader(document, file.parent)
    reader.unknown_tables()
    sections = {name: reader.section(name) for name in SECTIONS}
    plans = [
        reader.instrument(table, f"instrument[{index}]") for index, table in enumerate(reader.tables("instrument"))
    ]
    if not reader.document.get("instrument"):
        reader.faults.append(
            Fault(
                "instrument",
                "no instrument is described",
                "add at least one [[instrument]] with a [[instrument.channel]]",
            )
        )
    limits = reader.tables("limit")
    presets = document.get("preset", {})
    reader.faults.extend(Fault(*told) for told in preset_faults(presets))
    channels = [channel for plan in plans if plan is not None for channel in plan.channels]
    reader.faults.extend(Fault(*told) for told in limit_faults(limits, channels, reader.names))
    job, faults = job_lists(sections["bench"], file.parent)
    reader.faults.extend(faults)
    if reader.faults:
        return None, reader.faults
    ready = [plan for plan in plans if plan is not None]
    return BenchConfig(file, instruments=ready, limits=limits, presets=presets, job=job, **sections), []


def _line_of(message: str) -> str:
    found = re.search(r"at line (\d+)", message)
    return f"line {found[1]}" if found else "file"


def load_config(file: Path) -> BenchConfig:
    """Raises BadInput naming every fault, one a line."""
    config, faults = read_config(file)
    if config is None:
        raise BadInput("\n".join(fault.line(file) for fault in faults))
    return config


def read_config(file: Path) -> tuple[BenchConfig | None, list[Fault]]:
    """As `parse_config`. Raises BadInput when the file cannot be read at all."""
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadInput("is not a text file in UTF-8", where=str(file), right="a bench.toml is plain text") from None
    except OSError as error:
        raise BadInput(
            f"cannot be read ({error.strerror})", where=str(file), right="give the path of a bench.toml"
        ) from None
    return parse_config(text, file)
