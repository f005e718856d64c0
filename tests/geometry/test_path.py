"""The steady path of known flights; corners are projected by code of the tests' own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.field import MARGIN_PX, Field, clearance, corners_in_source, widest_crop
from pipeline.geometry.path import steady_path
from tests.geometry.scene import FOCAL, HEIGHT, WIDTH, camera_axes

FIELD = Field(WIDTH, HEIGHT, FOCAL, (16, 9))
MAX_CROP = 0.15


def independent_corners(field: Field, corrections: np.ndarray, crop: float) -> np.ndarray:
    """Source px (n, 4, 2) of the output's outer corners: K C K_out^-1 p of the conventions, for 1920 px."""
    out_wide = 1920
    out_high = out_wide * field.shape[1] / field.shape[0]
    rectangle = min(field.width, field.height * field.shape[0] / field.shape[1])
    out_focal = field.focal_px * out_wide / (crop * rectangle)
    places = []
    for x, y in (
        (-0.5, -0.5),
        (out_wide - 0.5, -0.5),
        (out_wide - 0.5, out_high - 0.5),
        (-0.5, out_high - 0.5),
    ):
        ray = np.array([(x - (out_wide - 1) / 2) / out_focal, (y - (out_high - 1) / 2) / out_focal, 1.0])
        seen = Rotation.from_rotvec(corrections).apply(ray)
        across = field.focal_px * seen[:, 0] / seen[:, 2] + (field.width - 1) / 2
        down = field.focal_px * seen[:, 1] / seen[:, 2] + (field.height - 1) / 2
        places.append(np.stack([across, down], axis=1))
    return np.stack(places, axis=1)


def least_margin(field: Field, corrections: np.ndarray, crop: float) -> float:
    """Least distance in px of any corner from the source's outer edge; negative is a black border."""
    corners = independent_corners(field, corrections, crop)
    x, y = corners[..., 0] + 0.5, corners[..., 1] + 0.5
    return float(min(x.min(), y.min(), (field.width - x).min(), (field.height - y).min()))


def flight(
    yaw_deg: np.ndarray, pitch_deg: float = -25.0, shake_deg: float = 0.5, seed: int = 0
) -> np.ndarray:
    shake = Rotation.from_rotvec(
        np.deg2rad(np.random.default_rng(seed).normal(0, shake_deg, (len(yaw_deg), 3)))
    )
    return shake.as_matrix() @ np.stack([camera_axes(yaw, pitch_deg) for yaw in yaw_deg])


def steadied(orientations: np.ndarray, corrections: np.ndarray) -> np.ndarray:
    return np.swapaxes(Rotation.from_rotvec(corrections).as_matrix(), 1, 2) @ orientations


def turns_px(orientations: np.ndarray) -> np.ndarray:
    """Turn (n - 1, 3) from frame to frame in px of the source, by SciPy."""
    step = orientations[1:] @ np.swapaxes(orientations[:-1], 1, 2)
    return Rotation.from_matrix(step).as_rotvec() * FOCAL


DOWN = camera_axes(0.0, -25.0) @ np.array([0.0, 0.0, -1.0])
"""Downwards in the axes of a camera 25 degrees below the horizon; turning right is negative about it."""

STRAIGHT = np.full(60, 30.0)
STEP = np.where(np.arange(90) < 45, 30.0, 33.0)
ORBIT = np.arange(0.0, 361.0, 5.0)
FLIGHTS = {
    "straight": flight(STRAIGHT),
    "waypoint": flight(STEP),
    "orbit": flight(ORBIT),
    "straight down, turning": flight(np.arange(0.0, 120.0, 2.0), pitch_deg=-90.0),
    "straight ahead": flight(STRAIGHT, pitch_deg=0.0),
    "rough": flight(STRAIGHT, shake_deg=2.5),
    "three photos": flight(STRAIGHT[:3]),
    "four photos": flight(STRAIGHT[:4]),
}


@pytest.mark.parametrize("name", FLIGHTS)
@pytest.mark.parametrize("shape", [(16, 9), (4, 3), (9, 16)])
def test_no_corner_ever_leaves_the_source(name: str, shape: tuple[int, int]) -> None:
    field = Field(WIDTH, HEIGHT, FOCAL, shape)
    corrections = steady_path(FLIGHTS[name], field, MAX_CROP)
    crop = widest_crop(field, corrections, 1.0 - MAX_CROP)
    assert corrections.shape == (len(FLIGHTS[name]), 3) and np.isfinite(corrections).all()
    assert 1.0 - MAX_CROP <= crop <= 1.0
    assert least_margin(field, corrections, crop) > MARGIN_PX - 0.01


@pytest.mark.parametrize(
    "name", ["straight", "waypoint", "orbit", "straight down, turning", "straight ahead"]
)
def test_shake_goes(name: str) -> None:
    flown = FLIGHTS[name]
    steady = steadied(flown, steady_path(flown, FIELD, MAX_CROP))
    # 0.5 degrees are 9.4 px; a white path's second difference of turns is 14 px and more of it.
    before, after = (np.sqrt(np.mean(np.diff(turns_px(path), axis=0) ** 2)) for path in (flown, steady))
    assert before > 15.0
    assert after < 0.5


