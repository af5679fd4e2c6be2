"""Each probe of the doctor finds its own fault, and says the cure."""

import http.server
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from baytrace.bench.config import load_config
from baytrace.commands import _probes as probes
from baytrace.web.tokens import AccessRole, TokenFile
from servers import free_port, mosquitto, pseudo_terminal, served

PLAIN = """
[[instrument]]
name = "gauge"
adapter = "line"
port = "{port}"
[[instrument.channel]]
role = "system_pressure"
unit = "Pa"
field = 0
"""


def config_of(folder, text="", port="socket://127.0.0.1:9"):
    file = folder / "bench.toml"
    file.write_text(f"{PLAIN.format(port=port)}{text}")
    return load_config(file)


def only(found, what):
    (finding,) = [each for each in found if each.what == what]
    return finding


def bad(found, what, cure):
    """The finding is a fault, and its cure names what helps."""
    finding = only(found, what)
    assert not finding.good
    assert cure in finding.cure
    return finding


def test_a_healthy_bench_gets_no_cure(tmp_path, monkeypatch):
    """Where nothing is wrong nothing is advised."""
    monkeypatch.setattr(probes, "kernel_clock", lambda: 0)
    monkeypatch.setattr(probes, "fsync_ms", lambda *_: [1.0])
    config = config_of(tmp_path, f"[web]\nport = {free_port()}")
    wrong = [each for each in probes.examine(config) if not each.good and each.what != "serial ports"]
    assert wrong == []


def test_an_old_sqlite_is_told(monkeypatch):
    """A version with the write-ahead log's race is no good for a journal."""
    monkeypatch.setattr(probes.apsw, "sqlite_lib_version", lambda: "3.40.1")
    bad(probes.sqlite(), "SQLite", "apsw")


@pytest.mark.parametrize(("state", "good"), [(0, True), (3, True), (5, False), (None, True)])
def test_a_clock_nobody_sets_is_told(monkeypatch, state, good):
    """The kernel's own word counts, whichever time service runs; where it is silent nothing is claimed."""
    monkeypatch.setattr(probes, "kernel_clock", lambda: state)
    finding = only(list(probes.clock()), "clock")
    assert (finding.good, bool(finding.cure)) == (good, not good)


def test_the_kernel_is_asked_without_changing_anything():
    """On Linux adjtimex answers a state between 0 and 5."""
    assert probes.kernel_clock() in (None, *range(6))


def test_a_coarse_clock_source_is_told(monkeypatch, tmp_path):
    """A source that steps coarsely spoils spans."""
    file = tmp_path / "source"
    monkeypatch.setattr(probes, "CLOCK_SOURCE", file)
    file.write_text("jiffies\n")
    bad(probes.clock(), "clock source", "tsc")
    file.write_text("tsc\n")
    assert only(list(probes.clock()), "clock source").good


def test_a_slow_or_full_or_foreign_disk_is_told(monkeypatch, tmp_path):
    """Each with what to do about it."""
    monkeypatch.setattr(probes, "fsync_ms", lambda *_: [80.0, 90.0, 100.0])
    bad(probes.disk(tmp_path), "fsync", "SSD")
    monkeypatch.setattr(probes, "LEAST_FREE_GB", 1e9)
    bad(probes.disk(tmp_path / "not" / "there" / "yet"), "disk", "make room")
    monkeypatch.setattr(probes.os, "access", lambda *_: False)
    bad(probes.disk(tmp_path), "journal folder", "chown")


def test_fsync_is_measured_and_leaves_nothing_behind(tmp_path):
    """Every span is a real one and the probe's file is gone."""
    assert all(span > 0 for span in probes.fsync_ms(tmp_path, 5))
    assert list(tmp_path.iterdir()) == []


def test_an_instruments_port_is_looked_at(tmp_path, monkeypatch):
    """Missing, forbidden, named by a number that changes, and fine."""
    missing = probes.instruments(config_of(tmp_path, port="/dev/serial/by-id/usb-nothing"))
    bad(missing, "port of gauge", "baytrace ports")
    monkeypatch.setattr(Path, "exists", lambda _: True)
    monkeypatch.setattr(probes.os, "access", lambda *_: True)
    bad(probes.instruments(config_of(tmp_path, port="/dev/ttyUSB0")), "port of gauge", "by-id")
    monkeypatch.setattr(probes.os, "access", lambda *_: False)
    bad(probes.instruments(config_of(tmp_path, port="/dev/ttyS0")), "port of gauge", "dialout")
    monkeypatch.undo()
    with pseudo_terminal() as gauge:
        assert only(list(probes.instruments(config_of(tmp_path, port=gauge.name))), "port of gauge").good


