"""`baytrace unit`: a systemd unit for the bench."""

from __future__ import annotations

import getpass
import re
import sys
from pathlib import Path
from typing import Annotated

import typer

from baytrace.bench.config import BenchConfig, load_config
from baytrace.measure.faults import BadInput

UNIT = """[Unit]
Description=Baytrace bench {name}
After=network.target time-sync.target
Wants=time-sync.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={command} serve --log json --config {config}
User={user}
SupplementaryGroups=dialout
Restart=always
RestartSec=2
# fed by the data path when something became durable (a reading, or the heartbeat every 5 s), not by a timer
WatchdogSec=60
TimeoutStartSec=120
TimeoutStopSec=30
# secrets bench.toml names by *_env go into this file, mode 0600
EnvironmentFile=-/etc/baytrace/secrets.env
StateDirectory=baytrace
StateDirectoryMode=0700
ReadWritePaths={written}
UMask=0077
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectSystem=strict
ProtectHome={home}
PrivateTmp=yes
# serial instruments and nothing else
DevicePolicy=closed
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyACM rw
DeviceAllow=char-ttyS rw
DeviceAllow=char-ttyAMA rw
DeviceAllow=char-pts rw
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
SystemCallArchitectures=native

[Install]
WantedBy=multi-user.target
"""


def quoted(text: str) -> str:
    """One word of a unit file (systemd.service(5), systemd.syntax(7)): quotes, and no specifier or variable in it."""
    text = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{text}"' if any(sign in text for sign in ' \t"\\') else text


def written_paths(config: BenchConfig) -> list[Path]:
    """What the service writes to: the folders of the journal, the keys, and of the tokens beside bench.toml."""
    named = (config.bench.journal, config.bench.keys, config.web.tokens)
    return sorted({config.path(name).parent for name in named})


def unit_text(config: BenchConfig, file: Path, command: Path, user: str) -> str:
    written = written_paths(config)
    at_home = any(path.is_relative_to(home) for path in (*written, command) for home in (Path("/home"), Path("/root")))
    return UNIT.format(
        name=config.bench.name,
        command=quoted(str(command)),
        config=quoted(str(file.resolve())),
        user=user,
        written=" ".join(quoted(str(path)).replace("$$", "$") for path in written),
        home="read-only" if at_home else "yes",
    )


def register(app: typer.Typer) -> None:
    @app.command()
    def unit(
        config: Annotated[Path, typer.Option("--config", help="The bench.toml the service reads.")] = Path(
            "bench.toml"
        ),
        user: Annotated[str, typer.Option("--user", help="The user the service runs as.")] = "",
    ) -> None:
        """Print a hardened systemd unit; save it as /etc/systemd/system/baytrace.service.

        The journal's, the keys' and the tokens' folders must exist and belong to that user. Secrets that bench.toml names by
        *_env go into /etc/baytrace/secrets.env (mode 0600). `systemctl status` shows the bench ready once it measures; it is
        started again when nothing becomes durable for 60 s.
        """
        if user and not re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]*", user):
            raise BadInput(f"{user!r} is no user's name", where="--user", right="letters, digits, `_`, `-` and `.`")
        print(unit_text(load_config(config), config, Path(sys.argv[0]).resolve(), user or getpass.getuser()), end="")
