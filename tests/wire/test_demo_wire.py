"""The demo as a newcomer runs it, and every scenario judged again from what it left."""

import json
import re
import subprocess
import sys
import urllib.request
import zipfile

import pytest

from baytrace_sim.scenario import scenario_named, scenarios


def baytrace(*arguments, within_s=240):
    return subprocess.run(
        [sys.executable, "-m", "baytrace", *arguments], capture_output=True, text=True, timeout=within_s, check=False
    )


def only(folder, pattern):
    (found,) = folder.glob(pattern)
    return found


def judged_again(folder, tmp_path):
    """Findings by watch, from the exported CSV alone."""
    pack = only(folder, "*.zip")
    exported = baytrace(
        "export", pack.stem, "--journal", str(folder / "journal"), "--to", str(tmp_path), "--format", "csv", "--json"
    )
    trace = json.loads(exported.stdout)["path"]
    with zipfile.ZipFile(pack) as bag:
        name = next(name for name in bag.namelist() if name.endswith("session.json"))
        plan = json.loads(bag.read(name))["plan"]
    found = {}
    for watch, settings in plan.items():
        said = [
            part
            for key, value in settings.items()
            for part in ("--set", f"{key}={json.dumps(value) if isinstance(value, dict | list) else value}")
        ]
        found[watch] = json.loads(baytrace("judge", trace, "--watch", watch, *said, "--json").stdout)["finding"]
    return found


def play(name, folder):
    return baytrace("demo", "--scenario", name, "--plain", "--to", str(folder))


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_healthy_job_passes_from_one_command(tmp_path):
    """Exit 0, every verdict printed as a pass, a pack that verifies, and the same findings from the CSV alone."""
    done = play("healthy", tmp_path / "demo")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("✓ pass") == 4
    pack = only(tmp_path / "demo", "*.zip")
    assert baytrace("verify", str(pack), "--keys", str(tmp_path / "demo" / "keys")).returncode == 0
    assert baytrace("verify", str(tmp_path / "demo" / "journal")).returncode == 0
    assert judged_again(tmp_path / "demo", tmp_path) == dict(scenario_named("healthy").expect)


@pytest.mark.slow
@pytest.mark.timeout(200)
@pytest.mark.parametrize("name", ["blocked-airflow", "bad-coil", "open-coil"])
def test_a_fault_ends_in_its_own_finding(tmp_path, name):
    """Exit 1; the live verdict and the CSV's are the scenario's."""
    done = play(name, tmp_path / "demo")
    assert done.returncode == 1, done.stdout + done.stderr
    assert "the scenario means" not in done.stdout
    assert judged_again(tmp_path / "demo", tmp_path) == dict(scenario_named(name).expect)


def test_the_page_is_up_while_the_demo_runs(tmp_path):
    """The address printed answers while the job goes by."""
    command = [
        sys.executable,
        "-m",
        "baytrace",
        "demo",
        "--scenario",
        "bad-coil",
        "--plain",
        "--to",
        str(tmp_path / "demo"),
        "--rate",
        "20",
    ]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    try:
        address = next(found[1] for line in process.stderr if (found := re.search(r"the page is at (\S+)", line)))
        with urllib.request.urlopen(address, timeout=10) as page:
            assert b"<main" in page.read()
        with urllib.request.urlopen(address + "api/bench", timeout=10) as answer:
            assert json.loads(answer.read())["name"] == "demo"
    finally:
        process.terminate()
        process.communicate(timeout=30)


def test_the_demo_lists_its_scenarios():
    """Every scenario has a name and says what it is about."""
    listed = baytrace("demo", "--list").stdout
    assert len(scenarios()) >= 12
    for name in scenarios():
        assert f"{name}: " in listed


def test_nothing_recorded_is_written_over(tmp_path):
    """A second demo into the same place is refused."""
    (tmp_path / "journal").mkdir()
    done = baytrace("demo", "--to", str(tmp_path))
    assert done.returncode == 2
    assert "already holds a journal" in done.stderr
