"""The words of a running loop's causes and signs, and the day that they are compared on.

Signs in K: evaporating (saturation temperature of the low side, degC), condensing (of the high side, above the ambient),
superheat, subcooling, approach (liquid line above the ambient), vent (above the ambient, negative), discharge (discharge line
above condensing), static (saturation of the standing pressure above the air). With a gas cooler in place of the condenser's:
gas_cooler (high side above the ambient's saturation pressure, carried on beyond the critical point, bar), exit (of the gas
cooler) and hot (discharge line), both above the ambient.

Strengths in %: share of the label charge missing or too much; of condenser air, of the compressor's volumetric efficiency, of the
liquid line's flow area lost; partial pressure of air in the standing loop (25 degC) against the refrigerant's own; share of its
usual opening by which a valve is stuck.
"""

from __future__ import annotations

from dataclasses import dataclass

SOUND, CLUTCH = "nothing wrong", "clutch not engaged"
WORN, VALVE = "worn or slipping compressor", "wet or stuck valve"
CAUSES = (
    "undercharge",
    "overcharge",
    "condenser airflow",
    WORN,
    "restriction",
    "air in the loop",
    VALVE,
)
SIGNS = ("evaporating", "condensing", "superheat", "subcooling", "approach", "vent", "discharge", "static")
GAS_COOLER_SIGNS = ("evaporating", "gas_cooler", "superheat", "exit", "vent", "hot")
_WORDS = {
    "evaporating": "low side (as evaporating temperature)",
    "condensing": "high side (as condensing temperature)",
    "superheat": "superheat",
    "subcooling": "subcooling",
    "approach": "liquid line above ambient",
    "vent": "vent air",
    "discharge": "discharge line above condensing",
    "static": "standing pressure (as saturation temperature)",
}
_FAULTS = {
    "undercharge": "charge {} % short",
    "overcharge": "charge {} % over",
    "condenser airflow": "condenser air down by {} %",
    WORN: "a compressor that has lost {} % of its delivery",
    "restriction": "a restriction that takes {} % of the flow area",
    "air in the loop": "air of {} % of the standing pressure",
    VALVE: "a valve stuck {} % off its usual opening",
}


@dataclass(frozen=True, slots=True)
class Day:
    """What the signs must be compared at; "" and None where not known.

    `ambient_c` in degC with its standard uncertainty (the whole usual span where the ambient is not known), `humidity` as a
    share, `valve` "expansion valve" or "orifice tube", `speed` "idle" or "fast", `compressor` "fixed" or "variable".
    """

    ambient_c: float
    humidity: float | None
    valve: str
    ambient_u: float = 0.5
    speed: str = ""
    compressor: str = ""


def as_usual(sign: str) -> str:
    return f"{_WORDS[sign]} is as usual"


def moved_by(sign: str, kelvin: float) -> str:
    """How a sign differs from what sound cars show."""
    more, less = ("warmer", "colder") if sign == "vent" else ("higher", "lower")
    return f"{_WORDS[sign]} {abs(kelvin):.0f} K {more if kelvin > 0.0 else less} than usual"


def fault_of(cause: str, strength: float) -> str:
    """A fault of a strength in %, as people say it."""
    return _FAULTS[cause].format(f"{strength:.0f}")
