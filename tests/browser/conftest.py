"""Pages in a real Chromium, from a bench that runs beside it; nothing but loopback can be reached."""

import pytest

from browser_kit import Visit, chromium


@pytest.fixture
def browser():
    with chromium() as one:
        yield one


@pytest.fixture
def visit(browser):
    """`visit(url, width)` opens a window; at the end none of them has asked for anything outside this machine."""
    made = []

    def open_window(url, width="desk", **keys):
        made.append(Visit(browser, url, width, **keys))
        return made[-1]

    yield open_window
    for one in made:
        assert one.left_loopback() == []
