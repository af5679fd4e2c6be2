"""Alarms and verdicts reach the outside through every fault of the way: real HTTP servers, a real broker, real kills."""

import asyncio
import contextlib
import datetime as dt
import json
import ssl
import time

import aiomqtt
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from baytrace.bench.config import load_config
from baytrace.bench.outbox_rules import Letter
from baytrace.bench.webhook import Webhook
from baytrace.journal.reader import JournalReader
from baytrace.journal.verify import verify
from running_bench import GAUGE, RunningBench
from servers import Mosquitto, mosquitto, pseudo_terminal
from webhook_receiver import SECRET, receiver

pytestmark = pytest.mark.server

LIMIT = """
[[limit]]
channel = "system_pressure"
high = 500.0
deadband = 10.0
unit = "micron"
"""
LETTER = Letter("boot.1", b'{"kind": "alarm"}', "alarm")


@contextlib.contextmanager
def alarming(folder, targets):
    """A daemon with a high limit on its gauge; `say(value)` prints a line of it."""
    with pseudo_terminal() as gauge:
        text = f'[bench]\nname = "bay-1"\nelevation_m = 0\n{GAUGE.format(port=gauge.name)}{LIMIT}{targets}'
        made = RunningBench(folder, text)
        made.env = {"HOOK_SECRET": SECRET}
        made.say = lambda value: gauge.write(f"{value}\r\n".encode())
        made.gauge = gauge
        try:
            yield made.start()
        finally:
            if made.process is not None:
                made.stop()


def webhook(one, timeout_s=1.0):
    return f'\n[webhook]\nurl = "{one.url}"\nsecret_env = "HOOK_SECRET"\ntimeout_s = {timeout_s}\n'


def raised(said):
    return said["kind"] == "alarm" and said.get("action") == "raised" and said["channel"] == "system_pressure"


def high(made):
    """Print until the high alarm stands."""
    made.say(900)
    made.until(lambda: any(row["channel"] == "system_pressure" for row in made.get("/api/alarms")))


def delivery(made, target="webhook"):
    return next(row for row in made.get("/api/bench")["delivery"] if row["target"] == target)


def test_an_alarm_and_a_verdict_reach_the_webhook_signed_once_each(tmp_path):
    """Signed as the specification says, told once, JSON with key, time and bench; nothing waits afterwards."""
    with receiver() as hook, alarming(tmp_path, webhook(hook)) as made:
        made.say(100)
        session = made.post("/api/sessions", {"plan": {"evacuation": {}}})["id"]
        high(made)
        made.post(f"/api/sessions/{session}/close", {})
        made.until(lambda: any(request.said["kind"] == "verdict" for request in hook.requests))
        made.until(lambda: delivery(made)["waiting"] == 0)
        assert all(request.signed() for request in hook.requests)
        keys = [request.key for request in hook.requests]
        assert len(set(keys)) == len(keys)
        alarm = next(request for request in hook.requests if raised(request.said))
        assert (alarm.said["bench"], alarm.said["key"], alarm.path) == ("bay-1", alarm.key, "/hook?token=in-the-query")
        assert abs(int(alarm.headers["webhook-timestamp"]) - time.time()) < 30
        seqs = [request.said["seq"] for request in hook.requests]
        assert seqs == sorted(seqs)
        assert delivery(made)["delivered"] == len(keys)


@pytest.mark.parametrize("mood", [500, "hang", "drop", "drip", (302, {"Location": "/elsewhere"}), 401])
def test_a_webhook_that_fails_gets_the_same_letter_until_it_takes_it(tmp_path, mood):
    """Errors, silence, dripping answers and redirects cost time and no alarm; the key stays; no redirect is followed."""
    with receiver() as hook:
        hook.mood = mood
        with alarming(tmp_path, webhook(hook, 0.6)) as made:
            high(made)
            made.until(lambda: len(hook.requests) >= 2)
            assert delivery(made)["waiting"] >= 1
            assert delivery(made)["last_error"]
            hook.mood = 200
            made.until(lambda: delivery(made)["waiting"] == 0, 30)
            assert delivery(made)["dead"] == 0
            assert hook.requests[0].key == hook.requests[1].key
            assert {request.path for request in hook.requests} == {"/hook?token=in-the-query"}
        log = made.said()
        assert "in-the-query" not in log
        assert SECRET not in log


