"""One thread for each test process: threads of linear algebra that two processes share wait for each other."""

import os

from threadpoolctl import threadpool_limits

ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def pytest_configure() -> None:
    """For this process, and for those that tests start."""
    os.environ.update(ONE_THREAD)
    threadpool_limits(1)