def test_a_taken_web_port_is_told(tmp_path):
    """What else listens there is the fault; the bench itself, running, is none."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        config = config_of(tmp_path, f"[web]\nport = {other.getsockname()[1]}")
        bad(probes.web_port(config), "web port", "web.port")


def test_missing_and_open_tokens_are_told(tmp_path):
    """An address others reach without tokens, and a token file others may change."""
    config = config_of(tmp_path, '[web]\nhost = "0.0.0.0"')
    bad(probes.access(config), "access", "token make")
    TokenFile(tmp_path / "tokens.json").make("tablet", AccessRole.VIEW)
    assert only(list(probes.access(config)), "access").good
    (tmp_path / "tokens.json").chmod(0o666)
    bad(probes.access(config), "access", "tokens")


def write_certificate(folder, days):
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "bay-1")])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    made = made.serial_number(1).not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=days))
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (folder / "bench.key").write_bytes(secret)
    (folder / "bench.key").chmod(0o600)
    (folder / "bench.crt").write_bytes(made.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))


def test_a_certificate_about_to_end_is_told(tmp_path):
    """Two weeks ahead; and one whose key others can read is no certificate to serve with."""
    config = config_of(tmp_path, '[web]\ncertificate = "bench.crt"\nprivate_key = "bench.key"')
    bad(probes.access(config), "certificate", "PEM")
    write_certificate(tmp_path, days=5)
    bad(probes.access(config), "certificate", "renew")
    write_certificate(tmp_path, days=90)
    assert all(each.good for each in probes.access(config))
    (tmp_path / "bench.key").chmod(0o644)
    bad(probes.access(config), "certificate", "chmod 600")


def test_a_broker_that_is_away_or_denies_is_told(tmp_path):
    """The bench's own way to it is tried, with its own name and password; the password is not in what is told."""
    config = config_of(tmp_path, f'[mqtt]\nurl = "mqtt://127.0.0.1:{free_port()}"')
    bad(probes.broker(config, config.mqtt), "broker", "start it")
    config = config_of(
        tmp_path, '[mqtt]\nurl = "mqtt://127.0.0.1:1"\nusername = "kim"\npassword_env = "NOT_SET_ANYWHERE"'
    )
    bad(probes.broker(config, config.mqtt), "broker", "set it")
    config = config_of(tmp_path, '[mqtt]\nurl = "mqtts://127.0.0.1:1"\nca = "no.pem"')
    assert f"{tmp_path / 'no.pem'} is no certificate" in bad(probes.broker(config, config.mqtt), "broker", "").detail


@pytest.mark.server
def test_a_broker_is_really_connected_to(tmp_path, monkeypatch):
    """A real mosquitto that wants a password: refused with a wrong one, and the finding says which keys to correct."""
    monkeypatch.setenv("BROKER_SECRET", "sesame-sesame")
    (tmp_path / "passwords").write_text("")
    with mosquitto() as broker:
        config = config_of(tmp_path, f'[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"')
        assert only(list(probes.broker(config, config.mqtt)), "broker").good
    with mosquitto(lines=("allow_anonymous false", f"password_file {tmp_path / 'passwords'}")) as broker:
        text = f'[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\nusername = "kim"\npassword_env = "BROKER_SECRET"'
        config = config_of(tmp_path, text)
        finding = bad(probes.broker(config, config.mqtt), "broker", "mqtt.username")
        assert "sesame" not in str(finding)


class Answering(http.server.BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def do_GET(self):
        body = self.server.metrics.encode() if self.path == "/metrics" else b""
        self.send_response(200 if body else 404)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def do_POST(self):
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(self.server.answer)
        self.send_header("Content-Length", "0")
        self.end_headers()


@pytest.fixture
def answering():
    made = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Answering)
    made.metrics, made.answer = "", 204
    with served(made):
        yield made


def test_what_a_server_would_spoil_is_told(tmp_path, answering):
    """Away, refusing, without deduplication, and showing nothing of what it took."""
    text = '[forward]\nurl = "http://127.0.0.1:{}"'
    config = config_of(tmp_path, text.format(free_port()))
    bad(probes.server(config, config.forward), "server", "forward.url")
    config = config_of(tmp_path, text.format(answering.server_port))
    assert only(list(probes.server(config, config.forward)), "server").good
    answering.answer = 401
    bad(probes.server(config, config.forward), "server", "token")
    answering.answer = 400
    assert not only(list(probes.server(config, config.forward)), "server").good
    answering.answer = 204
    answering.metrics = 'vm_app_start_timestamp 1\nflag{name="dedup.minScrapeInterval", value="0s"} 1\n'
    found = list(probes.server(config, config.forward))
    assert any("-dedup.minScrapeInterval=1ms" in each.cure for each in found)
    assert not any(each.good for each in found)
