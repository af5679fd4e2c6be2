"""Keys of an instrument heard through a broker, and what cannot go together."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from baytrace.adapter import AdapterSettings, ChannelSettings
from baytrace.measure.address import checked_address
from baytrace_adapters._decode_message import Format, TimeUnit
from baytrace_adapters._delivery_ledger import MOST_REMEMBERED
from baytrace_adapters._json_pointer import parse_pointer

_URL = re.compile(r"mqtts?://[^/?#@:]+(:\d+)?/?")


class MqttSettings(AdapterSettings):
    """Keys of an instrument that is heard through a broker."""

    url: str
    """Broker: `mqtt://host:1883`, or `mqtts://host:8883` with TLS."""
    username: str = ""
    """User name at the broker."""
    password_env: str = ""
    """Environment variable that holds the password."""
    password_file: str = ""
    """File (readable by the daemon only) that holds the password."""
    ca: str = ""
    """Certificate authority (PEM file) for `mqtts`; the system's where left out."""
    client_certificate: str = ""
    """Client certificate (PEM file) for `mqtts`."""
    client_key: str = ""
    """Key of the client certificate (PEM file)."""
    client_id: str = Field(default="", max_length=64)
    """Fixed client id, so that the broker keeps messages while the daemon is away; from the instrument's name where left out. Unique at the broker."""
    version: Literal["auto", "5", "3.1.1"] = "auto"
    """MQTT version; `auto` tries 5 first."""
    keepalive_s: int = Field(default=15, ge=5, le=3600)
    """A dead connection is noticed after about one and a half times this (s)."""
    session_expiry_s: int = Field(default=604_800, ge=0, le=0xFFFF_FFFE)
    """How long the broker keeps the session while the daemon is away (s, MQTT 5)."""
    receive_maximum: int = Field(default=MOST_REMEMBERED, ge=1, le=MOST_REMEMBERED)
    """Messages on their way at once before the first is acknowledged (MQTT 5)."""
    retained: Literal["ignore", "keep"] = "ignore"
    """A retained message is old when it comes: `ignore` it (counted), or `keep` it; one without its own time is then marked suspect."""
    reconnect_s: float = Field(default=30.0, gt=0.0)
    """Longest wait between attempts to connect (s)."""

    @field_validator("url")
    @classmethod
    def _known_shape(cls, text: str) -> str:
        if not _URL.fullmatch(text):
            raise ValueError(
                "write it as mqtt://host:1883 or mqtts://host:8883 (user name and password have their own keys)"
            )
        return checked_address(text)

    @field_validator("password_file", "ca", "client_certificate", "client_key")
    @classmethod
    def _beside_the_configuration(cls, text: str, info: ValidationInfo) -> str:
        folder = (info.context or {}).get("folder")
        return str(Path(folder) / Path(text).expanduser()) if text and folder else text

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.password_env and self.password_file:
            raise ValueError("password_env and password_file exclude each other; leave one out")
        if (self.password_env or self.password_file) and not self.username:
            raise ValueError("a password needs a username")
        if bool(self.client_certificate) != bool(self.client_key):
            raise ValueError("client_certificate and client_key belong together")
        if self.url.startswith("mqtt://") and (self.ca or self.client_certificate):
            raise ValueError("ca and client_certificate need an mqtts:// url")
        return self


class MqttChannelKeys(ChannelSettings):
    """Keys of a channel heard through a broker."""

    topic: str = Field(min_length=1)
    """Topic; `+` and `#` work as in MQTT."""
    format: Format = Format.NUMBER
    """`number`, `json` or `senml`."""
    pointer: str = ""
    """Where the value stands in a JSON document (RFC 6901), such as `/temperature`."""
    time_pointer: str = ""
    """Where the publisher's own time stands, as RFC 3339 or a number; the arrival is taken where left out, and counted for a time more than a day ahead."""
    time_unit: TimeUnit = TimeUnit.S
    """What a time given as a number counts since 1970: `s`, `ms`, `us`, `ns`."""
    unit_pointer: str = ""
    """Where the unit stands; it must be the channel's."""
    senml_name: str = ""
    """Full SenML name (base name and name); the channel's name where left out."""

    @field_validator("pointer", "time_pointer", "unit_pointer")
    @classmethod
    def _is_pointer(cls, text: str) -> str:
        parse_pointer(text)
        return text

    @field_validator("topic")
    @classmethod
    def _is_filter(cls, text: str) -> str:
        levels = text.split("/")
        for index, level in enumerate(levels):
            if ("+" in level and level != "+") or ("#" in level and (level != "#" or index != len(levels) - 1)):
                raise ValueError(f"{text!r} is no topic filter; '+' stands for one whole level and '#' for the rest")
        if "\0" in text or len(text.encode()) > 65_535:
            raise ValueError("is no topic")
        return text

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.format is not Format.JSON and (self.pointer or self.time_pointer or self.unit_pointer):
            raise ValueError('pointers need format = "json"')
        if self.format is not Format.SENML and self.senml_name:
            raise ValueError('senml_name needs format = "senml"')
        return self
