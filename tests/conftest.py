"""One thread for each test process: threads of linear algebra that two processes share wait for each other."""

import os

from threadpoolctl import threadpool_limits

from edgefinish.runner import ONE_THREAD


def pytest_configure() -> None:
    """For this process, and for those that tests start."""
    os.environ.update(ONE_THREAD)
    threadpool_limits(1)
