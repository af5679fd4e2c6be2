"""The mqtt adapter against a real mosquitto (and amqtt, which speaks 3.1.1 only): nothing lost, nothing twice."""

import asyncio
import contextlib
import gc
import json
import subprocess
import sys
import warnings
from functools import partial

import paho.mqtt.publish as paho_publish
import pytest

from baytrace.adapter import Collector, LinkState
from baytrace.measure.clock import SystemClock
from baytrace.measure.faults import EnvironmentFailed
from baytrace.measure.reading import Quality
from baytrace_adapters import mqtt
from baytrace_adapters._mqtt_session import assert_reachable
from servers import eventually, free_port, mosquitto, need, publisher, running

VENT = [("vent", "degC", {"topic": "bay/vent"})]
pytestmark = pytest.mark.server


class Journal(Collector):
    """Commits only when the test says so, as a slow disk would."""

    def __init__(self, hold=False):
        super().__init__(SystemClock())
        self.hold, self.waiting, self.keys = hold, [], []

    async def samples(self, samples, committed=None):
        self.raws.extend(samples)
        if committed is not None:
            self.waiting.append(committed)
        if not self.hold:
            self.commit()

    def commit(self):
        waiting, self.waiting = self.waiting, []
        for call in waiting:
            call()


class Remembering(Journal):
    """A journal that also keeps the keys of messages, as a bench does over a restart."""

    def __init__(self, keys=(), *, hold=False):
        super().__init__(hold)
        self.keys = list(keys)

    def remember(self, keys):
        self.keys.extend(keys)

    def remembered(self):
        return self.keys

    async def forget(self):
        self.keys = [key for key in self.keys if key[:2] == bytes(2)]


async def up(sink, times=1):
    await eventually(lambda: [state for state, _ in sink.links].count(LinkState.UP) >= times)


def url(broker):
    return {"url": f"mqtt://127.0.0.1:{broker.port}", "reconnect_s": 0.5}


async def publish(sender, *args, **keys):
    await asyncio.to_thread(partial(sender.publish, *args, **keys))


async def test_number_json_and_senml_each_become_readings():
    """A plain number, a JSON document with its own time, and a SenML pack give the right values in the declared units."""
    channels = [
        *VENT,
        ("room", "degC", {"topic": "room/+", "format": "json", "pointer": "/t/0", "time_pointer": "/at"}),
        ("suction", "degC", {"topic": "clamps", "format": "senml", "senml_name": "bay1/suction"}),
        ("liquid", "degC", {"topic": "clamps", "format": "senml", "senml_name": "bay1/liquid"}),
    ]
    pack = [
        {"bn": "bay1/", "bt": 1795600689, "bu": "Cel", "n": "suction", "v": 3.25},
        {"n": "liquid", "v": 40.5, "t": 0.5},
    ]
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), channels) as sink:
            await up(sink)
            await publish(sender, "bay/vent", "7.5", "x", "6.5 degC", "44 degF")
            await publish(sender, "room/a", json.dumps({"t": [21.5], "at": "2026-11-25T10:00:00Z"}))
            await publish(sender, "clamps", json.dumps(pack))
            await eventually(lambda: len(sink.raws) == 5)
            assert [raw.value for raw in sink.raws] == [7.5, 6.5, 21.5, 3.25, 40.5]
            assert [raw.quality for raw in sink.raws] == [0, 0, *[Quality.SOURCE_TIME] * 3]
            assert sink.raws[2].wall_ns == 1_795_600_800_000_000_000
            assert sink.raws[4].wall_ns == 1_795_600_689_500_000_000
            assert [frame for frame, _ in sink.rejects] == [b"x", b"44 degF"]
            assert "MQTT 5" in sink.links[-1][1]


async def test_killed_before_the_commit_everything_comes_again():
    """50 messages taken but not committed when the daemon dies: 50 of 50 are delivered to the next run."""
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), VENT, Journal(hold=True)) as first:
            await up(first)
            await publish(sender, "bay/vent", *(str(number) for number in range(50)))
            await eventually(lambda: len(first.raws) == 50)
        async with running("mqtt", url(broker), VENT, Journal()) as second:
            await eventually(lambda: len(second.raws) >= 50)
            await asyncio.sleep(0.2)
            assert [raw.value for raw in second.raws] == list(map(float, range(50)))
        async with running("mqtt", url(broker), VENT, Journal()) as third:
            await up(third)
            await asyncio.sleep(0.3)
            assert "session resumed" in third.links[-1][1]
            assert not third.raws