def test_retry_after_is_obeyed(tmp_path):
    """A 429 that asks for four seconds is left alone for four seconds."""
    with receiver() as hook:
        hook.mood = (429, {"Retry-After": "4"})
        with alarming(tmp_path, webhook(hook)) as made:
            high(made)
            made.until(lambda: hook.requests)
            hook.mood = 200
            made.until(lambda: delivery(made)["waiting"] == 0)
            first, second = hook.requests[:2]
            assert second.at - first.at >= 3.9


def test_a_kill_between_commit_and_delivery_loses_no_letter_and_changes_no_key(tmp_path):
    """Committed and not yet taken when the daemon dies by kill -9: delivered by the next, under the key it had."""
    with receiver() as hook:
        hook.mood = "hang"
        with alarming(tmp_path, webhook(hook, 30.0)) as made:
            high(made)
            made.until(lambda: any(raised(request.said) for request in hook.requests))
            tried = next(request for request in hook.requests if raised(request.said))
            made.kill()
            hook.mood = 200
            before = len(hook.requests)
            made.start()
            made.until(lambda: any(raised(request.said) for request in hook.requests[before:]))
            again = next(request for request in hook.requests[before:] if raised(request.said))
            assert (again.key, again.body) == (tried.key, tried.body)
            made.until(lambda: delivery(made)["waiting"] == 0)
        assert verify(tmp_path / "journal").ok


@pytest.mark.slow
def test_kills_at_any_instant_lose_no_alarm(tmp_path):
    """Ten kills while alarms come and go and the receiver stumbles: every alarm event of the journal was told, none under two keys."""
    with receiver() as hook:
        with alarming(tmp_path, webhook(hook)) as made:
            for turn in range(10):
                hook.mood = (200, 500, 200, "drop")[turn % 4]
                for step in range(12):
                    made.say(900 if step % 2 else 100)
                    time.sleep(0.02 + 0.007 * turn)
                made.kill()
                made.start()
            hook.mood = 200
            made.until(lambda: delivery(made)["waiting"] == 0, 60)
        with JournalReader(tmp_path / "journal") as journal:
            events = {event.seq for event in journal.events(kinds=("alarm", "verdict"))}
        told = {}
        for request in hook.requests:
            told.setdefault(request.said["seq"], set()).add(request.key)
        # what was recorded while the last daemon ended may wait for the next start
        with JournalReader(tmp_path / "journal") as journal:
            left = sum(count for _, _, count, _ in journal.letters())
        assert len(events - told.keys()) == left
        assert all(len(keys) == 1 for keys in told.values())
        assert len(events) > 20


def test_what_is_refused_for_good_is_a_dead_letter_that_can_be_sent_again(tmp_path):
    """A 422 is told: in the figures, the metrics, the record, the doctor and as an alarm; a person sends it again."""
    with receiver() as hook:
        hook.moods[b'"action": "raised"'] = 422
        with alarming(tmp_path, webhook(hook)) as made:
            high(made)
            made.until(lambda: delivery(made)["dead"] == 1)
            made.until(lambda: any(row["id"] == "bench-delivery" for row in made.get("/api/alarms")))
            with JournalReader(tmp_path / "journal") as journal:
                told = next(iter(journal.events(kinds=("undelivered",))))
                assert told.data["why"].startswith("HTTP 422")
                assert journal.event(told.data["of"]).kind == "alarm"
                assert any(state == "dead" for _, state, _, _ in journal.letters())
            from urllib.request import urlopen

            with urlopen(made.url + "/metrics", timeout=5) as answer:
                text = answer.read().decode()
            assert 'baytrace_letters{target="webhook",state="dead"} ' in text
            hook.moods.clear()
            assert made.post("/api/letters/retry", {})["letters"] >= 1
            made.until(lambda: delivery(made)["dead"] == 0 and delivery(made)["waiting"] == 0)
            assert any(raised(request.said) for request in hook.requests)


