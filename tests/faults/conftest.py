import pytest

from nursery import Nursery


@pytest.fixture(scope="session")
def nursery():
    """Where this worker's daemons are born."""
    with Nursery() as one:
        yield one