async def test_committed_but_not_acknowledged_is_stored_once():
    """The daemon dies between commit and acknowledgement: the next run knows the keys and stores nothing twice."""
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), VENT, Remembering(hold=True)) as first:
            await up(first)
            await publish(sender, "bay/vent", *["5.0"] * 20)
            await eventually(lambda: len(first.raws) == 20 and len(first.keys) == 20)
        async with running("mqtt", url(broker), VENT, Remembering(first.keys)) as second:
            await eventually(lambda: second.counts.get("duplicate") == 20)
            await publish(sender, "bay/vent", "5.0")
            await eventually(lambda: len(second.raws) == 1)
        async with running("mqtt", url(broker), VENT, Remembering(second.keys)) as third:
            await up(third)
            await asyncio.sleep(0.3)
            assert not third.raws
            assert "duplicate" not in third.counts


async def test_a_broker_that_counts_anew_brings_no_false_duplicate():
    """Plain numbers stored before the broker crashed are no reason to drop equal ones that come again under the same identifiers."""
    with mosquitto() as broker:
        async with running("mqtt", url(broker), VENT, Remembering()) as first:
            await up(first)
            with publisher(broker.port) as sender:
                await publish(sender, "bay/vent", *["21.5"] * 30)
            await eventually(lambda: len(first.raws) == 30)
            broker.kill()
            await eventually(lambda: first.links[-1][0] is LinkState.LOST)
            broker.start()
            await up(first, 2)
            durable = list(first.keys)
            first.hold = True
            with publisher(broker.port) as sender:
                await publish(sender, "bay/vent", *["21.5"] * 5)
            await eventually(lambda: len(first.raws) == 35)
        async with running("mqtt", url(broker), VENT, Remembering(durable)) as second:
            await eventually(lambda: len(second.raws) == 5)
            assert "duplicate" not in second.counts


async def test_a_pack_published_again_after_a_broker_crash_is_stored_once():
    """A publisher that never heard of the first broker's taking it sends its pack again: its own times give it away."""
    pack = json.dumps([{"bn": "vent", "bt": 1_795_000_000, "u": "Cel", "v": 4.5}])
    channels = [("vent", "degC", {"topic": "bay/vent", "format": "senml"})]
    with mosquitto() as broker:
        async with running("mqtt", url(broker), channels, Remembering()) as sink:
            await up(sink)
            for round_ in (2, 3):
                with publisher(broker.port) as sender:
                    await publish(sender, "bay/vent", pack)
                await eventually(lambda: sink.raws)
                broker.kill()
                await eventually(lambda: sink.links[-1][0] is LinkState.LOST)
                broker.start()
                await up(sink, round_)
            assert len(sink.raws) == 1
            assert sink.counts["duplicate"] == 1


async def test_reconnected_while_the_journal_is_slow_stores_once_and_acknowledges_late():
    """Messages redelivered while their first copy still waits for the disk are not stored again, and are acknowledged after the commit."""
    with mosquitto(persistent=True) as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), VENT, Journal(hold=True)) as sink:
            await up(sink)
            await publish(sender, "bay/vent", "1", "2", "3")
            await eventually(lambda: len(sink.raws) == 3)
            await asyncio.sleep(1.2)  # autosave
            await asyncio.to_thread(broker.stop)
            await eventually(lambda: sink.links[-1][0] is LinkState.LOST)
            broker.start()
            await up(sink, 2)
            await eventually(lambda: sink.counts.get("duplicate") == 3)
            sink.hold = False
            sink.commit()
        async with running("mqtt", url(broker), VENT, Journal()) as after:
            await up(after)
            await asyncio.sleep(0.3)
            assert not after.raws


async def test_broker_killed_and_restarted_is_subscribed_again():
    """A broker that lost everything in a crash is subscribed to anew, and the lost session is told and counted."""
    with mosquitto() as broker:
        async with running("mqtt", url(broker), VENT) as sink:
            await up(sink)
            for round_ in (2, 3):
                broker.kill()
                await eventually(lambda: sink.links[-1][0] is LinkState.LOST)
                broker.start()
                await up(sink, round_)
                with publisher(broker.port) as sender:
                    await publish(sender, "bay/vent", str(round_))
                await eventually(lambda round_=round_: sink.raws and sink.raws[-1].value == round_)
            assert sink.counts["session lost"] == 2


async def test_burst_of_twenty_thousand_into_a_default_broker():
    """20,000 messages in one burst, default limits of the broker: none lost, none twice, in order."""
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), VENT, Journal()) as sink:
            await up(sink)
            await publish(sender, "bay/vent", *(str(number) for number in range(20_000)), within_s=60)
            await eventually(lambda: len(sink.raws) >= 20_000, 30)
            await asyncio.sleep(0.2)
            assert [raw.value for raw in sink.raws] == list(map(float, range(20_000)))


