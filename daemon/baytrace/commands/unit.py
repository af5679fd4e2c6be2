"""`baytrace unit`: a systemd unit for the bench."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import load_config

UNIT = """[Unit]
Description=Baytrace bench {name}
After=network.target time-sync.target
Wants=time-sync.target

[Service]
Type=notify
ExecStart={command} serve --config {config}
User={user}
SupplementaryGroups=dialout
Restart=always
RestartSec=2
# fed by the data path: a reading or heartbeat made durable, not by a timer
WatchdogSec=60
TimeoutStopSec=30
StateDirectory=baytrace
ReadWritePaths={folder}
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
LockPersonality=yes
SystemCallArchitectures=native
UMask=0077

[Install]
WantedBy=multi-user.target
"""


def register(app: typer.Typer) -> None:
    @app.command()
    def unit(
        config: Annotated[Path, typer.Option("--config", help="The bench.toml the service reads.")] = Path(
            "bench.toml"
        ),
        user: Annotated[str, typer.Option("--user", help="The user the service runs as.")] = "",
    ) -> None:
        """Print a hardened systemd unit; save it as /etc/systemd/system/baytrace.service."""
        ready = load_config(config)
        command = Path(sys.argv[0]).resolve()
        folder = ready.path(ready.bench.journal).parent
        print(
            UNIT.format(
                name=ready.bench.name,
                command=command,
                config=config.resolve(),
                user=user or getpass.getuser(),
                folder=folder,
            ),
            end="",
        )
