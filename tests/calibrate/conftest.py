"""One thread for linear algebra: thousands of 3 x 3 matrices only wait for each other."""

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(scope="session", autouse=True)
def _one_thread():
    with threadpool_limits(1):
        yield
