"""The broker of `[mqtt]`, for every part that goes there as a client of its own: address, TLS, user, and how long to rest."""

from __future__ import annotations

import random
import ssl
from urllib.parse import urlsplit

import aiomqtt

from baytrace.bench.config_sections import MqttSection
from baytrace.measure.faults import BadInput
from baytrace.measure.patience import rest_s


def client_of(
    section: MqttSection, password: str | None, identifier: str | None = None, will: aiomqtt.Will | None = None
) -> aiomqtt.Client:
    """A client that is not connected yet. Raises BadInput when the certificate authority's file cannot be used."""
    address = urlsplit(section.url)
    try:
        tls = ssl.create_default_context(cafile=section.ca or None) if address.scheme == "mqtts" else None
    except (OSError, ssl.SSLError) as error:
        raise BadInput(f"{section.ca} is no certificate authority file ({error})", where="mqtt.ca") from None
    return aiomqtt.Client(
        hostname=address.hostname or "localhost",
        port=address.port or (8883 if tls else 1883),
        username=section.username or None,
        password=password,
        identifier=identifier,
        will=will,
        tls_context=tls,
        keepalive=15,
    )


def spread_rest_s(attempt: int) -> float:
    """How long to wait (s) after so many attempts in vain, spread so that not everyone comes back at once."""
    return rest_s(attempt) * random.uniform(0.8, 1.2)  # noqa: S311 - spreads reconnects
