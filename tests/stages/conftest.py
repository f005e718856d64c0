"""A flight solved once for many tests of the stages."""

from __future__ import annotations

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
def waypoint() -> tuple[Flight, Stabilised, StageResult]:
    """Shake of 0.5 degrees, a step of 3 degrees, and a place that jitters by 1 % of the height."""
    flown = flight(STEP, place_jitter_m=0.7)
    return flown, *solved(flown)
