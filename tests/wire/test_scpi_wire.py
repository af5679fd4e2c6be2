"""The scpi adapter against a meter on a pty and one on a socket: order, lateness, garbage, errors."""

import asyncio
import math

from baytrace.adapter import LinkState
from baytrace.measure.reading import Quality
from servers import device, eventually, free_port, pseudo_terminal, running

CHANNELS = [("r", "ohm", {"query": "MEAS:RES?"}), ("t", "degC", {"query": "MEAS:TEMP?"})]


class Meter:
    """A meter with two functions. `late` holds answers back by so many seconds; `errors` is its error queue."""

    def __init__(self):
        self.heard, self.errors, self.late, self.garble = [], [], 0.0, b""
        self.answers = {
            "*IDN?": "Example,Ohmmeter 1,0042,1.0",
            "MEAS:RES?": "+1.23400000E+01",
            "MEAS:TEMP?": "+2.15E+01",
        }

    def answer(self, data):
        replies = b""
        for command in data.decode().split("\n"):
            if not command:
                continue
            self.heard.append(command)
            if command == "SYST:ERR?":
                replies += (self.errors.pop(0) if self.errors else '0,"No error"').encode() + b"\n"
            elif command in self.answers:
                replies += self.garble + self.answers[command].encode() + b"\n"
        return replies


class SlowMeter(Meter):
    """Holds measured values back, not the identity."""

    def answer(self, data, wire=None):
        reply = super().answer(data)
        if self.late and b"MEAS" in data:
            asyncio.get_running_loop().call_later(self.late, wire.write, reply)
            return b""
        return reply


async def test_channels_identity_and_setup():
    """Setup goes out once, the identity is kept, and each query gives its channel's value in its own unit."""
    meter = Meter()
    with pseudo_terminal() as wire:
        settings = {"port": wire.name, "interval_s": 0.05, "setup": ["CONF:RES AUTO"]}
        async with device(wire, meter.answer), running("scpi", settings, CHANNELS) as sink:
            await eventually(lambda: len(sink.raws) > 5)
            assert {(raw.channel, raw.value, raw.quality) for raw in sink.raws} == {("r", 12.34, 0), ("t", 21.5, 0)}
            assert meter.heard[:3] == ["*IDN?", "CONF:RES AUTO", "SYST:ERR?"]
            assert sink.facts["model"] == "Ohmmeter 1"
            assert sink.facts["serial number"] == "0042"
            assert sink.links[-1][0] is LinkState.UP


async def test_over_range_is_an_open_circuit_for_a_resistance_only():
    """9.9E37 reads as open (inf, usable) on a resistance and as over range (not usable) elsewhere; 9.91E37 is no number."""
    meter = Meter()
    meter.answers |= {"MEAS:RES?": "+9.90000000E+37", "MEAS:TEMP?": "9.9E37"}
    with pseudo_terminal() as wire:
        async with (
            device(wire, meter.answer),
            running("scpi", {"port": wire.name, "interval_s": 0.05}, CHANNELS) as sink,
        ):
            await eventually(lambda: len(sink.raws) > 1)
            first = {raw.channel: raw for raw in sink.raws[:2]}
            assert first["r"].value == math.inf
            assert first["r"].quality == Quality.OVER_RANGE | Quality.OPEN_CIRCUIT
            assert first["t"].quality == Quality.OVER_RANGE
            meter.answers["MEAS:TEMP?"] = "9.91E37"
            await eventually(lambda: sink.raws[-1].quality == Quality.NOT_A_NUMBER)


async def test_late_answers_never_reach_the_wrong_channel():
    """Answers that come after the timeout are dropped; ohms never appear as degrees, and reading goes on when the meter keeps up again."""
    meter = SlowMeter()
    with pseudo_terminal() as wire:
        settings = {"port": wire.name, "interval_s": 0.02, "timeout_s": 0.15, "silence_s": 60.0}
        async with device(wire, lambda data: meter.answer(data, wire)), running("scpi", settings, CHANNELS) as sink:
            await eventually(lambda: len(sink.raws) > 4)
            meter.late = 0.2
            await eventually(lambda: sink.counts.get("no answer", 0) >= 2)
            meter.late = 0.0
            count = len(sink.raws)
            await eventually(lambda: len(sink.raws) > count + 6)
            assert {(raw.channel, raw.value) for raw in sink.raws} == {("r", 12.34), ("t", 21.5)}
            assert sink.counts["resync"] >= 2
            assert any(why == "came without a question" for _, why in sink.rejects)


