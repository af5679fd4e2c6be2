"""The tables of bench.toml as models: every key with its kind, its default and its meaning."""

from __future__ import annotations

from datetime import date
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from baytrace.bench.config_faults import Addressed, Section, one_of
from baytrace.measure.address import checked_address

NAME = r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}$"


class BenchSection(Section):
    name: str = Field(default="bench", pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")
    """The bench's name; letters, digits, `.`, `_` and `-` (it is part of MQTT topics)."""
    journal: str = "journal"
    """Directory of the journal, relative to this file."""
    elevation_m: float | None = None
    """Height above sea level, for the atmosphere where no barometer channel is read (m)."""
    keys: str = "keys"
    """Directory of the signing keys, relative to this file."""
    steps: str = ""
    """The shop's own list of steps (TOML), relative to this file; the built-in list where empty."""
    sheet: str = ""
    """The shop's own sheet of entries (TOML), relative to this file; the built-in sheet where empty."""


class WebSection(Section):
    host: str = "127.0.0.1"
    """Address to listen on. Any other than loopback needs tokens."""
    port: int = Field(default=8321, ge=0, le=65535)
    """Port to listen on; 0 takes a free one."""
    tokens: str = "tokens.json"
    """File of hashed tokens, relative to this file."""
    certificate: str = ""
    """TLS certificate chain (PEM file)."""
    private_key: str = ""
    """TLS private key (PEM file, mode 0600)."""
    public: str = Field(default="", pattern=r"^(https?://[^/?#@\s]+)?$")
    """Address under which a reverse proxy on this machine shows the bench, such as `https://bay1.shop.example`; needs tokens."""

    @field_validator("public")
    @classmethod
    def _reachable(cls, url: str) -> str:
        return checked_address(url) if url else url

    @model_validator(mode="after")
    def _whole(self) -> WebSection:
        if self.private_key and not self.certificate:
            raise ValueError("private_key is given without a certificate; name both, or neither to serve plain http")
        return self


class MqttSection(Addressed):
    url: str = Field(pattern=r"^mqtts?://[^/?#@]+$")
    """`mqtt://host:port` or `mqtts://host:port`."""
    username: str = ""
    """User name at the broker."""
    password_env: str = ""
    """Environment variable that holds the password."""
    password_file: str = ""
    """File (mode 0600) that holds the password."""
    ca: str = ""
    """Certificate authority file for `mqtts`, relative to this file; the system's own where empty."""

    @model_validator(mode="after")
    def _fits(self) -> MqttSection:
        one_of(self.password_env, self.password_file, "password_env and password_file")
        if (self.password_env or self.password_file) and not self.username:
            raise ValueError("a password needs a username")
        if self.ca and self.url.startswith("mqtt://"):
            raise ValueError("ca needs an mqtts:// url")
        return self


class WebhookSection(Addressed):
    url: str = Field(pattern=r"^https?://")
    """Where alarms and verdicts are posted as JSON."""
    secret_env: str = ""
    """Environment variable with the HMAC-SHA256 key."""
    secret_file: str = ""
    """File (mode 0600) with the HMAC-SHA256 key."""
    ca: str = ""
    """Certificate authority file for `https`, relative to this file; the system's own where empty."""
    timeout_s: float = Field(default=10.0, ge=0.5, le=60.0)
    """How long an attempt may take (s)."""

    @model_validator(mode="after")
    def _signed(self) -> WebhookSection:
        one_of(self.secret_env, self.secret_file, "secret_env and secret_file")
        if not self.secret_env and not self.secret_file:
            raise ValueError("no secret is named; set secret_env or secret_file, every letter is signed")
        if self.ca and self.url.startswith("http://"):
            raise ValueError("ca needs an https:// url")
        return self


class ForwardSection(Addressed):
    url: str = Field(pattern=r"^https?://[^/?#@\s]+(/[^?#@\s]*)?$")
    """Base address of a server with the InfluxDB v2 write API."""
    org: str = ""
    """Organisation at the server."""
    bucket: str = "baytrace"
    """Bucket at the server."""
    token_env: str = ""
    """Environment variable that holds the token (or `user:password`)."""
    token_file: str = ""
    """File (mode 0600) that holds the token."""
    basic_auth: bool = False
    """Send the token as `user:password` by HTTP basic authentication."""

    @model_validator(mode="after")
    def _one_token(self) -> ForwardSection:
        one_of(self.token_env, self.token_file, "token_env and token_file")
        return self


class QualitySection(Section):
    running_reference: Literal["", "required"] = ""
    """`required`: a running loop passes only by figures of the car itself (its maker's table, or an earlier sound run of it)."""


class _Calibrated(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)

    name: str = Field(pattern=NAME)
    """Unique name."""
    accuracy: str = Field(default="", max_length=200)
    """Accuracy as the maker prints it, such as `0.5 % of reading + 2 counts (0.01)`."""
    calibrated: date | None = None
    """Day of the last calibration."""
    due: date | None = None
    """Last day on which the calibration holds."""
    certificate: str = ""
    """Number of the calibration certificate."""
    calibration_table: list[tuple[float, float]] = Field(default_factory=list)
    """Corrections as `[[reading, correction], ...]` in the channel's own unit, from the certificate."""
    calibration_uncertainty: float = Field(default=0.0, ge=0)
    """Standard uncertainty of the calibration, in the channel's own unit."""
    calibrated_by: str = ""
    """Who calibrated it."""
    resolution: float | None = Field(default=None, gt=0)
    """Last digit of the display, in the channel's own unit: what a "count" is worth."""
    full_scale: float | None = Field(default=None, gt=0)
    """Range of the instrument, in the channel's own unit: what "% of full scale" is of."""
    period_s: float = Field(default=1.0, gt=0)
    """How often a reading is expected (s)."""


class InstrumentSection(_Calibrated):
    adapter: str
    """Name of the adapter that reads it."""
    channel: list[dict[str, Any]] = Field(min_length=1)
    """Its channels."""


class ChannelSection(_Calibrated):
    name: str = Field(default="", pattern=rf"^$|{NAME[1:]}")
    """Unique name in the bench; the role where left out."""
    role: str
    """What the channel measures in the job."""
    unit: str
    """Unit of the numbers as they come from the instrument."""
    gain: float = 1.0
    """Correction: `corrected = raw * gain + offset`."""
    offset: float = 0.0
    """Correction in the channel's own unit."""


SECTIONS: dict[str, type[Section]] = {
    "bench": BenchSection,
    "quality": QualitySection,
    "web": WebSection,
    "mqtt": MqttSection,
    "webhook": WebhookSection,
    "forward": ForwardSection,
}