async def test_unreadable_payloads_never_stop_the_input():
    """More unreadable messages than fit in flight (3.1.1: 20) are each kept, acknowledged, and good ones follow."""
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker) | {"version": "3.1.1"}, VENT, Journal()) as sink:
            await up(sink)
            assert "MQTT 3.1.1" in sink.links[-1][1]
            await publish(sender, "bay/vent", *[b"\xff\x00 junk"] * 100, b"8.5")
            await eventually(lambda: sink.raws)
            assert len(sink.rejects) == 100
            assert sink.raws[0].value == 8.5


async def test_a_time_far_ahead_does_not_stop_its_channel():
    """A publisher's clock that is days ahead is not believed: the reading is kept with its arrival, and counted."""
    channels = [("clamp", "degC", {"topic": "clamps", "format": "senml", "senml_name": "a"})]
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), channels) as sink:
            await up(sink)
            now = sink.clock.wall_ns() // 10**9
            packs = [[{"n": "a", "u": "Cel", "v": 1, "t": at}] for at in (now + 200_000, now - 5)]
            await publish(sender, "clamps", *map(json.dumps, packs))
            await eventually(lambda: len(sink.raws) == 2)
            assert [raw.quality for raw in sink.raws] == [0, Quality.SOURCE_TIME]
            assert abs(sink.raws[0].wall_ns / 1e9 - now) < 60.0
            assert sink.counts["time ahead"] == 1


async def test_a_giant_payload_is_refused_unread(monkeypatch):
    """Reading it would hold up every other instrument; it is counted, its beginning kept, and the next reading comes."""
    monkeypatch.setattr(mqtt, "MOST_PAYLOAD", 1000)
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), VENT) as sink:
            await up(sink)
            await publish(sender, "bay/vent", "1" * 1001, "7.5")
            await eventually(lambda: sink.raws)
            assert [raw.value for raw in sink.raws] == [7.5]
            assert [why for _, why in sink.rejects] == ["bay/vent: 1001 bytes, and at most 1000 are read"]


@pytest.mark.parametrize(("retained", "version"), [("ignore", "5"), ("ignore", "3.1.1"), ("keep", "5")])
async def test_retained_message_is_no_fresh_reading(retained, version):
    """A retained value from before is ignored, or kept and marked suspect; a live one with the retain flag counts."""
    with mosquitto() as broker, publisher(broker.port) as sender:
        await publish(sender, "bay/vent", "99", retain=True)
        async with running("mqtt", url(broker) | {"retained": retained, "version": version}, VENT, Journal()) as sink:
            await up(sink)
            await asyncio.sleep(0.2)
            await publish(sender, "bay/vent", "7", retain=True)
            await eventually(lambda: sink.raws and sink.raws[-1].value == 7.0)
            old = [(raw.value, raw.quality) for raw in sink.raws[:-1]]
            assert old == ([(99.0, Quality.SUSPECT)] if retained == "keep" else [])
            assert sink.raws[-1].quality == 0


async def test_topics_taken_out_of_the_configuration_fall_silent():
    """A kept session still delivers a topic no channel reads any more: counted, acknowledged, unsubscribed."""
    both = [*VENT, ("room", "degC", {"topic": "room"})]
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), both, Journal()) as sink:
            await up(sink)
        async with running("mqtt", url(broker), VENT, Journal()) as sink:
            await up(sink)
            await publish(sender, "room", "1")
            await eventually(lambda: sink.counts.get("unexpected topic") == 1)
            await asyncio.sleep(0.2)
            await publish(sender, "room", "2")
            await publish(sender, "bay/vent", "3")
            await eventually(lambda: sink.raws)
            assert sink.counts["unexpected topic"] == 1


async def test_same_pack_twice_is_stored_once():
    """A pack with its own times is the same message when it comes twice, from whoever it came."""
    pack = json.dumps([{"n": "bay1/suction", "u": "Cel", "v": 3.25, "t": 1795600689}])
    channels = [("suction", "degC", {"topic": "clamps", "format": "senml", "senml_name": "bay1/suction"})]
    with mosquitto() as broker, publisher(broker.port) as sender:
        async with running("mqtt", url(broker), channels, Journal()) as sink:
            await up(sink)
            await publish(sender, "clamps", pack, pack)
            await eventually(lambda: sink.counts.get("duplicate") == 1)
            assert len(sink.raws) == 1


async def test_wrong_password_is_told_and_a_right_one_gets_in(tmp_path, monkeypatch):
    """A refused login is one line with the broker's reason; with the password from file or environment it connects."""
    passwords = tmp_path / "passwords"
    await asyncio.to_thread(
        subprocess.run, [need("mosquitto_passwd"), "-b", "-c", passwords, "bench", "right"], check=True
    )
    passwords.chmod(0o644)
    good = tmp_path / "secret"
    good.write_text("right\n")
    monkeypatch.setenv("BENCH_PASSWORD", "wrong")
    with mosquitto(lines=["allow_anonymous false", f"password_file {passwords}"]) as broker:
        async with running("mqtt", url(broker) | {"username": "bench", "password_env": "BENCH_PASSWORD"}, VENT) as sink:
            await eventually(lambda: any("refuses" in text for _, text in sink.links))
            monkeypatch.setenv("BENCH_PASSWORD", "right")
            await up(sink)
        async with running("mqtt", url(broker) | {"username": "bench", "password_file": str(good)}, VENT) as sink:
            await up(sink)


