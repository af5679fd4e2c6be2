"""The time-series server as bench.toml names it."""

from __future__ import annotations

from baytrace.bench.config import BenchConfig, ForwardSection
from baytrace.bench.secret import read_secret
from baytrace.forward.server import Server


def server_of(config: BenchConfig, section: ForwardSection) -> Server:
    """Raises BadInput when its token cannot be had."""
    token_file = config.path(section.token_file) if section.token_file else None
    token = read_secret(section.token_env, token_file, "forward") or ""
    return Server(section.url, section.org, section.bucket, token, section.basic_auth)
