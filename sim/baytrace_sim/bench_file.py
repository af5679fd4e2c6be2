"""The bench.toml that reads the simulated instruments, and the session a demo starts on it."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from baytrace_sim.scenario import Scenario

_CALIBRATED_DAYS_AGO, _DUE_IN_DAYS = 90, 275


def toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{json.dumps(str(key))} = {toml_value(item)}' for key, item in value.items())} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    return json.dumps(value, ensure_ascii=False)


def _table(heading: str, keys: Mapping[str, Any]) -> list[str]:
    return [heading, *(f"{key} = {toml_value(value)}" for key, value in keys.items()), ""]


def bench_toml(
    bench: str,
    broker_url: str,
    instruments: Mapping[str, Mapping[str, Any]],
    today: date,
    presets: Mapping[str, Mapping[str, Any]] | None = None,
) -> str:
    """TOML text; each instrument gets calibration dates around `today` and a certificate number of its own."""
    lines = ["# Written by the simulator: reads the simulated instruments while they run.", ""]
    lines += _table("[bench]", {"name": bench, "journal": "journal"})
    lines += _table("[web]", {"host": "127.0.0.1", "port": 8321})
    lines += _table("[mqtt]", {"url": broker_url})
    for name, keys in instruments.items():
        own = {key: value for key, value in keys.items() if key != "channel"}
        calibration = {
            "calibrated": today - timedelta(days=_CALIBRATED_DAYS_AGO),
            "due": today + timedelta(days=_DUE_IN_DAYS),
            "certificate": f"SIM-{zlib.crc32(name.encode()) % 10_000:04d}",
        }
        lines += _table("[[instrument]]", {"name": name, "adapter": own.pop("adapter")} | calibration | own)
        for channel in keys["channel"]:
            lines += _table("[[instrument.channel]]", {"name": channel["role"]} | dict(channel))
    for name, preset in (presets or {}).items():
        lines += _table(f"[preset.{json.dumps(name)}]", preset)
    return "\n".join(lines)


def session_request(scenario: Scenario) -> dict[str, Any]:
    """What a demo asks the bench to start: title, vehicle, refrigerant, label charge and plan."""
    request: dict[str, Any] = {
        "title": scenario.job,
        "vehicle": {key: value for key, value in scenario.vehicle.model_dump().items() if value},
        "refrigerant": scenario.refrigerant,
        "plan": scenario.plan,
    }
    if scenario.label_g is not None:
        request["label_g"] = scenario.label_g
    return request


def vehicle_preset(scenario: Scenario) -> dict[str, dict[str, Any]]:
    """The scenario's car as a preset of bench.toml, so that another session can start from it: figures, plan and table of its own."""
    request = session_request(scenario)
    preset = {"title": scenario.vehicle.name, "job": request.pop("title")} | request
    return {scenario.name: preset}


def session_file(config: Path) -> Path:
    """Beside `bench.toml`: `bench.session.json`."""
    return config.with_suffix(".session.json")
