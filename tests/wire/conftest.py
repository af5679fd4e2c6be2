"""Wire tests: the embedded broker's package leaves a client's socket to the garbage collector; it is collected here, in peace."""

import gc
import warnings

import pytest


@pytest.fixture(autouse=True)
def collected():
    """Nothing a wire test left behind falls on the next one."""
    yield
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()
