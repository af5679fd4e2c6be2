"""The line adapter against real pseudo-terminals and sockets: plugs, silence, garbage, first lines."""

import asyncio
import os

import pytest

from baytrace.adapter import Collector, LinkState
from baytrace.measure.clock import FastClock, SystemClock
from baytrace.measure.reading import Raw
from baytrace_adapters import _serial_port
from baytrace_adapters._serial_port import SerialPort
from baytrace_adapters.line import LineSettings
from servers import device, eventually, free_port, pseudo_terminal, running

GAUGE = [("p", "micron", {})]


async def up(sink):
    await eventually(lambda: sink.links and sink.links[-1][0] is LinkState.UP)
    await asyncio.sleep(0.15)  # the wire is idle for a moment, as between two lines


async def test_a_line_written_once_is_one_reading():
    """One whole line on an idle wire is one reading, stamped on arrival, in the unit it came in."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name}, GAUGE) as sink:
            await up(sink)
            before = sink.clock.wall_ns()
            wire.write(b"512\n")
            await eventually(lambda: sink.raws)
            assert sink.raws[0][:2] == ("p", 512.0)
            assert before <= sink.raws[0].wall_ns <= sink.clock.wall_ns()
            assert not sink.rejects


async def test_opened_amid_a_line_its_rest_is_no_reading():
    """A line already under way when the port opens is left out: '12' of '512' is never a reading."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name}, GAUGE) as sink:
            await eventually(lambda: sink.links and sink.links[-1][0] is LinkState.UP)
            wire.write(b"12\r\n513\r\n")
            await eventually(lambda: sink.raws)
            assert [raw.value for raw in sink.raws] == [513.0]
            assert sink.counts["fragment left out"] == 1


@pytest.mark.parametrize(("choice", "values"), [("keep", [12.0, 513.0]), ("discard", [513.0])])
async def test_first_line_can_be_settled_by_hand(choice, values):
    """`first_line` says what becomes of the first line, whatever the timing."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name, "first_line": choice}, GAUGE) as sink:
            await up(sink)
            wire.write(b"12\n513\n")
            await eventually(lambda: len(sink.raws) == len(values))
            assert [raw.value for raw in sink.raws] == values


async def test_a_pause_within_a_line_never_splits_it():
    """A line that comes in two halves, half a second apart, is one value."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name}, GAUGE) as sink:
            await up(sink)
            wire.write(b"12.3")
            await asyncio.sleep(0.5)
            assert not sink.raws
            wire.write(b"4\r\n")
            await eventually(lambda: sink.raws)
            assert [raw.value for raw in sink.raws] == [12.34]


async def test_unplugged_amid_a_line_and_back_under_another_name(tmp_path):
    """The unfinished line is lost, the link is followed to the new device, and reading goes on by itself."""
    link = tmp_path / "by-id"
    with pseudo_terminal() as first, pseudo_terminal() as second:
        link.symlink_to(first.name)
        async with running("line", {"port": str(link)}, GAUGE) as sink:
            await up(sink)
            wire_end = b"101\r\n10"
            first.write(wire_end)
            await eventually(lambda: sink.raws)
            first.unplug()
            await eventually(lambda: sink.links[-1][0] is LinkState.LOST)
            link.unlink()
            link.symlink_to(second.name)
            await up(sink)
            second.write(b"2\r\n103\r\n")
            await eventually(lambda: len(sink.raws) >= 3)
            assert [raw.value for raw in sink.raws] == [101.0, 2.0, 103.0]  # '10' is gone, never joined to '2'
            assert sink.facts["device"] == second.name


async def test_silence_opens_the_port_anew():
    """A port that goes silent is told as silent and opened again; the next line brings it back up."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name, "silence_s": 0.3}, GAUGE) as sink:
            await eventually(lambda: sink.counts.get("reopened silent"))
            assert sink.links[-1][0] is LinkState.SILENT
            await asyncio.sleep(0.15)
            wire.write(b"7\n")
            await eventually(lambda: sink.raws)
            assert sink.links[-1][0] is LinkState.UP


async def test_garbage_is_kept_and_counted_and_good_lines_go_on():
    """Unreadable lines are handed over raw with a reason; an endless one is cut; the next good line counts."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name, "longest": 64}, GAUGE) as sink:
            await up(sink)
            wire.write(b"\x00\xff\xfe512\n")
            wire.write(b"x" * 300 + b"\n")
            wire.write(b"600 Pa\n700\n")
            await eventually(lambda: sink.raws)
            assert [raw.value for raw in sink.raws] == [700.0]
            assert [why for _, why in sink.rejects] == [
                "is no number with a unit",
                "longer than 64 bytes without a line end",
                "unit 'Pa' where p has 'micron'",
            ]


async def test_polled_instrument_is_asked_at_its_interval():
    """`poll` is sent again and again, and each answer is a reading."""
    asked = []

    def answer(data):
        asked.append(data)
        return b"+ 12.5 g\r\n" if data == b"READ?\r\n" else b""

    with pseudo_terminal() as wire:
        async with (
            device(wire, answer),
            running("line", {"port": wire.name, "poll": "READ?\r\n", "interval_s": 0.05}, [("m", "g", {})]) as sink,
        ):
            await eventually(lambda: len(sink.raws) > 5)
            assert {raw.value for raw in sink.raws} == {12.5}
            assert set(asked) == {b"READ?\r\n"}


