"""What is wrong with a bench file's `[[limit]]` tables, found without touching hardware."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from baytrace.measure.channel import Channel
from baytrace.measure.faults import BadInput
from baytrace.watches.limit_rules import NO_SESSION, Rule
from baytrace.watches.limits import LimitEngine
from baytrace.watches.watch import watches

Told = tuple[str, str, str]


def limit_faults(tables: Sequence[Any], channels: Sequence[Channel], names: Collection[str]) -> Iterator[Told]:
    """Every fault as (key, what is wrong, what would be right). `names` are all channels of the file, `channels` the sound ones."""
    rules: dict[int, Rule] = {}
    for index, table in enumerate(tables):
        where = f"limit[{index}]"
        if not isinstance(table, Mapping):
            yield where, "not a table", "write [[limit]] with channel and high or low"
            continue
        if isinstance(channel := table.get("channel"), str) and channel not in names:
            yield f"{where}.channel", f"no channel is called {channel!r}", "name a channel of an instrument above"
        try:
            rules[index] = Rule.model_validate(dict(table))
        except ValidationError as error:
            yield from (_told(where, fault) for fault in error.errors())
    for index, rule in rules.items():
        yield from _quiet(f"limit[{index}].quiet_in", rule)
    if len(rules) == len(tables):
        yield from _together(list(rules.values()), channels)


def _told(where: str, fault: Mapping[str, Any]) -> Told:
    key = ".".join([where, *(str(part) for part in fault["loc"])])
    if fault["type"] != "extra_forbidden":
        return key, str(fault["msg"]).removeprefix("Value error, "), ""
    near = difflib.get_close_matches(str(fault["loc"][-1]), Rule.model_fields, 1)
    keys = ", ".join(Rule.model_fields)
    return key, "there is no such key", f"did you mean {near[0]}?" if near else f"the keys are: {keys}"


def _quiet(key: str, rule: Rule) -> Iterator[Told]:
    for phase in rule.quiet_in:
        watch = phase.partition(": ")[0]
        if phase != NO_SESSION and watch not in watches():
            yield key, f"no watch is called {watch!r}", f"one of: {', '.join(watches())}"


def _together(rules: Sequence[Rule], channels: Sequence[Channel]) -> Iterator[Told]:
    """Units that do not fit, and two limits of one name."""
    for index, rule in enumerate(rules):
        try:
            LimitEngine([rule], channels)
        except BadInput as error:
            yield f"limit[{index}]", str(error), ""
            return
    try:
        LimitEngine(rules, channels)
    except BadInput as error:
        yield "limit", str(error), ""
