"""`baytrace saturation`: where a fluid boils."""

from __future__ import annotations

from typing import Annotated

import typer

from baytrace.commands._output import Json, print_json, table_console
from baytrace.measure.faults import BadInput
from baytrace.physics.fluids import saturation_document
from baytrace.records.report.texts import quantity
from baytrace.records.report.units_shown import System

_VACUUM_PA = 3000.0
"""Below it people read micron; water boils there at room temperature."""


def register(app: typer.Typer) -> None:
    @app.command(context_settings={"ignore_unknown_options": True})
    def saturation(
        fluid: Annotated[str, typer.Argument(help="Any fluid CoolProp knows: R134a, R1234yf, R744, Water, R410A ...")],
        at: Annotated[
            tuple[str, str],
            typer.Option(
                "--at",
                help="VALUE UNIT: a temperature (degC, degF, K) or a pressure (psia, psig, kPa, micron ...)",
                metavar="VALUE UNIT",
            ),
        ],
        as_json: Json = False,
    ) -> None:
        """Saturation at a temperature (gives the pressure) or at a pressure (gives the temperature).

        Pressures are absolute unless the unit ends in g. Below water's triple point the answer is ice's.
        """
        try:
            value = float(at[0])
        except ValueError:
            raise BadInput(f"{at[0]!r} is no number", where="--at", right="write --at 20 degC") from None
        document = saturation_document(fluid, value, at[1])
        if as_json:
            print_json(document)
            return
        console = table_console()
        console.print(f"{document['fluid']}, {document['phase']}")
        for name, figure in document["evidence"].items():
            said = [shown(figure["value"], figure["unit"], system) for system in (System.SI, System.US)]
            console.print(f"  {name.replace('_', ' ')}: {said[0]} ({said[1]})")


def shown(value: float, unit: str, system: System) -> str:
    """In the reader's unit: pressures of a vacuum as those of a vacuum gauge, others absolute as a loop's."""
    return quantity(value, unit, system, "static" if unit == "Pa" and value >= _VACUUM_PA else "")
