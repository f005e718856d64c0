"""The far band of invented pictures: a sea's horizon with hills, seen by a camera that turns and flies on."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from pipeline.geometry.lens import Lens
from pipeline.measure.far import FarView, far_turns, far_view
from tests.geometry.scene import camera_axes
from tests.stages.steady import sequence

WIDTH, HEIGHT, FOCAL = 500, 375, 350.0
SIZE = (WIDTH * 2, HEIGHT * 2)  # of the full photo, twice the small picture
PX = 1.0 / FOCAL
OFF = Rotation.from_rotvec(np.deg2rad([0.08, -0.1, 0.06])).as_matrix()
"""How far tags are off."""


def hills(seed: int = 1) -> np.ndarray:
    """Height of the skyline in degrees at each tenth of a degree of the compass, none below the horizon."""
    rough = np.random.default_rng(seed).normal(0.0, 1.0, 3600)
    return np.maximum(gaussian_filter1d(rough, 25.0, mode="wrap") * 6.0, 0.0)


HILLS = hills()


def picture(
    attitude: np.ndarray, rng: np.random.Generator, lens: Lens | None = None, noise: float = 1.5
) -> np.ndarray:
    """Sky, hills and a sea whose waves differ from photo to photo, edges soft over a px, as 8 bits."""
    down, across = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    points = np.stack([across.ravel(), down.ravel()], axis=1) * 2.0 + 0.5
    if lens is not None:
        points = lens.straighten(points, *SIZE)
    centre = (np.array(SIZE) - 1.0) / 2.0
    rays = np.column_stack([(points - centre) / (2.0 * FOCAL), np.ones(len(points))]) @ attitude
    heading = np.rad2deg(np.arctan2(rays[:, 0], rays[:, 1])) % 360.0
    high = np.rad2deg(np.arcsin(rays[:, 2] / np.linalg.norm(rays, axis=1)))
    skyline = np.interp(heading, np.arange(3600) / 10.0, HILLS, period=360.0)
    soft = np.rad2deg(PX)
    above_hills, above_sea = (np.clip(h / soft + 0.5, 0.0, 1.0) for h in (high - skyline, high))
    waves = cv2.GaussianBlur(rng.normal(0.0, 30.0, (HEIGHT, WIDTH)), (0, 0), 1.5).ravel()
    waves *= np.clip(-high / 10.0, 0.1, 1.0)
    land = 110.0 + waves + (40.0 - waves) * above_sea
    level = (land + (180.0 + high - land) * above_hills).reshape(HEIGHT, WIDTH)
    return np.clip(level + rng.normal(0.0, noise, level.shape), 0, 255).round().astype(np.uint8)


def view(first: np.ndarray, second: np.ndarray, lens: Lens | None = None) -> FarView:
    return FarView(OFF @ second @ first.T, first @ [0.0, 0.0, -1.0], 2.0 * FOCAL, SIZE, lens)


def errors_px(turns: tuple, first: np.ndarray, second: np.ndarray) -> list[np.ndarray]:
    true = Rotation.from_matrix(second @ first.T)
    return [(Rotation.from_rotvec(turn.turn_rad) * true.inv()).as_rotvec() / PX for turn in turns]


@pytest.mark.parametrize("lens", [None, Lens((0.93, 0.05, 0.0, 0.0))], ids=["straight", "bent"])
def test_the_turn_is_told_far_below_a_px(lens: Lens | None) -> None:
    rng = np.random.default_rng(3)
    first, second = camera_axes(40.0, -18.0, 0.5), camera_axes(41.3, -18.6, -0.4)
    here, there = picture(first, rng, lens), picture(second, rng, lens)
    turns = far_turns(here, there, view(first, second, lens))
    assert len(turns) == 2
    used, held = errors_px(turns, first, second)
    assert np.linalg.norm(OFF @ [0.0, 0.0, 1.0] - [0.0, 0.0, 1.0]) / PX > 0.7  # tags are worse
    assert abs(used[0]) < 0.05 and np.linalg.norm(used) < 0.25
    assert abs(held[0]) < 0.1 and np.linalg.norm(held) < 1.0


def test_the_covariance_is_of_the_error_s_size_and_shape() -> None:
    rng = np.random.default_rng(4)
    deviations = []
    for seed in range(12):
        first = camera_axes(30.0 * seed, -18.0)
        second = camera_axes(30.0 * seed + rng.normal(0, 1), -18.0 + rng.normal(0, 1), rng.normal(0, 1))
        turn = far_turns(picture(first, rng), picture(second, rng), view(first, second))[0]
        error = errors_px((turn,), first, second)[0] * PX
        deviations.append(error @ np.linalg.solve(turn.covariance, error))
        # pitch is told best
        assert turn.covariance[0, 0] < 0.5 * turn.covariance[1, 1]
    assert 0.1 < np.median(deviations) / 2.37 < 3.0  # the median of chi-squared with three degrees


def test_a_bare_horizon_tells_pitch_and_roll_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.measure.test_far.HILLS", np.zeros(3600))
    rng = np.random.default_rng(5)
    first, second = camera_axes(40.0, -18.0), camera_axes(41.0, -18.5, 0.5)
    (turn, *_) = far_turns(picture(first, rng), picture(second, rng), view(first, second))
    error = errors_px((turn,), first, second)[0]
    spread = np.sqrt(np.linalg.eigvalsh(turn.covariance)) / PX
    assert abs(error[0]) < 0.05
    assert spread[0] < spread[1] < 0.1 < 1.0 < spread[2]


def test_nothing_is_told_where_nothing_far_is_seen() -> None:
    rng = np.random.default_rng(6)
    first, second = camera_axes(40.0, -18.0), camera_axes(41.0, -18.5)
    here = picture(first, rng)
    noise = rng.integers(0, 255, here.shape).astype(np.uint8)
    assert far_turns(here, noise, view(first, second)) == ()
    assert far_turns(noise, noise[::-1], view(first, second)) == ()
    flat = np.full_like(here, 90)
    assert far_turns(flat, flat, view(first, second)) == ()
    steep = camera_axes(40.0, -70.0)
    assert far_turns(picture(steep, rng), picture(steep, rng), view(steep, steep)) == ()


def test_what_tags_tell_beforehand() -> None:
    told = sequence(3, attitudes=[(30.0, -20.0, 0.0), (31.0, -20.0, 0.0), (30.0, -75.0, 0.0)])
    photos = told.frames
    seen = far_view(photos[0], photos[1], 1081.0, (1600, 1200), None)
    assert seen is not None and seen.down == pytest.approx(camera_axes(30.0, -20.0) @ [0.0, 0.0, -1.0])
    assert np.rad2deg(np.arccos((np.trace(seen.rotation) - 1.0) / 2.0)) == pytest.approx(1.0)
    assert far_view(photos[2], photos[2], 1081.0, (1600, 1200), None) is None
    untold = sequence(2).frames
    assert far_view(untold[0], untold[1], 1081.0, (1600, 1200), None) is None
