"""What may be written as `port`, and which device it means at this moment.

A USB adapter changes its `/dev/ttyUSBn` when it is plugged in again, so a name is resolved anew on each opening.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator
from serial.tools import list_ports

from baytrace.adapter import AdapterSettings
from baytrace.measure.address import checked_address
from baytrace.measure.faults import EnvironmentFailed

_USB = re.compile(r"([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?::(.+))?")
_SCHEMES = ("socket", "rfc2217", "loop", "spy", "alt", "hwgrep")
_SHIFTING = re.compile(r"/dev/tty(USB|ACM)\d+")


class PortSettings(AdapterSettings):
    """Keys of an instrument on a serial port, shared by the adapters that use one."""

    port: str = Field(min_length=1)
    """Serial port: `/dev/serial/by-id/...`, `COM3`, `VID:PID:SERIAL` of a USB adapter, `socket://host:port`, `rfc2217://host:port`."""
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    """Bits per second."""
    bits: Literal[5, 6, 7, 8] = 8
    """Data bits of each byte."""
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    """Parity bit of each byte."""
    stop_bits: float = Field(default=1, ge=1, le=2, multiple_of=0.5)
    """Stop bits: 1, 1.5 or 2."""
    flow: Literal["none", "xonxoff", "rtscts", "dsrdtr"] = "none"
    """Flow control."""
    dtr: bool | None = None
    """Level of the DTR line after opening; left to the driver where not set (some instruments take power from it)."""
    rts: bool | None = None
    """Level of the RTS line after opening; as `dtr`."""

    @field_validator("port")
    @classmethod
    def _known_shape(cls, text: str) -> str:
        scheme, found, rest = text.partition("://")
        if found and scheme.lower() not in _SCHEMES:
            raise ValueError(
                f"{scheme}:// is no kind of serial port; write one of: {', '.join(s + '://' for s in _SCHEMES)}"
            )
        if found and scheme in ("socket", "rfc2217") and not re.fullmatch(r"[^/?#]+:\d+([/?].*)?", rest):
            raise ValueError(f"write it as {scheme}://host:port")
        return checked_address(text) if found and scheme in ("socket", "rfc2217") else text

    def line_keys(self) -> dict[str, Any]:
        """How pyserial names these settings."""
        return {
            "baudrate": self.baud,
            "bytesize": self.bits,
            "parity": self.parity[0].upper(),
            "stopbits": self.stop_bits,
            "xonxoff": self.flow == "xonxoff",
            "rtscts": self.flow == "rtscts",
            "dsrdtr": self.flow == "dsrdtr",
        }


def is_url(port: str) -> bool:
    return "://" in port


def exclusive_port(port: str) -> str:
    """What two instruments cannot share, in words; '' for a network port, which may take several."""
    return "" if is_url(port) else f"port {port}"


def device_of(port: str) -> str:
    """The device or URL `port` means now. Raises EnvironmentFailed when it is not there."""
    if is_url(port):
        return port
    if found := _USB.fullmatch(port):
        return _usb_device(int(found[1], 16), int(found[2], 16), found[3])
    if port.startswith("/"):
        path = Path(port)
        if not path.exists():
            raise EnvironmentFailed(f"{port} is not there (unplugged, or another name: see `baytrace ports`)")
        return str(path.resolve())
    return port


def _usb_device(vendor: int, product: int, serial_number: str | None) -> str:
    same = [
        info.device
        for info in list_ports.comports()
        if info.vid == vendor and info.pid == product and serial_number in (None, info.serial_number)
    ]
    wanted = f"USB adapter {vendor:04x}:{product:04x}" + (
        f" with serial number {serial_number}" if serial_number else ""
    )
    if not same:
        raise EnvironmentFailed(f"no {wanted} is plugged in")
    if len(same) > 1:
        raise EnvironmentFailed(f"{len(same)} of {wanted} are plugged in ({', '.join(same)}); add the serial number")
    return str(same[0])


def shifting_name(port: str) -> bool:
    """Whether the name may mean another device after the next replug."""
    return _SHIFTING.fullmatch(port) is not None


def device_facts(port: str, device: str) -> Mapping[str, str]:
    """What is known of the adapter behind `device`; kept with a session so that a swapped adapter shows."""
    facts = {"port": port}
    if device != port:
        facts["device"] = device
    if is_url(device):
        return facts
    for info in list_ports.comports():
        if info.device == device:
            if info.vid is not None:
                facts["usb"] = f"{info.vid:04x}:{info.pid:04x}"
            for name, value in (("usb serial number", info.serial_number), ("usb place", info.location)):
                if value:
                    facts[name] = str(value)
    return facts


def holders(device: str) -> str:
    """Who else has `device` open, for a message: `, held by minicom (pid 4711)` or nothing where that cannot be read."""
    names = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if any(link.resolve() == Path(device) for link in (process / "fd").iterdir()):
                names.append(f"{(process / 'comm').read_text().strip()} (pid {process.name})")
        except OSError:
            continue
    return f", held by {', '.join(names)}" if names else ""
