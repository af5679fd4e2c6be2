"""History for charts: read from the journal in a worker thread a page at a time, made few as it comes, gaps kept."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from baytrace.bench.live import finite, stale_after_s
from baytrace.journal.interpreting import interpret
from baytrace.journal.thinning import Thinned, with_gaps
from baytrace.measure.channel import Channel
from baytrace.measure.interpret import Interpreter
from baytrace.measure.roles import Role

if TYPE_CHECKING:
    from baytrace.bench.daemon import Bench


def _channel_history(bench: Bench, channel: Channel, start_ns: int, end_ns: int, points: int) -> dict[str, Any]:
    interpreter = Interpreter([channel], bench.config.bench.elevation_m)
    interpreter.restore(bench.interpreter.state() | {"ahead_ns": None, "last_ns": {}})
    line = Thinned(points)
    for chunk in bench.journal.channel_columns(channel.name, start_ns, end_ns):
        for read in interpret(interpreter, chunk.columns, lambda _: channel.name)[0]:
            line.put(read.time_ns, read.value)
    drawn = line.drawn()
    spread = (end_ns - start_ns) / max(points, 1) * 4.0
    gap_ns = int(max(stale_after_s(channel.period_s) * 1e9, spread))
    times, values = with_gaps(drawn, gap_ns)
    return {
        "role": str(channel.role),
        "time_ms": (times // 1_000_000).tolist(),
        "value": [finite(value) for value in values.tolist()],
        "count": line.count,
    }


async def history(bench: Bench, names: list[str], start_ns: int, end_ns: int, points: int) -> dict[str, Any]:
    """`{"channels": {name: {"role", "time_ms", "value", "count"}}}` in SI; gauge pressures made absolute with today's atmosphere."""
    channels = {name: bench.live.channels[name].channel for name in names}
    result = {}
    for name, channel in channels.items():
        result[name] = await asyncio.to_thread(_channel_history, bench, channel, start_ns, end_ns, points)
    return {
        "from_ms": start_ns // 1_000_000,
        "to_ms": end_ns // 1_000_000,
        "channels": result,
        "roles": [str(role) for role in Role],
    }
