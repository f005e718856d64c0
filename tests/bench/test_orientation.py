"""Orientation error on flights of known truth, by synthetic matches: `pytest -s` on this file.

Every flight shakes by 0.5 degrees RMS, once with 1 % and once with 10 % of the height flown between photos,
and its place jitters by 1 % of the height. One match in ten is wrong. Bounds: design, section 9.
"""

from __future__ import annotations

import resource
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from pipeline.geometry.path import steady_path
from tests.geometry.test_path import FIELD, MAX_CROP
from tests.geometry.test_path import flight as path_flight
from tests.stages.steady import Flight, flight, least_margin_px, path_error_px, solved

COUNT = 48
STRAIGHT = np.full(COUNT, 30.0)
ONE_STEP = np.where(np.arange(COUNT) < COUNT // 2, 30.0, 33.0)
FOUR_STEPS = 30.0 + 3.0 * np.digitize(np.arange(COUNT), [10, 20, 30, 40])

FLIGHTS: dict[str, dict[str, object]] = {
    "straight": {"yaw_deg": ONE_STEP},
    "straight, level ground": {"yaw_deg": ONE_STEP, "pitch_deg": -45.0, "relief_m": 0.0},
    "level ground, 60 down": {"yaw_deg": ONE_STEP, "pitch_deg": -60.0, "relief_m": 0.0},
    "straight down": {"yaw_deg": ONE_STEP, "pitch_deg": -90.0, "relief_m": 5.0},
    "orbit round a tower": {"yaw_deg": 3.0 * np.arange(COUNT), "course_deg": 90.0, "relief_m": 40.0},
    "rising": {"yaw_deg": STRAIGHT, "pitch_deg": -60.0, "climb_m": 1.0},
    "curve, four waypoints": {"yaw_deg": FOUR_STEPS + 0.5 * np.arange(COUNT)},
    "low over buildings": {"yaw_deg": ONE_STEP, "pitch_deg": -30.0, "relief_m": 55.0},
    "sea, little texture": {"yaw_deg": ONE_STEP, "relief_m": 0.0, "matches": 60, "wrong": 0.25},
    "night": {"yaw_deg": ONE_STEP, "matches": 120, "noise_px": 0.45, "wrong": 0.2},
}


def made(name: str, speed_m: float) -> Flight:
    how = dict(FLIGHTS[name])
    yaw = how.pop("yaw_deg")
    return flight(yaw, speed_m=speed_m, place_jitter_m=0.7, seed=11, **how)  # type: ignore[arg-type]


@pytest.mark.parametrize("speed_m", [0.7, 7.0])
@pytest.mark.parametrize("name", FLIGHTS)
def test_orientation_error(name: str, speed_m: float) -> None:
    flown = made(name, speed_m)
    started = time.process_time()
    out, result = solved(flown)
    spent = (time.process_time() - started) / COUNT
    error = path_error_px(flown, out, result, list(range(COUNT)))
    parallax = [part["parallax_jitter_px"] for part in (result.found, result.left)]
    cells = [
        f"\n{name:24s} {speed_m / 0.7:3.0f} %  jitter {result.found['jitter_rms_px']:5.1f} px",
        f"error {error:.3f} px",
        f"held-out {result.left['jitter_rms_px']:.3f} px",
        "parallax " + " -> ".join("untold" if px is None else f"{px:.1f}" for px in parallax) + " px",
        f"crop {out.crop_ratio:.3f}",
        f"{1000 * spent:.0f} ms CPU a frame",
    ]
    print(", ".join(cells), end="")
    assert error <= 0.25
    assert out.crop_ratio >= 0.85
    assert least_margin_px(out) > 1.9


def spent_ms(flown: np.ndarray, window: int) -> tuple[float, float]:
    """Processor time in ms a frame and memory in MB that a path takes, in a process of its own."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.process_time()
    steady_path(flown, FIELD, MAX_CROP, window=window)
    spent = 1000 * (time.process_time() - started) / len(flown)
    return spent, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024


def test_the_path_s_time_grows_with_the_flight_alone_and_its_memory_with_the_window() -> None:
    spent, memory = {}, {}
    for count, window in ((300, 300), (1500, 1500), (6000, 6000), (6000, 2000)):
        flown = path_flight(np.where(np.arange(count) % 400 < 200, 30.0, 33.0))
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
            spent[count, window], memory[count, window] = alone.submit(spent_ms, flown, window).result()
        print(
            f"\npath of {count} frames in windows of {window}: {spent[count, window]:.2f} ms CPU a frame, "
            f"{memory[count, window]:.0f} MB",
            end="",
        )
    assert spent[6000, 6000] < 2.0 * spent[300, 300] and spent[6000, 2000] < 2.0 * spent[300, 300]
    assert memory[6000, 2000] < 0.6 * memory[6000, 6000]
