"""Work arrays: one set for each thread, let go of together."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from weakref import ref

import numpy as np

from pipeline.render.arrays import release, reused


def test_a_name_keeps_its_memory_and_grows_where_it_must() -> None:
    release()  # of whatever this thread worked on before
    first = reused("level", (4, 5))
    smaller = reused("level", (3, 2))
    assert np.shares_memory(first, smaller) and smaller.shape == (3, 2)
    larger = reused("level", (40, 5))
    assert not np.shares_memory(first, larger)
    assert not np.shares_memory(larger, reused("other", (40, 5)))


def test_threads_do_not_share_and_are_released_together() -> None:
    both = Barrier(2)

    def work(_: int) -> ref[np.ndarray]:
        array = reused("level", (100,))
        both.wait()  # so that each of two threads does one
        assert array.base is not None
        return ref(array.base)

    with ThreadPoolExecutor(2) as executor:
        one, other = executor.map(work, range(2))
        assert one() is not None and other() is not None and one() is not other()
        release()
        assert one() is None and other() is None
