"""Hot photosites against lamps, noise and texture; black that is told too high. Invented mosaics."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour
from pipeline.photo.faults import black_shift, repair, standing_out, with_black
from pipeline.photo.raw import RawPhoto

BLACK, WHITE = 512.0, 15_892.0
PATTERNS = {
    "RGGB": np.array([[0, 1], [1, 2]], np.uint8),
    "GRBG": np.array([[1, 0], [2, 1]], np.uint8),
    "BGGR": np.array([[2, 1], [1, 0]], np.uint8),
}
COLOUR = CameraColour(np.eye(3), 6504.0, None, None, None, None, np.eye(3), np.eye(3), np.ones(3))
CAST = np.array([0.5, 1.0, 0.6])


def photo_of(
    scene: NDArray[np.float64], pattern: str = "RGGB", noise: float = 4.0, seed: int = 0
) -> RawPhoto:
    """A mosaic of a grey scene (H×W, 1 = saturation of green) with read noise in counts."""
    height, width = scene.shape
    places = PATTERNS[pattern]
    levels = scene * CAST[np.tile(places, (height // 2, width // 2))] * (WHITE - BLACK) + BLACK
    levels += np.random.default_rng(0).normal(0.0, noise, scene.shape)
    mosaic = np.clip(np.rint(levels), 0, WHITE).astype(np.uint16)
    return RawPhoto(mosaic, places, np.full((2, 2), BLACK, np.float32), WHITE, COLOUR, None)


def dim(height: int = 120, width: int = 160) -> NDArray[np.float64]:
    return np.full((height, width), 0.01)


def heat(photo: RawPhoto, count: int, seed: int = 1) -> NDArray[np.intp]:
    """Make `count` photosites of any colour glow by 300 to 6000 counts, those of the border among them."""
    rng = np.random.default_rng(seed)
    height, width = photo.mosaic.shape
    sites = np.sort(rng.choice(height * width, count - 3, replace=False))
    sites = np.union1d(sites, [0, width - 1, height * width - 1])
    flat = photo.mosaic.reshape(-1)
    flat[sites] = np.minimum(flat[sites] + rng.integers(300, 6000, len(sites)), WHITE)
    return sites


@pytest.mark.parametrize("pattern", list(PATTERNS))
def test_glowing_sites_are_found_and_told_from_their_own_colour(pattern: str) -> None:
    clean = photo_of(dim(), pattern)
    photo = photo_of(dim(), pattern)
    hot = heat(photo, 25)
    found = standing_out(photo)
    assert np.isin(hot, found).mean() > 0.9  # two next to each other of one colour may hide one another
    assert len(np.setdiff1d(found, hot)) <= 2
    repair(photo, np.asarray(hot, np.uint32))
    error = photo.mosaic.astype(float) - clean.mosaic
    assert np.abs(error.reshape(-1)[hot]).max() < 6 * 4.0  # counts of noise
    assert not np.delete(error.reshape(-1), hot).any()


def test_a_lamp_is_no_hot_photosite() -> None:
    """Points of light blurred by 0.7 px, anywhere on the pattern: stars, street lamps, glints."""
    scene = np.zeros((120, 160))
    rng = np.random.default_rng(3)
    for y, x in rng.uniform((10, 10), (110, 150), (30, 2)):
        rows, columns = np.mgrid[0:120, 0:160]
        scene += rng.uniform(0.1, 0.8) * np.exp(-((rows - y) ** 2 + (columns - x) ** 2) / (2 * 0.7**2))
    assert len(standing_out(photo_of(dim() + scene))) == 0


def test_sharp_ground_by_day_gives_few() -> None:
    texture = np.random.default_rng(5).uniform(0.05, 0.5, (600, 800)).astype(np.float32)
    texture = cv2.GaussianBlur(texture, (0, 0), 0.6).astype(np.float64)
    assert len(standing_out(photo_of(texture))) < 0.001 * texture.size


def test_sites_beyond_the_most_are_the_weakest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.photo.faults.MOST_SITES", 2)
    photo = photo_of(dim(), noise=0.0)
    for place, excess in ((2000, 900), (5003, 3000), (9001, 1500)):
        photo.mosaic.reshape(-1)[place] += excess
    assert standing_out(photo).tolist() == [5003, 9001]


def test_nothing_to_repair_changes_nothing() -> None:
    photo = photo_of(dim())
    before = photo.mosaic.copy()
    repair(photo, np.zeros(0, np.uint32))
    assert (photo.mosaic == before).all()


def test_a_site_among_hot_ones_takes_what_is_sound() -> None:
    photo = photo_of(dim(), noise=0.0)
    width = photo.mosaic.shape[1]
    block = [y * width + x for y in range(40, 46) for x in range(60, 66)]
    whole = photo.mosaic.copy()
    photo.mosaic.reshape(-1)[block] = 9000
    repair(photo, np.array(block, np.uint32))
    sound = np.abs(photo.mosaic.astype(int) - whole) <= 1
    assert sound.mean() > 0.999 and sound.reshape(-1)[block].mean() > 0.8


def test_black_told_too_high_is_known_by_negative_light() -> None:
    means = np.full((8, 10, 3), 0.02, np.float32)
    means[3, 4] = [-0.004, 0.0, -0.00005]
    assert black_shift(means) == pytest.approx((-0.004, 0.0, 0.0))
    assert black_shift(np.full((8, 10, 3), 0.01, np.float32)) == (0.0, 0.0, 0.0)


def test_a_moved_black_is_that_of_each_colour() -> None:
    photo = with_black(photo_of(dim(), "GRBG"), (-0.01, 0.0, 0.02))
    span = WHITE - BLACK
    expected = np.array([[BLACK, BLACK - 0.01 * span], [BLACK + 0.02 * span, BLACK]])
    assert photo.black == pytest.approx(expected)
    same = photo_of(dim())
    assert with_black(same, (0.0, 0.0, 0.0)) is same
