"""Every fault plan in `plans/`, played against a real daemon on a real broker and a real pseudo-terminal."""

import tomllib
from pathlib import Path

import pytest

from fault_harness import play

PLANS = sorted((Path(__file__).parent / "plans").glob("*.toml"))

pytestmark = pytest.mark.server


def case(file):
    """A plan as a test of its own; one that says `slow = true` is marked so."""
    slow = tomllib.loads(file.read_text(encoding="utf-8")).get("slow", False)
    return pytest.param(file, id=file.stem, marks=[pytest.mark.slow] if slow else [])


@pytest.mark.parametrize("file", [case(file) for file in PLANS])
def test_plan(nursery, tmp_path, file):
    """The plan's own promise, and what holds after every plan: nothing lost, nothing twice, every gap named, the chain whole."""
    play(nursery, tmp_path, file)
