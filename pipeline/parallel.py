"""Per-frame work through a `concurrent.futures.Executor`, in order and within bounded memory."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def default_workers() -> int:
    """Return the number of processors this process may use."""
    if hasattr(os, "sched_getaffinity"):  # not on Windows and macOS
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def one_cv_thread() -> None:
    """Keep OpenCV to one thread in each worker: results and speed then do not depend on the pool."""
    import cv2

    cv2.setNumThreads(1)


def local_executor(workers: int) -> Executor:
    """Return a pool of threads. NumPy, OpenCV and LibRaw release the interpreter lock in their loops."""
    return ThreadPoolExecutor(max_workers=workers, initializer=one_cv_thread)


def ordered_map(
    executor: Executor, function: Callable[[T], R], items: Iterable[T], window: int
) -> Iterator[R]:
    """Yield `function(item)` in the order of `items`, with at most `window` calls under way.

    Unlike `Executor.map` this neither reads `items` nor keeps results ahead of the consumer by more
    than `window`, so memory is bounded by the window and not by the flight.
    """
    pending: deque[Future[R]] = deque()
    try:
        for item in items:
            pending.append(executor.submit(function, item))
            if len(pending) >= window:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()
    finally:
        for future in pending:
            future.cancel()
