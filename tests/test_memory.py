"""Freed memory that the allocator keeps is given back."""

from __future__ import annotations

import ctypes
import subprocess
import sys

import pytest

SCATTERED = """
import psutil
from pipeline.memory import give_back
kept = [bytearray(9_000) for _ in range(20_000)]
kept = kept[::100]  # what is left holds all the rest in place
before = psutil.Process().memory_info().rss
give_back()
print(before - psutil.Process().memory_info().rss)
"""


KEEPS = sys.platform == "linux" and hasattr(ctypes.CDLL(None), "malloc_trim")


@pytest.mark.skipif(not KEEPS, reason="the allocator of this system is not glibc's")
def test_memory_between_things_in_use_is_given_back() -> None:
    told = subprocess.run([sys.executable, "-c", SCATTERED], capture_output=True, text=True, check=True)
    assert int(told.stdout) > 100e6
