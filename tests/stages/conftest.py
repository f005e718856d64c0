"""Fixtures of the stages: an executor, and one flight solved for many tests."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor

import pytest

from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised
from tests.stages.steady import (
    STEP,
    Flight,
    flight,
    solved,
)


@pytest.fixture(scope="session")
def executor() -> Iterator[Executor]:
    with ThreadPoolExecutor(2) as pool:
        yield pool


@pytest.fixture(scope="session")
def waypoint(executor: Executor) -> tuple[Flight, Stabilised, StageResult]:
    """Shake of 0.5 degrees, a step of 3 degrees, and a place that jitters by 1 % of the height."""
    flown = flight(STEP, place_jitter_m=0.7)
    return flown, *solved(flown, executor)