def test_a_waypoint_s_step_becomes_an_eased_turn() -> None:
    corrections = steady_path(FLIGHTS["waypoint"], FIELD, MAX_CROP)
    turns = turns_px(steadied(FLIGHTS["waypoint"], corrections))
    yaw = turns @ DOWN * -1.0
    # Three degrees, 57 px, at once become one turn over many frames, one way only. Where the crop has the
    # room the easiest is the line nearest the step, which rises half as far again from end to end.
    step = np.deg2rad(3.0) * FOCAL
    assert 0.9 * step < np.sum(yaw) < 1.6 * step
    assert np.max(np.abs(yaw)) < step / 12
    assert np.min(yaw) > -0.3
    assert np.max(np.abs(np.diff(yaw))) < 0.5


def test_an_orbit_goes_all_the_way_round() -> None:
    flown = FLIGHTS["orbit"]
    turns = turns_px(steadied(flown, steady_path(flown, FIELD, MAX_CROP)))
    heading = -np.rad2deg(turns / FOCAL @ DOWN)
    assert np.sum(heading) == pytest.approx(360.0, abs=3.0)
    assert heading == pytest.approx(np.full(72, 5.0), abs=0.1)


def test_a_steady_flight_is_left_alone() -> None:
    for yaw in (STRAIGHT, np.arange(60.0)):
        corrections = steady_path(flight(yaw, shake_deg=0.0), FIELD, MAX_CROP)
        # the small weight on the rate of turn takes half a px off an even turn's ends
        assert np.max(np.abs(corrections)) * FOCAL < 1.0
        assert widest_crop(FIELD, corrections, 1 - MAX_CROP) > 0.99


def test_the_world_s_axes_do_not_matter() -> None:
    flown = FLIGHTS["waypoint"]
    elsewhere = flown @ Rotation.random(random_state=1).as_matrix()
    first, second = (steady_path(path, FIELD, MAX_CROP) for path in (flown, elsewhere))
    assert np.max(np.abs(first - second)) * FOCAL < 0.05


def test_time_may_run_backwards() -> None:
    flown = FLIGHTS["waypoint"]
    forward, backward = (steady_path(path, FIELD, MAX_CROP) for path in (flown, flown[::-1]))
    assert np.max(np.abs(forward - backward[::-1])) * FOCAL < 1.0


def test_the_size_of_the_photos_hardly_matters() -> None:
    # twice the pixels weigh the small quadratic terms a little more, nothing else
    flown = FLIGHTS["straight"]
    double = Field(2 * WIDTH, 2 * HEIGHT, 2 * FOCAL, (16, 9))
    first, second = (steady_path(flown, field, MAX_CROP) for field in (FIELD, double))
    assert np.max(np.abs(first - second)) * FOCAL < 3.0


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_photos_for_a_path(count: int) -> None:
    assert np.array_equal(steady_path(flight(STRAIGHT[:count]), FIELD, MAX_CROP), np.zeros((count, 3)))


def test_without_room_nothing_moves() -> None:
    assert np.array_equal(steady_path(FLIGHTS["straight"], FIELD, 0.0), np.zeros((60, 3)))


def test_more_room_is_steadier() -> None:
    flown = FLIGHTS["rough"]
    jolts = []
    for room in (0.02, 0.08, 0.2):
        steady = steadied(flown, steady_path(flown, FIELD, room))
        jolts.append(np.sqrt(np.mean(np.diff(turns_px(steady), axis=0) ** 2)))
    assert jolts[0] > jolts[1] > jolts[2]


WAYPOINTS_OFTEN = 30.0 + 3.0 * (np.arange(1100) // 40 % 2)
STEP_AT_A_SEAM = np.where(np.arange(1100) < 602, 30.0, 33.0)


@pytest.mark.parametrize("yaw_deg", [WAYPOINTS_OFTEN, STEP_AT_A_SEAM], ids=["often", "at a seam"])
def test_windows_agree_with_one_piece(yaw_deg: np.ndarray) -> None:
    flown = flight(yaw_deg)
    whole = steady_path(flown, FIELD, MAX_CROP, window=len(flown))
    parts = steady_path(flown, FIELD, MAX_CROP, window=900)
    assert not np.array_equal(parts, whole)  # there were windows
    zoom = 1920 / WIDTH / (1.0 - MAX_CROP)
    assert np.max(np.abs(parts - whole)) * FOCAL * zoom < 0.05
    assert least_margin(FIELD, parts, 1.0 - MAX_CROP) > MARGIN_PX - 0.01


@pytest.mark.parametrize("shape", [(16, 9), (9, 16)])
def test_corners_and_clearance_against_independent_projection(shape: tuple[int, int]) -> None:
    field = Field(WIDTH, HEIGHT, FOCAL, shape)
    corrections = np.random.default_rng(0).normal(0, 0.02, (20, 3))
    assert np.allclose(
        corners_in_source(field, corrections, 0.9), independent_corners(field, corrections, 0.9), atol=1e-6
    )
    assert clearance(field, corrections, 0.9).min() == pytest.approx(least_margin(field, corrections, 0.9))


def test_widest_crop_is_the_widest() -> None:
    corrections = np.deg2rad(np.random.default_rng(0).normal(0, 0.5, (30, 3)))
    crop = widest_crop(FIELD, corrections, 0.7)
    assert least_margin(FIELD, corrections, crop) == pytest.approx(MARGIN_PX, abs=0.01)
    assert least_margin(FIELD, corrections, crop + 0.001) < MARGIN_PX
    # without any correction the margin alone is cropped
    still = widest_crop(FIELD, np.zeros((3, 3)), 0.7)
    assert still == pytest.approx(1.0 - 2 * MARGIN_PX / WIDTH, abs=1e-4)
