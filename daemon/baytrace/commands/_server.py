"""The time-series server as bench.toml names it."""

from __future__ import annotations

from baytrace.bench.config import BenchConfig
from baytrace.bench.config_sections import ForwardSection
from baytrace.bench.secret import forward_token
from baytrace.forward.server import Server


def server_of(config: BenchConfig, section: ForwardSection) -> Server:
    """Raises BadInput when its token cannot be had."""
    return Server(section.url, section.org, section.bucket, forward_token(config, section), section.basic_auth)
