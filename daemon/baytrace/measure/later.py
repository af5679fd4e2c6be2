"""Packages that are imported when something of them is first used.

For those that take seconds or tens of MB and that most benches never need: refrigerant properties (CoolProp reads all its fluids when
it is imported), columns, typesetting, the client of a time-series server.
"""

from __future__ import annotations

import importlib
from typing import Any


class Later:
    """Stands for the module `name`; raises ImportError at the first use when that is missing."""

    def __init__(self, name: str) -> None:
        self.__dict__["_module"] = name

    def __getattr__(self, attribute: str) -> Any:
        value = getattr(importlib.import_module(self.__dict__["_module"]), attribute)
        self.__dict__[attribute] = value
        return value
