"""House-wide test rules: no task may outlive its test."""

import asyncio

import pytest


@pytest.fixture(autouse=True)
def no_leaked_tasks(request):
    """Every asyncio task a test started has ended with it."""
    yield
    if "event_loop_policy" in request.fixturenames or asyncio.iscoroutinefunction(getattr(request, "function", None)):
        try:
            loop = asyncio.get_event_loop_policy().get_event_loop()
        except RuntimeError:
            return
        if loop.is_closed():
            return
        left = [task for task in asyncio.all_tasks(loop) if not task.done()]
        assert not left, f"tasks left running: {left}"
