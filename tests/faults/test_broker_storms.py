"""The whole way from publisher to journal while the daemon is killed, the broker is killed, or everything comes at once."""

import signal
from collections import Counter

import pytest

from baytrace.journal.reader import JournalReader
from baytrace.journal.store import Stored
from baytrace.journal.verify import verify
from baytrace.records.vocabulary import Kind
from fault_harness import PATIENCE_S
from kill_storm import CONFIG, storm
from nursery import NurseryBench
from servers import Mosquitto, publisher

pytestmark = pytest.mark.server


@pytest.fixture
def scene(request, nursery, tmp_path):
    """A broker, with or without a memory on disk, and a daemon that hears it."""
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker", persistent=request.param).start()
    daemon = NurseryBench(nursery, tmp_path, CONFIG.format(broker=broker.port, format="number"))
    daemon.start(PATIENCE_S)
    daemon.until(lambda: up(daemon), PATIENCE_S)
    yield broker, daemon
    if daemon.process is not None:
        daemon.kill()
    broker.stop()


def up(daemon):
    return daemon.get("/api/bench")["instruments"][0]["state"] == "up"


def stored(folder):
    """(how often each number is stored, the events); the chain verifies."""
    report = verify(folder / "journal")
    assert report.ok, report.faults
    with JournalReader(folder / "journal") as journal:
        items = list(journal.items())
    numbers = [int(item.raw.value) for item in items if isinstance(item, Stored)]
    return numbers, [item for item in items if not isinstance(item, Stored)]


def heard(daemon, count):
    return daemon.get("/api/bench")["storing"]["stored"] >= count


@pytest.mark.slow
@pytest.mark.parametrize(("pack", "seed"), [(1, 11), (10, 12)])
def test_killed_at_random_instants_under_load(nursery, tmp_path, pack, seed):
    """1,000 readings a second, QoS 1, a broker with its default limits: all it took is stored, once, and the chain verifies."""
    found = storm(nursery, tmp_path, kills=8, pack=pack, seed=seed)
    assert found["dropped by the broker"] == found["lost"] == found["twice"] == found["never sent"] == 0, found
    assert found["chain"] == "verifies"
    assert found["exit"] == 0
    assert found["published"] > 2000
    assert 1 <= found["gaps named"] <= 8


@pytest.mark.slow
@pytest.mark.parametrize("scene", [False], indirect=True)
def test_a_burst_of_twenty_thousand_messages(scene, tmp_path):
    """Published as fast as the broker takes them: every one is stored, once, in order."""
    broker, daemon = scene
    with publisher(broker.port) as sender:
        sender.publish("bay/vent", *(str(number) for number in range(20_000)), within_s=60)
    daemon.until(lambda: heard(daemon, 20_000), PATIENCE_S)
    assert daemon.stop(PATIENCE_S) == 0
    numbers, _ = stored(tmp_path)
    assert numbers == list(range(20_000))


@pytest.mark.slow
@pytest.mark.parametrize("scene", [True], indirect=True)
def test_a_broker_killed_twenty_times(scene, tmp_path):
    """What the broker had on disk when it was killed is stored, once, and each of the twenty gaps is named."""
    broker, daemon = scene
    for turn in range(20):
        with publisher(broker.port) as sender:
            sender.publish("bay/vent", *(str(turn * 20 + number) for number in range(10)))
            daemon.until(lambda turn=turn: heard(daemon, turn * 20 + 10))
            daemon.process.send_signal(signal.SIGSTOP)
            sender.publish("bay/vent", *(str(turn * 20 + 10 + number) for number in range(10)))
            broker.saves("bay/vent", turn * 20 + 19)
            broker.kill()
        daemon.process.send_signal(signal.SIGCONT)
        daemon.until(lambda: not up(daemon))
        broker.start()
        daemon.until(lambda turn=turn: up(daemon) and heard(daemon, turn * 20 + 20))
    assert daemon.stop(PATIENCE_S) == 0
    numbers, events = stored(tmp_path)
    counted = Counter(numbers)
    assert sorted(counted) == list(range(400))
    assert not [number for number, times in counted.items() if times > 1]
    assert sum(one.kind == Kind.INSTRUMENT and one.data["state"] == "lost" for one in events) == 20
