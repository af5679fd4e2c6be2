"""Every fault plan in `plans/`, played against a real daemon on a real broker and a real pseudo-terminal."""

from pathlib import Path

import pytest

from fault_harness import play

PLANS = sorted((Path(__file__).parent / "plans").glob("*.toml"))

pytestmark = pytest.mark.server


@pytest.mark.parametrize("file", PLANS, ids=lambda file: file.stem)
def test_plan(tmp_path, file):
    """The plan's own promise, and what holds after every plan: nothing lost, nothing twice, every gap named, the chain whole."""
    play(tmp_path, file)