def test_the_broker_away_costs_no_alarm(tmp_path):
    """Raised while the broker is down, published when it is back, and again by the next daemon if it was killed meanwhile."""
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder).start()
    heard = []

    async def listen(until):
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.subscribe("baytrace/bay-1/#", qos=1)
            async with asyncio.timeout(30):
                async for message in client.messages:
                    topic = str(message.topic).rpartition("/")[2]
                    if topic in ("alarm", "verdict"):
                        heard.append(json.loads(message.payload))
                        if until(heard[-1]):
                            return

    try:
        with alarming(tmp_path, f'\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\n') as made:
            broker.kill()
            high(made)
            made.until(lambda: delivery(made, "mqtt")["waiting"] >= 1)
            made.kill()
            made.launch()
            made.wait_up()
            assert delivery(made, "mqtt")["waiting"] >= 1
            broker.start()
            asyncio.run(listen(raised))
            made.until(lambda: delivery(made, "mqtt")["waiting"] == 0)
    finally:
        broker.stop()
    assert any(raised(said) for said in heard)


def test_many_alarms_through_a_broker_with_default_limits_all_arrive(tmp_path):
    """A storm of alarms is published in order and none is lost."""
    heard = []

    async def listen(port, enough, ready):
        async with aiomqtt.Client("127.0.0.1", port) as client:
            await client.subscribe("baytrace/bay-1/alarm", qos=1)
            ready.set()
            async with asyncio.timeout(40):
                async for message in client.messages:
                    heard.append(json.loads(message.payload)["seq"])
                    if enough():
                        return

    async def storm(made, port):
        ready = asyncio.Event()
        done = False
        listener = asyncio.create_task(listen(port, lambda: done and len(set(heard)) >= events(), ready))

        def events():
            with JournalReader(tmp_path / "journal") as journal:
                return sum(1 for _ in journal.events(kinds=("alarm",)))

        await ready.wait()
        for step in range(200):
            made.say(900 if step % 2 else 100)
            await asyncio.sleep(0.005)
        await asyncio.sleep(1.0)
        done = True
        made.say(900)
        made.say(100)
        await listener

    with mosquitto() as broker, alarming(tmp_path, f'\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\n') as made:
        asyncio.run(storm(made, broker.port))
    assert len(set(heard)) >= 100
    assert heard == sorted(heard)


def certificate(folder, name):
    """A self-signed certificate for `name`: (file of certificate and key, file of the certificate)."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    pem = made.public_bytes(serialization.Encoding.PEM)
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (folder / f"{name}.pem").write_bytes(pem + secret)
    (folder / f"{name}.crt").write_bytes(pem)
    return folder / f"{name}.pem", folder / f"{name}.crt"


def posted(tmp_path, url, monkeypatch, ca=""):
    """The answer of one attempt at `url`."""
    monkeypatch.setenv("HOOK_SECRET", SECRET)
    text = GAUGE.format(port="/dev/none") + f'\n[webhook]\nurl = "{url}"\nsecret_env = "HOOK_SECRET"\nca = "{ca}"\n'
    (tmp_path / "bench.toml").write_text(text)
    config = load_config(tmp_path / "bench.toml")
    return asyncio.run(Webhook(config, config.webhook).send(LETTER))


def test_certificates_are_verified(tmp_path, monkeypatch):
    """A receiver nobody vouches for, or one of another name, gets nothing; one that `ca` vouches for does."""
    pair, ca = certificate(tmp_path, "localhost")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(pair)
    with receiver(tls=context) as hook:
        url = f"https://localhost:{hook.port}/"
        assert "certificate" in posted(tmp_path, url, monkeypatch).detail
        assert posted(tmp_path, url.replace("localhost", "127.0.0.1"), monkeypatch, ca).outcome == "away"
        assert not hook.requests
        assert posted(tmp_path, url, monkeypatch, ca).outcome == "taken"
        assert hook.requests[0].signed()


def test_a_webhook_without_a_secret_is_refused_before_anything_runs(tmp_path):
    """No secret named, or one that is not there, is one clear line and no daemon."""
    (tmp_path / "bench.toml").write_text(GAUGE.format(port="/dev/none") + '\n[webhook]\nurl = "http://127.0.0.1:1/"\n')
    from baytrace.measure.faults import BadInput

    with pytest.raises(BadInput, match="secret_env or secret_file"):
        load_config(tmp_path / "bench.toml")
    (tmp_path / "secret").write_text("words")
    (tmp_path / "secret").chmod(0o644)
    text = GAUGE.format(port="/dev/none") + '\n[webhook]\nurl = "http://127.0.0.1:1/"\nsecret_file = "secret"\n'
    (tmp_path / "bench.toml").write_text(text)
    config = load_config(tmp_path / "bench.toml")
    with pytest.raises(BadInput, match="chmod 600"):
        Webhook(config, config.webhook)
