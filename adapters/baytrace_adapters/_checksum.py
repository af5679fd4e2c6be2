"""Checksums that line protocols print at the end of a line, as hexadecimal digits. Pure.

`xor8` as in NMEA 0183 sentences; `sum8` the byte sum modulo 256, `twos8` its two's complement; CRC-16 in the variants
MODBUS (reflected 0x8005, start 0xFFFF), CCITT-FALSE (0x1021, start 0xFFFF) and XMODEM (0x1021, start 0); CRC-32 as in
ISO-HDLC. Names and check values (of `123456789`) follow the public catalogue of parametrised CRC algorithms, from memory.
"""

from __future__ import annotations

import binascii
import zlib
from collections.abc import Callable
from enum import StrEnum
from functools import reduce
from operator import xor


class Checksum(StrEnum):
    NONE = "none"
    XOR8 = "xor8"
    SUM8 = "sum8"
    TWOS8 = "twos8"
    CRC16_MODBUS = "crc16-modbus"
    CRC16_CCITT = "crc16-ccitt"
    CRC16_XMODEM = "crc16-xmodem"
    CRC32 = "crc32"

    @property
    def digits(self) -> int:
        """Hexadecimal digits as printed."""
        return 2 if self in (Checksum.XOR8, Checksum.SUM8, Checksum.TWOS8) else 8 if self is Checksum.CRC32 else 4

    def of(self, data: bytes) -> int:
        return _FUNCTIONS[self](data)


def _modbus(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


_FUNCTIONS: dict[Checksum, Callable[[bytes], int]] = {
    Checksum.NONE: lambda _: 0,
    Checksum.XOR8: lambda data: reduce(xor, data, 0),
    Checksum.SUM8: lambda data: sum(data) & 0xFF,
    Checksum.TWOS8: lambda data: -sum(data) & 0xFF,
    Checksum.CRC16_MODBUS: _modbus,
    Checksum.CRC16_CCITT: lambda data: binascii.crc_hqx(data, 0xFFFF),
    Checksum.CRC16_XMODEM: lambda data: binascii.crc_hqx(data, 0),
    Checksum.CRC32: zlib.crc32,
}
