"""Every key of bench.toml, from the models that check it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from baytrace.adapter import Adapter, adapters
from baytrace.bench.config_sections import SECTIONS, ChannelSection, InstrumentSection
from baytrace.bench.presets import Preset
from baytrace.measure.roles import FACTS, SI_UNIT
from baytrace.watches.limit_rules import Rule
from baytrace.web.reference.fields import Entry, entries, settings_table
from baytrace.web.reference.tables import code, table

TITLE = "Reference: every setting of bench.toml"

_WORDS = {
    "bench": "The bench itself.",
    "quality": "What the shop asks for beyond the usual.",
    "web": "The page and the API.",
    "mqtt": "A broker the bench publishes its state and alarms to. Left out: none is used. "
    "(Instruments that publish over MQTT have their own broker, in their own table.)",
    "webhook": "A web address that is told of alarms. Left out: none.",
    "forward": "The time-series server that gets a copy; see [To a server](/manual/server). Left out: no copy is kept.",
}

_HEAD = f"""# {TITLE}

Made from the program that answers you, so it is what this version reads. `baytrace check --config bench.toml` checks a file and
names every fault at once. How to connect an instrument is told, with whole examples, in [Instruments](/manual/instruments).
Passwords and tokens never stand in the file: name an environment variable, or a file that only the daemon may read.
"""


def page() -> str:
    parts = [_HEAD]
    for title, words, rows in groups():
        parts += [f"## {title}", "", words, "", settings_table(rows)]
    parts += ["## Roles", "", _ROLES, "", _roles()]
    return "\n".join(parts)


_ROLES = "What a channel can measure in the job. One channel a role, but for `coil_resistance` and `auxiliary`."


def _roles() -> str:
    return table(
        ("role", "shown as", "quantity", "kept in"),
        (
            (code(str(role)), facts.label, str(facts.quantity), SI_UNIT.get(facts.quantity, "the channel's own unit"))
            for role, facts in FACTS.items()
        ),
    )


def groups() -> Iterator[tuple[str, str, list[Entry]]]:
    """Heading, words beneath it, and its settings."""
    for name, model in SECTIONS.items():
        yield f"`[{name}]`", _WORDS[name], entries(model, name)
    yield (
        "`[[instrument]]`",
        "One table for each instrument; the adapter adds its own keys.",
        entries(InstrumentSection, "instrument"),
    )
    yield (
        "`[[instrument.channel]]`",
        "One table for each quantity the instrument measures; the adapter adds its own keys.",
        entries(ChannelSection, "channel"),
    )
    for name, adapter in adapters().items():
        instrument, channel = _sampled(adapter)
        group = f"{name}-adapter" if name in SECTIONS else name
        words = f"{adapter.summary[0].upper()}{adapter.summary[1:]}."
        yield f"`[[instrument]]`, adapter `{name}`", words, entries(adapter.Settings, group, instrument)
        yield (
            f"`[[instrument.channel]]`, adapter `{name}`",
            "Keys of a channel.",
            entries(adapter.ChannelKeys, f"{group}-channel", channel),
        )
    yield (
        "`[preset.NAME]`",
        "A job that a session can start from, under a name of your own; the name of a shipped one comes in its place.",
        entries(Preset, "preset"),
    )
    yield (
        "`[[limit]]`",
        "A limit of your own; see [Limits and alarms](/manual/trust#limits-and-alarms).",
        entries(Rule, "limit"),
    )


def _sampled(adapter: type[Adapter]) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
    """The keys of the adapter's own sample: the instrument's, and those of its channels taken together."""
    [instrument] = tomllib.loads(adapter.sample)["instrument"]
    together: dict[str, Any] = {}
    for channel in reversed(instrument["channel"]):
        together |= channel
    return instrument, together
