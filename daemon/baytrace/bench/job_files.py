"""The shop's own steps and sheet, which a bench file names."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from baytrace.bench.config_faults import Fault, Section
from baytrace.measure.faults import BadInput
from baytrace.records.job_lists import read_sheet, read_steps


def job_lists(section: Section | None, folder: Path) -> tuple[dict[str, Any], list[Fault]]:
    """The shop's own steps and sheet, as parsed documents a session carries."""
    job: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, check in (("steps", read_steps), ("sheet", read_sheet)):
        file = getattr(section, name, "") if section is not None else ""
        if not file:
            continue
        try:
            text = (folder / Path(file).expanduser()).read_text(encoding="utf-8")
            check(text, file)
            job[name] = tomllib.loads(text)
        except (OSError, UnicodeDecodeError) as error:
            faults.append(
                Fault(f"bench.{name}", f"{file} cannot be read ({error})", "name a TOML file beside bench.toml")
            )
        except BadInput as error:
            faults.append(Fault(f"bench.{name}", str(error)))
    return job, faults
