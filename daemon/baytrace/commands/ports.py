"""`baytrace ports`: the serial ports of this machine, by names that stay."""

from __future__ import annotations

from pathlib import Path

import typer
from serial.tools import list_ports

from baytrace.commands._output import Json, print_json, table_console


def steady_names(device: str) -> list[str]:
    """Links to `device` that survive replugging (by-id, then by-path)."""
    real = Path(device).resolve()
    return [
        str(link)
        for folder in ("/dev/serial/by-id", "/dev/serial/by-path")
        if Path(folder).is_dir()
        for link in sorted(Path(folder).iterdir())
        if link.resolve() == real
    ]


def register(app: typer.Typer) -> None:
    @app.command()
    def ports(as_json: Json = False) -> None:
        """List serial ports, with the names to use in bench.toml."""
        found = []
        for port in sorted(list_ports.comports(), key=lambda port: str(port.device)):
            ids = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None else ""
            use = [*steady_names(port.device), *([f"{ids}:{port.serial_number}"] if ids and port.serial_number else [])]
            found.append(
                {
                    "device": port.device,
                    "description": port.description,
                    "usb": ids,
                    "serial_number": port.serial_number or "",
                    "use": use,
                }
            )
        if as_json:
            print_json({"ports": found})
            return
        console = table_console()
        if not found:
            console.print(
                "No serial port was found. Plug an instrument in and look again; on Linux you may need the group 'dialout'."
            )
        for row in found:
            console.print(f"{row['device']}  {row['description']}")
            for name in row["use"]:
                console.print(f"    use: {name}", soft_wrap=True)