async def test_tls_with_the_shops_own_authority(tmp_path):
    """`mqtts` with a certificate authority file connects; without the file the unknown authority is refused and told."""
    openssl = need("openssl")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    command = [
        openssl,
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
    ]
    names = ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", certificate]
    await asyncio.to_thread(subprocess.run, [*command, *names], check=True, capture_output=True)
    with mosquitto(lines=[f"certfile {certificate}", f"keyfile {key}"]) as broker:
        secure = {"url": f"mqtts://127.0.0.1:{broker.port}", "reconnect_s": 0.5}
        async with running("mqtt", secure | {"ca": str(certificate)}, VENT) as sink:
            await up(sink)
        async with running("mqtt", secure, VENT) as sink:
            await eventually(lambda: any("certificate verify failed" in text for _, text in sink.links))
    with warnings.catch_warnings():  # paho leaves the socket of a failed handshake to the collector
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


EMBEDDED = """
import asyncio, sys
from amqtt.broker import Broker
plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
async def main():
    await Broker({"listeners": {"default": {"type": "tcp", "bind": "127.0.0.1:" + sys.argv[1]}}, "plugins": plugins}).start()
    await asyncio.Event().wait()
asyncio.run(main())
"""


@contextlib.contextmanager
def embedded():
    """The embedded broker in a process of its own."""
    port = free_port()
    broker = subprocess.Popen([sys.executable, "-W", "ignore", "-c", EMBEDDED, str(port)], stderr=subprocess.DEVNULL)
    try:
        yield port
    finally:
        broker.kill()
        broker.wait()


async def test_broker_that_only_speaks_the_older_version():
    """A broker without MQTT 5 (the embedded one) is read by 3.1.1 without anything to set."""
    with embedded() as port:
        async with running("mqtt", {"url": f"mqtt://127.0.0.1:{port}", "reconnect_s": 0.5}, VENT, Journal()) as sink:
            await eventually(lambda: any(state is LinkState.UP for state, _ in sink.links), 20)
            assert "MQTT 3.1.1" in sink.links[-1][1]
            await asyncio.to_thread(paho_publish.single, "bay/vent", "4.5", 1, hostname="127.0.0.1", port=port)
            await eventually(lambda: sink.raws)
            assert sink.raws[0].value == 4.5


def test_a_client_that_hides_acknowledgement_is_refused_in_one_line():
    """A later aiomqtt without what is needed stops at start-up with a clear line, not at the first lost message."""
    with pytest.raises(EnvironmentFailed, match=r"no way to acknowledge by hand \(manual_ack_set\); use aiomqtt 2.5"):
        assert_reachable(object())


async def test_broker_that_is_not_there_is_tried_again():
    """No broker: lost with the reason, tried again, up as soon as it starts."""
    port = free_port()
    async with running("mqtt", {"url": f"mqtt://127.0.0.1:{port}", "reconnect_s": 0.5}, VENT) as sink:
        await eventually(lambda: any("cannot reach" in text for _, text in sink.links))
        with mosquitto(port=port):
            await up(sink)


async def test_frozen_broker_does_not_hold_up_the_end():
    """A broker that stopped answering is left within a second."""
    with mosquitto() as broker:
        async with running("mqtt", url(broker), VENT) as sink:
            await up(sink)
            broker._process.send_signal(19)
        broker._process.send_signal(18)


@pytest.mark.slow
async def test_broker_killed_twenty_times_loses_nothing_it_had_kept():
    """Killed and restarted 20 times while the bench is slow to commit: all the broker had on disk arrives, once, and each gap is told."""
    with mosquitto(persistent=True) as broker:
        async with running("mqtt", url(broker), VENT, Journal(hold=True)) as sink:
            await up(sink)
            for round_ in range(20):
                with publisher(broker.port) as sender:
                    await publish(sender, "bay/vent", *(str(round_ * 10 + number) for number in range(10)))
                await asyncio.sleep(0.3)  # the broker saves after each change
                broker.kill()
                await eventually(lambda: sink.links[-1][0] is LinkState.LOST)
                broker.start()
                await up(sink, round_ + 2)
                sink.commit()
            sink.hold = False
            sink.commit()
            await eventually(lambda: len(sink.raws) >= 200)
            await asyncio.sleep(0.3)
            assert [raw.value for raw in sink.raws] == list(map(float, range(200)))
            assert [state for state, _ in sink.links].count(LinkState.LOST) == 20