async def test_garbage_is_rejected_and_the_conversation_recovers():
    """A damaged answer is kept raw and never a value; the error queue is read; clean answers count again."""
    meter = Meter()
    with pseudo_terminal() as wire:
        async with (
            device(wire, meter.answer),
            running("scpi", {"port": wire.name, "interval_s": 0.05}, CHANNELS) as sink,
        ):
            await eventually(lambda: len(sink.raws) > 2)
            meter.garble = b"\x00?"
            await eventually(lambda: sink.rejects)
            meter.garble = b""
            count = len(sink.raws)
            await eventually(lambda: len(sink.raws) > count + 3)
            assert {raw.value for raw in sink.raws} == {12.34, 21.5}


async def test_error_queue_is_read_told_and_marks_the_round():
    """What SYST:ERR? reports is kept and shown, and the round it came with is suspect."""
    meter = Meter()
    with pseudo_terminal() as wire:
        settings = {"port": wire.name, "interval_s": 0.05, "errors_every_s": 0.05}
        async with device(wire, meter.answer), running("scpi", settings, CHANNELS) as sink:
            await eventually(lambda: len(sink.raws) > 2)
            meter.errors = ['-113,"Undefined header"', '-410,"Query INTERRUPTED"']
            await eventually(lambda: sink.counts.get("instrument error") == 2)
            assert (b'-113,"Undefined header"', "the meter reports error -113 Undefined header") in sink.rejects
            await eventually(lambda: any(raw.quality == Quality.SUSPECT for raw in sink.raws))
            await eventually(lambda: sink.raws[-1].quality == 0)


async def test_over_a_socket_closed_and_back():
    """A network meter that drops the connection is read again when it listens again."""
    meter, port, writers = Meter(), free_port(), []

    async def serve(reader, writer):
        writers.append(writer)
        while data := await reader.readline():
            writer.write(meter.answer(data))
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", port)
    async with server, running("scpi", {"port": f"socket://127.0.0.1:{port}", "interval_s": 0.05}, CHANNELS) as sink:
        await eventually(lambda: len(sink.raws) > 2)
        writers[0].close()
        await eventually(lambda: any(state is LinkState.LOST for state, _ in sink.links))
        count = len(sink.raws)
        await eventually(lambda: len(sink.raws) > count + 2)
        assert meter.heard.count("*IDN?") == 2


async def test_silent_meter_is_told_as_silent_and_comes_back():
    """No answer at all: silent, opened again, and up as soon as it answers."""
    meter = Meter()
    mute = True
    with pseudo_terminal() as wire:
        settings = {"port": wire.name, "interval_s": 0.05, "timeout_s": 0.1}
        async with (
            device(wire, lambda data: b"" if mute else meter.answer(data)),
            running("scpi", settings, CHANNELS) as sink,
        ):
            await eventually(lambda: sink.links[-1][0] is LinkState.SILENT if sink.links else False)
            mute = False
            await eventually(lambda: sink.raws)
            assert sink.links[-1][0] is LinkState.UP


async def test_garbage_for_an_entry_of_the_error_queue_ends_nothing():
    """It is kept raw, the meter is brought into step again, and its values go on coming."""
    meter = Meter()
    with pseudo_terminal() as wire:
        settings = {"port": wire.name, "interval_s": 0.05, "errors_every_s": 0.05}
        async with device(wire, meter.answer), running("scpi", settings, CHANNELS) as sink:
            await eventually(lambda: len(sink.raws) > 2)
            meter.errors = ["x\x16e(PC~"]
            await eventually(lambda: any("no entry of an error queue" in why for _, why in sink.rejects))
            count = len(sink.raws)
            await eventually(lambda: len(sink.raws) > count + 3)
            assert sink.counts["resync"] == 1


class Particular(Meter):
    """Says nothing to what it does not know, and keeps the error for whoever asks."""

    def answer(self, data):
        if b"TEMP" in data:
            self.errors.append('-113,"Undefined header"')
        return super().answer(data)


async def test_a_query_the_meter_does_not_know_takes_nothing_from_the_channels_it_answers():
    """What was answered in step is kept, the port stays open, and the meter's own reason is told."""
    meter = Particular()
    del meter.answers["MEAS:TEMP?"]
    with pseudo_terminal() as wire:
        settings = {"port": wire.name, "interval_s": 0.05, "timeout_s": 0.3}
        async with device(wire, meter.answer), running("scpi", settings, CHANNELS) as sink:
            await eventually(lambda: len(sink.raws) >= 5, 30)
            assert {(raw.channel, raw.value, raw.quality) for raw in sink.raws} == {("r", 12.34, 0)}
            assert sink.links[-1] == (LinkState.UP, "the meter reports error -113 Undefined header")
            assert "reopened silent" not in sink.counts
            assert sink.counts["no answer"] >= 4
