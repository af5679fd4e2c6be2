"""The whole daemon on real wires, read from a bench.toml written by hand."""

import contextlib
import json
import subprocess
import sys

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from baytrace.journal.verify import verify
from running_bench import GAUGE, RunningBench
from servers import mosquitto, need, pseudo_terminal
from wire_modbus import modbus_tcp

pytestmark = pytest.mark.server


@contextlib.contextmanager
def bench(folder, config, **keys):
    made = RunningBench(folder, config, **keys)
    try:
        yield made.start()
    finally:
        if made.process is not None:
            made.stop()


def print_to(port, text):
    """A line written by plain shell `printf`."""
    subprocess.run(["sh", "-c", f"printf '{text}' > {port}"], check=True)


def test_printf_pymodbus_and_mosquitto_pub_are_read_in_si(tmp_path):
    """Shell, a server that is not ours and a broker's own tool each arrive with the right SI value."""
    publish = need("mosquitto_pub")
    devices = [SimDevice(id=1, simdata=[SimData(0, values=2.0, datatype=DataType.FLOAT32)])]
    with pseudo_terminal() as gauge, mosquitto() as broker, modbus_tcp(devices) as port:
        config = f"""
[bench]
name = "bay-1"
elevation_m = 0
{GAUGE.format(port=gauge.name)}
[[instrument]]
name = "transmitter"
adapter = "modbus"
port = "tcp://127.0.0.1:{port}"
[[instrument.channel]]
role = "low_side"
unit = "bar"
device = 1
address = 0
type = "float32"
[[instrument]]
name = "probes"
adapter = "mqtt"
url = "mqtt://127.0.0.1:{broker.port}"
[[instrument.channel]]
role = "suction_line"
unit = "degC"
topic = "bay1/clamps"
format = "senml"
senml_name = "urn:dev:clamps:suction"
[[instrument.channel]]
role = "vent_air"
unit = "degC"
topic = "bay1/vent"
format = "number"
"""
        with bench(tmp_path, config) as running:

            def heard(name):
                gauge.write(b"500\n")
                subprocess.run([publish, "-p", str(broker.port), "-t", "bay1/vent", "-q", "1", "-m", "6.5"], check=True)
                pack = json.dumps([{"bn": "urn:dev:clamps:", "n": "suction", "u": "Cel", "v": 9.25}])
                subprocess.run(
                    [publish, "-p", str(broker.port), "-t", "bay1/clamps", "-q", "1", "-m", pack], check=True
                )
                return running.channel(name)["value"]

            for name, si in (
                ("system_pressure", 66.6612),
                ("low_side", 301_325.0),
                ("suction_line", 282.40),
                ("vent_air", 279.65),
            ):
                assert running.until(lambda name=name: heard(name)) == pytest.approx(si, rel=1e-5)
            assert running.stop() == 0
    assert verify(tmp_path / "journal").readings > 4


def test_sigterm_ends_cleanly_and_the_journal_verifies(tmp_path):
    """Exit 0, and the chain holds to the last reading."""
    with pseudo_terminal() as gauge, bench(tmp_path, GAUGE.format(port=gauge.name)) as running:
        running.until(lambda: gauge.write(b"512\n") or running.channel("system_pressure")["count"] >= 3)
        assert running.stop() == 0
    assert verify(tmp_path / "journal").readings >= 3


def test_a_killed_daemon_comes_back_into_its_session(tmp_path):
    """After kill -9 the same session runs on, what was shown is still there, and the hole is in the record."""
    with pseudo_terminal() as gauge, bench(tmp_path, GAUGE.format(port=gauge.name)) as running:
        running.until(lambda: gauge.write(b"512\n") or running.channel("system_pressure")["count"])
        session = running.post("/api/sessions", {"title": "pump test", "plan": {"evacuation": {"volume_l": 2.0}}})["id"]
        running.post(f"/api/sessions/{session}/marks", {"text": "pump on", "who": "Kim"})
        shown = running.until(
            lambda: (
                gauge.write(b"400\n")
                or (running.channel("system_pressure")["shown"] == 400.0 and running.channel("system_pressure"))
            )
        )
        running.kill()
        running.start()
        record = running.get(f"/api/sessions/{session}")
        assert record["closed"] is None
        assert [mark["text"] for mark in record["marks"]] == ["pump on"]
        assert record["gaps"]
        assert "unclean" in record["gaps"][0]["cause"]
        past = running.get("/api/readings?channel=system_pressure")["channels"]["system_pressure"]["value"]
        assert past.count(pytest.approx(shown["value"])) >= 1
        closing = running.post(f"/api/sessions/{session}/close", {"who": "Kim"})
        assert closing["verdicts"]["evacuation"]["verdict"] == "undecided"
        assert running.stop() == 0
    assert verify(tmp_path / "journal").events > 5


