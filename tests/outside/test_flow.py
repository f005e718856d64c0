"""Motion and made frames on pictures and truth from outside the project.

- scikit-image's bundled pictures (skimage.data, public domain or CC0): windows of one picture have a known
  shift and a known middle; skimage.transform.warp moves a picture by a known homography.
- A stereo pair with its measured disparity: Middlebury 2014 "Motorcycle", as skimage.data.stereo_motorcycle
  carries it (Scharstein et al., GCPR 2014; CC0 by scikit-image's notice).
- Motion blur along the rows against scipy.ndimage.uniform_filter1d.
- Photographs of a flight (CC0), of which one is left out and made from its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import scipy.ndimage
import skimage.data
import skimage.transform
from skimage.metrics import peak_signal_noise_ratio

from pipeline.measure.proxy import make_proxy
from pipeline.photo.opening import open_photo
from pipeline.render.arrays import F32
from pipeline.render.flow import between, compare, grey, pixel_places
from pipeline.render.shutter import smear

PICTURES: dict[str, Callable[[], np.ndarray]] = {
    "astronaut": skimage.data.astronaut,
    "coffee": skimage.data.coffee,
    "gravel": skimage.data.gravel,
}


def linear(picture: np.ndarray) -> F32:
    """Codes as linear light, by a plain square: the curve does not matter here."""
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    return np.asarray((picture / 255.0) ** 2, np.float32)


@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize("shift", [(12, -8), (60, 24)])
def test_windows_of_a_picture_have_their_known_shift_and_middle(name: str, shift: tuple[int, int]) -> None:
    picture = linear(PICTURES[name]())
    height, width = picture.shape[0] - 80, picture.shape[1] - 100

    def window(x: int, y: int) -> F32:
        return np.ascontiguousarray(picture[40 + y : 40 + y + height, 20 + x : 20 + x + width])

    x, y = shift
    first, middle, second = window(0, 0), window(x // 2, y // 2), window(x, y)
    flows = compare(grey(first), grey(second))
    agreed = flows.forward.trust == 1.0
    assert np.median(np.abs(flows.forward.motion[agreed] + [x, y])) < 0.05
    assert flows.consistent > 0.95
    made, _ = between(first, second, flows, 0.5)
    # In two corners lies what neither window shows.
    seen = np.s_[abs(y) : -abs(y), x:-x]
    got = peak_signal_noise_ratio(middle[seen], made[seen], data_range=1.0)
    assert got > peak_signal_noise_ratio(middle[seen], first[seen], data_range=1.0) + 15.0
    assert got > 38.0


@pytest.mark.parametrize("name", PICTURES)
def test_motion_of_a_known_homography(name: str) -> None:
    picture = linear(PICTURES[name]())
    height, width = picture.shape[:2]
    # Forward flight: the picture grows, turns a little and comes nearer below.
    moved = np.array([[1.06, 0.03, -20.0], [-0.02, 1.09, -12.0], [0.0, 6e-5, 1.0]])
    second = skimage.transform.warp(picture, np.linalg.inv(moved), order=3).astype(np.float32)
    flows = compare(grey(picture), grey(second))
    places = pixel_places(height, width)
    truth = cv2.perspectiveTransform(places.reshape(1, -1, 2), moved).reshape(places.shape) - places
    agreed = flows.forward.trust == 1.0
    error = np.hypot(*np.moveaxis(flows.forward.motion - truth, 2, 0))
    assert agreed.mean() > 0.75
    assert np.median(error[agreed]) < 0.1
    assert np.quantile(error[agreed], 0.95) < 0.7


def test_trust_tells_right_motion_from_wrong_on_measured_disparity() -> None:
    """Things at all depths hide one another: what is trusted is right far more often than what is not.

    Seen: 14 % of the trusted pixels are off by more than 2 px, and 67 % of the others.
    """
    left, right, disparity = skimage.data.stereo_motorcycle()
    flows = compare(grey(linear(left)), grey(linear(right)))
    known = np.isfinite(disparity)
    wrong = np.abs(flows.forward.motion[..., 0] + np.where(known, disparity, 0.0)) > 2.0
    agreed = flows.forward.trust == 1.0
    assert agreed[known].mean() > 0.6
    assert wrong[known & agreed].mean() < 0.2
    assert wrong[known & ~agreed].mean() > 4.0 * wrong[known & agreed].mean()


@pytest.mark.parametrize("length", [5, 21, 63])
def test_blur_along_the_rows_is_a_running_mean(length: int) -> None:
    picture = linear(skimage.data.astronaut())
    motion = np.zeros((*picture.shape[:2], 2), np.float32)
    motion[..., 0] = 2.0 * length
    got = smear(picture, motion, 0.5)
    truth = scipy.ndimage.uniform_filter1d(picture, length, axis=1)
    inner = np.s_[:, length:-length]
    assert peak_signal_noise_ratio(truth[inner], got[inner], data_range=1.0) > 42.0
    assert peak_signal_noise_ratio(truth[inner], picture[inner], data_range=1.0) < 32.0


@pytest.mark.parametrize("frame", [11, 12])
def test_a_photo_left_out_is_made_from_its_neighbours(frame: int, data_dir: Path) -> None:
    """Without stabilising: the pictures turn, too. Held, the nearest photo is what is seen."""
    paths = sorted((data_dir / "aerial_steady").glob("*.jpg"))[frame - 1 : frame + 2]
    before, truth, after = (
        np.asarray(cv2.resize(make_proxy(open_photo(path)).rgb, (800, 600), interpolation=cv2.INTER_AREA))
        for path in paths
    )
    flows = compare(grey(before), grey(after))
    made, known = between(before, after, flows, 0.5)
    assert flows.consistent > 0.9
    assert known > 0.9

    def likeness(picture: F32) -> float:
        return float(peak_signal_noise_ratio(truth, picture, data_range=1.0))

    assert likeness(made) > likeness(before) + 1.5
    assert likeness(made) > likeness((before + after) / 2) + 0.5