async def test_socket_that_closes_is_opened_again():
    """`socket://`: the peer's end is a lost link, and a new connection reads on."""
    port, writers = free_port(), []

    async def accept(_, writer):
        writers.append(writer)

    server = await asyncio.start_server(accept, "127.0.0.1", port)
    async with server, running("line", {"port": f"socket://127.0.0.1:{port}"}, GAUGE) as sink:
        for value in (1.0, 2.0):
            await eventually(lambda value=value: len(writers) == value)
            await asyncio.sleep(0.2)
            writers[-1].write(f"{value}\n".encode())
            await eventually(lambda value=value: sink.raws and sink.raws[-1].value == value)
            writers[-1].close()
            await eventually(lambda: any(state is LinkState.LOST for state, _ in sink.links))


async def test_slow_bench_loses_nothing_of_a_socket():
    """Back-pressure: while the bench is behind, a network port waits; every line arrives in the end, in order."""
    port, count = free_port(), 60_000

    class SlowBench(Collector):
        async def samples(self, samples, committed=None):
            await asyncio.sleep(0.01)
            await super().samples(samples, committed)

    async def accept(_, writer):
        await asyncio.sleep(0.2)
        for start in range(0, count, 1000):
            writer.write(b"".join(b"%d micron of mercury\n" % number for number in range(start, start + 1000)))
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(accept, "127.0.0.1", port)
    settings = {"port": f"socket://127.0.0.1:{port}", "units": {"micron of mercury": "micron"}}
    async with server, running("line", settings, GAUGE, SlowBench(SystemClock())) as sink:
        await eventually(lambda: len(sink.raws) >= count, 15)
        assert [raw.value for raw in sink.raws[:count]] == list(map(float, range(count)))


async def test_tty_overflow_is_counted_and_never_joined(monkeypatch):
    """A tty cannot wait: bytes beyond the bounded queue are counted as dropped, and no line is joined over the hole."""
    monkeypatch.setattr("baytrace_adapters._serial_port._MOST_WAITING", 2000)
    gate = asyncio.Event()

    class Stuck(Collector):
        async def samples(self, samples, committed=None):
            await super().samples(samples, committed)
            await gate.wait()

    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name}, GAUGE, Stuck(SystemClock())) as sink:
            await up(sink)
            for _ in range(100):
                wire.write(b"1000000007\n" * 20)
                await asyncio.sleep(0.005)
            gate.set()
            await asyncio.sleep(0.1)
            wire.write(b"1000000007\n" * 3)
            await eventually(lambda: sink.counts.get("dropped bytes"))
            await asyncio.sleep(0.1)
            assert {raw.value for raw in sink.raws} == {1_000_000_007.0}


async def test_fast_clock_stamps_bench_time_and_waits_real_time():
    """On a bench clock sixty times as fast, readings carry bench time and a quiet second is no silence."""
    clock = FastClock(60.0, SystemClock().wall_ns())
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name}, GAUGE, Collector(clock)) as sink:
            await up(sink)
            wire.write(b"1\n")
            await asyncio.sleep(1.0)
            wire.write(b"2\n")
            await eventually(lambda: len(sink.raws) == 2)
            assert 55e9 < sink.raws[1].wall_ns - sink.raws[0].wall_ns < 90e9
            assert "reopened silent" not in sink.counts


async def test_port_in_use_names_the_holder():
    """A port that another program holds exclusively is an error that names the program."""
    with pseudo_terminal() as wire:
        first = SerialPort(LineSettings(port=wire.name), SystemClock())
        async with first, running("line", {"port": wire.name}, GAUGE) as sink:
            await eventually(lambda: any(state is LinkState.LOST for state, _ in sink.links))
            detail = next(text for state, text in sink.links if state is LinkState.LOST)
            assert f"cannot open {wire.name}" in detail
            assert f"pid {os.getpid()}" in detail


async def test_a_drivers_own_kind_of_error_is_a_lost_port(monkeypatch):
    """Whatever a driver raises, the link is told lost and tried again; nobody waits for a thread that has ended."""

    def broken(*_):
        raise RuntimeError("a fault of the driver")

    monkeypatch.setattr(_serial_port, "_serial", broken)
    async with running("line", {"port": "COM77", "reconnect_s": 0.3}, GAUGE) as sink:
        await eventually(lambda: any(state is LinkState.LOST for state, _ in sink.links))
        assert sink.links[-1] == (LinkState.LOST, "cannot open COM77: a fault of the driver")


async def test_ends_at_once_while_waiting_and_while_reconnecting():
    """Cancelling ends the adapter in under a second, with the port open or missing, and frees the port."""
    with pseudo_terminal() as wire:
        async with running("line", {"port": wire.name}, GAUGE) as sink:
            await up(sink)
        async with running("line", {"port": "/dev/serial/by-id/none"}, GAUGE) as sink:
            await eventually(lambda: len(sink.links) > 1)
        async with running("line", {"port": wire.name}, GAUGE) as sink:
            await up(sink)
            wire.write(b"5\n")
            await eventually(lambda: sink.raws == [Raw("p", 5.0, *sink.raws[0][2:])] if sink.raws else False)