def test_two_daemons_never_share_a_journal(tmp_path):
    """The second one is refused with the first one's process number."""
    with pseudo_terminal() as gauge, bench(tmp_path, GAUGE.format(port=gauge.name)) as running:
        other = tmp_path / "other"
        other.mkdir()
        second = RunningBench(other, f'[bench]\njournal = "{tmp_path / "journal"}"\n' + GAUGE.format(port=gauge.name))
        with pytest.raises(AssertionError, match=str(running.process.pid)):
            second.start()
        assert second.process.wait(5) == 5
        second.log.close()


def test_a_taken_port_is_one_clear_line(tmp_path):
    """Exit 5, and the line says which setting to change."""
    with pseudo_terminal() as gauge, bench(tmp_path, GAUGE.format(port=gauge.name)) as running:
        other = tmp_path / "other"
        other.mkdir()
        second = RunningBench(other, GAUGE.format(port=gauge.name))
        second.file.write_text(GAUGE.format(port=gauge.name) + f"\n[web]\nport = {running.port}\n")
        done = subprocess.run(
            [sys.executable, "-m", "baytrace", "serve", "--config", str(second.file)],
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )
        assert done.returncode == 5
        assert "web.port" in done.stderr
        assert "Traceback" not in done.stderr


def test_other_addresses_need_tokens(tmp_path):
    """Without a token the daemon does not listen beyond its own machine."""
    (tmp_path / "bench.toml").write_text(GAUGE.format(port="socket://127.0.0.1:9") + '\n[web]\nhost = "0.0.0.0"\n')
    done = subprocess.run(
        [sys.executable, "-m", "baytrace", "serve", "--config", str(tmp_path / "bench.toml")],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 2
    assert "token" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_token_opens_the_door_and_only_as_far_as_its_role(tmp_path):
    """On another address nothing passes without a token; a login keeps it in a cookie; a view token changes nothing."""
    config = GAUGE.format(port="socket://127.0.0.1:9")
    made = RunningBench(tmp_path, config)
    made.file.write_text(f'{config}\n[web]\nhost = "0.0.0.0"\nport = {made.port}\n')
    command = [
        sys.executable,
        "-m",
        "baytrace",
        "token",
        "make",
        "tablet",
        "--role",
        "view",
        "--config",
        str(made.file),
    ]
    token = subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    try:
        made.start()
        assert made.status_of("/api/bench")[0] == 401
        assert made.status_of("/api/bench", headers={"Authorization": f"Bearer {token}"})[0] == 200
        assert made.status_of("/api/login", {"token": "wrong"})[0] == 401
        assert made.status_of("/api/login", {"token": token}) == (200, {"role": "view"})
        assert made.status_of("/api/bench", headers={"Cookie": f"baytrace_token={token}"})[0] == 200
        assert made.status_of("/api/marks", {"text": "pump on"}, {"Authorization": f"Bearer {token}"})[0] == 403
        assert made.status_of("/api/marks", {"text": "pump on"})[0] == 401
        assert token not in made.said()
    finally:
        made.stop()


def test_another_sites_page_cannot_steer_the_bench(tmp_path):
    """A foreign origin changes nothing, and a foreign host name reaches nothing."""
    with bench(tmp_path, GAUGE.format(port="socket://127.0.0.1:9")) as running:
        assert running.status_of("/api/marks", {"text": "x"}, {"Origin": "http://elsewhere.example"})[0] == 403
        assert running.status_of("/api/bench", headers={"Host": "elsewhere.example"})[0] == 421
        assert running.status_of("/api/marks", {"text": "x"}, {"Origin": running.url})[0] == 201
        assert running.status_of("/api/sessions/..%2f..%2fetc")[0] == 404
