"""A second thread for the core's work aside, where the machine has a second processor for it.

The kernels run without Python's lock, so that two of them really run at the same time. The result is the same either
way: the work aside is done in order, and its result is waited for.
"""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from liftwright.aside import Aside, at_once

T = TypeVar("T")


@contextmanager
def second_thread() -> Iterator[Aside]:
    """A way to work aside that ends with the block: waits for what still runs, and drops what waits."""
    if len(os.sched_getaffinity(0)) < 2:
        yield at_once
        return
    pool = ThreadPoolExecutor(1, "aside")

    def aside(work: Callable[[], T], /) -> Callable[[], T]:
        return pool.submit(work).result

    try:
        yield aside
    finally:
        pool.shutdown(cancel_futures=True)
