"""House-wide test rules: no task may outlive its test."""

import asyncio

import pytest


@pytest.fixture(autouse=True)
async def no_leaked_tasks():
    """Every asyncio task a test started has ended with it."""
    before = asyncio.all_tasks()
    yield
    await asyncio.sleep(0)
    left = {task for task in asyncio.all_tasks() - before - {asyncio.current_task()} if not task.done()}
    assert not left, f"tasks left running: {left}"
