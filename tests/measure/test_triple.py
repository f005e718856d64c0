"""Stability, cropping and distortion against paths and warps that are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from pipeline.geometry.rotation import exp
from pipeline.measure.triple import compare_with_photos, stability_score

COUNT = 300
GRID = np.stack(np.meshgrid(np.linspace(-400, 400, 5), np.linspace(-200, 200, 5)), axis=-1).reshape(-1, 2)


def path(shift: np.ndarray, angle_rad: np.ndarray | float = 0.0) -> np.ndarray:
    angle = np.broadcast_to(angle_rad, len(shift))
    cos, sin = np.cos(angle), np.sin(angle)
    turned = np.stack(
        [
            GRID[:, 0] * cos[:, None] - GRID[:, 1] * sin[:, None],
            GRID[:, 0] * sin[:, None] + GRID[:, 1] * cos[:, None],
        ],
        axis=-1,
    )
    return np.asarray(turned + shift[:, None, :])


def course(px_per_frame: float) -> np.ndarray:
    return np.column_stack([px_per_frame * np.arange(COUNT), np.zeros(COUNT)])


def test_a_steady_course_is_stable_however_fast() -> None:
    assert stability_score(path(course(0.0))) == pytest.approx(1.0)
    assert stability_score(path(course(20.0))) == pytest.approx(1.0)
    time = np.linspace(0, 1, COUNT)
    assert stability_score(path(np.column_stack([900 * time**2, -200 * time]))) == pytest.approx(1.0)


@pytest.mark.parametrize("speed", [0.0, 20.0])
def test_white_jitter_is_seen_on_a_travelling_camera(speed: float) -> None:
    """White noise has its energy evenly at all 150 frequencies, so about 5/150 at the five lowest; the
    plain score of a course of 20 px a frame is 0.89 with and without 20 px of jitter (design, section 4)."""
    noise = np.random.default_rng(4).normal(0.0, 5.0, (COUNT, 2))
    score = stability_score(path(course(speed) + noise))
    assert score is not None and score < 0.1


def test_jitter_in_turning_alone_is_seen() -> None:
    angle = np.random.default_rng(5).normal(0.0, 0.01, COUNT)
    score = stability_score(path(course(3.0), angle))
    assert score is not None and score < 0.1


def test_a_slow_sway_counts_as_stable() -> None:
    sway = np.column_stack([np.zeros(COUNT), 30.0 * np.sin(2 * np.pi * 3 * np.arange(COUNT) / COUNT)])
    score = stability_score(path(course(3.0) + sway))
    assert score is not None and score > 0.99


def test_a_short_clip_has_no_score() -> None:
    assert stability_score(path(course(1.0)[:10])) is None


def shown(photo: np.ndarray, to_photo: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    return np.asarray(cv2.warpPerspective(photo, to_photo, size, flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP))


def photo() -> np.ndarray:
    """A photograph that comes with scikit-image (public domain, NASA), enlarged to have room."""
    return np.asarray(cv2.resize(data.astronaut(), (1200, 900), interpolation=cv2.INTER_CUBIC))


@pytest.mark.parametrize("turn_deg", [0.0, 2.0])
@pytest.mark.parametrize("crop", [1.0, 0.85])
def test_a_camera_turned_and_cropped_is_measured(turn_deg: float, crop: float) -> None:
    """Frames made by a known camera matrix and rotation, K R inverse(K')."""
    focal, size = 900.0, (960, 540)
    camera = np.array([[focal, 0, 599.5], [0, focal, 449.5], [0, 0, 1]])
    out_focal = focal * size[0] / (crop * 1200.0)
    output = np.array([[out_focal, 0, (size[0] - 1) / 2], [0, out_focal, (size[1] - 1) / 2], [0, 0, 1]])
    pairs = []
    for axis in np.eye(3):
        to_photo = camera @ exp(np.deg2rad(turn_deg) * axis) @ np.linalg.inv(output)
        pairs.append((photo(), shown(photo(), to_photo, size)))
    told = compare_with_photos(pairs)
    assert told.frames == 3
    assert told.crop_ratio == pytest.approx(crop, abs=0.003)
    assert told.distortion == pytest.approx(1.0, abs=0.005)


def test_a_stretched_frame_is_distorted() -> None:
    to_photo = np.diag([1200 / 960 * 0.8, 0.8 * 1200 / 960 * 1.1, 1.0])
    told = compare_with_photos([(photo(), shown(photo(), to_photo, (960, 540)))])
    assert told.distortion == pytest.approx(1 / 1.1, abs=0.005)


def test_nothing_in_common_is_no_figure() -> None:
    grey = np.full((540, 960, 3), 90, np.uint8)
    assert compare_with_photos([(photo(), grey)]).crop_ratio is None
    assert compare_with_photos([]).distortion is None
