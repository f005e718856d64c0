"""The proxy of synthetic mosaics and pictures, against values written down beforehand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.colour.camera import CameraColour
from pipeline.measure.proxy import PROXY_WIDTH, Proxy, feature_picture, make_proxy
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.raw import RawPhoto

WHITE = 4000.0
BLACK = np.array([[100.0, 120.0], [140.0, 160.0]], np.float32)
COLOUR = CameraColour(np.eye(3), 6504.0, None, None, None, None, np.eye(3), np.eye(3), np.ones(3))
PATTERNS = {"RGGB": [[0, 1], [1, 2]], "BGGR": [[2, 1], [1, 0]], "GRBG": [[1, 0], [2, 1]]}


def raw_photo(levels: np.ndarray, pattern: str = "RGGB") -> RawPhoto:
    """A mosaic of linear levels (H, W, 3), 1 = saturation, each photosite with its own black."""
    cfa = np.array(PATTERNS[pattern], np.uint8)
    high, wide = levels.shape[:2]
    mosaic = np.zeros((high, wide))
    for row in (0, 1):
        for column in (0, 1):
            black = BLACK[row, column]
            plane = levels[row::2, column::2, cfa[row, column]]
            mosaic[row::2, column::2] = black + plane * (WHITE - black)
    counts = np.clip(np.round(mosaic), 0, 16383).astype(np.uint16)
    return RawPhoto(counts, cfa, BLACK, WHITE, COLOUR, (0.5, 1.0, 0.7))


def flat(size: tuple[int, int], rgb: tuple[float, float, float]) -> np.ndarray:
    return np.broadcast_to(np.array(rgb), (*size, 3)).copy()


def picture(codes: np.ndarray) -> LinearPhoto:
    """A display-referred picture whose levels are code / 255."""
    return LinearPhoto(codes.astype(np.uint8), np.linspace(0, 1, 256, dtype=np.float32), None, None)


@pytest.mark.parametrize("pattern", list(PATTERNS))
def test_levels_of_a_flat_mosaic(pattern: str) -> None:
    proxy = make_proxy(raw_photo(flat((64, 96), (0.1, 0.5, 0.3)), pattern))
    assert proxy.rgb.shape == (32, 48, 3) and proxy.rgb.dtype == np.float32
    # counts are whole, so a level is known to half a count in 3,840
    assert np.allclose(proxy.rgb, [0.1, 0.5, 0.3], atol=0.5 / 3840)
    assert not proxy.clipped.any()
    assert proxy.clipped_share == proxy.crushed_share == (0.0, 0.0, 0.0)
    assert proxy.scale == 0.5


@pytest.mark.parametrize("size", [(64, 96), (900, 2400)])
@pytest.mark.parametrize("pattern", list(PATTERNS))
def test_all_channels_of_a_slope_lie_at_one_place(pattern: str, size: tuple[int, int]) -> None:
    down, across = np.mgrid[: size[0], : size[1]] / size[1]
    proxy = make_proxy(raw_photo(np.stack([0.2 + 0.3 * across + 0.2 * down] * 3, axis=-1), pattern))
    at = (np.mgrid[: proxy.rgb.shape[0], : proxy.rgb.shape[1]] + 0.5) / proxy.scale - 0.5
    expected = 0.2 + (0.3 * at[1] + 0.2 * at[0]) / size[1]
    # half a count of noise by rounding; a photosite off its place would be 0.3 / 96 / 2 = 0.0016 off
    assert np.allclose(proxy.rgb[2:-2, 2:-2], expected[2:-2, 2:-2, None], atol=1.5 * 0.5 / 3840)


def test_noise_below_black_is_not_cut_off() -> None:
    # A clipped-off lower half would lift dark levels: the mean of black with its noise must be zero.
    photo = raw_photo(flat((200, 200), (0.0, 0.0, 0.0)))
    noise = np.random.default_rng(0).normal(0.0, 20.0, photo.mosaic.shape)
    noisy = np.round(photo.mosaic + noise).astype(np.uint16)
    proxy = make_proxy(RawPhoto(noisy, photo.pattern, BLACK, WHITE, COLOUR, None))
    # 20 counts over 10,000 photosites of a channel: 0.2 counts in 3,900
    assert np.abs(proxy.rgb.mean(axis=(0, 1))).max() < 4 * 0.2 / 3840
    assert proxy.crushed_share == pytest.approx((0.5, 0.5, 0.5), abs=0.03)


@pytest.mark.parametrize(
    ("size", "reduced"),
    [((1500, 2400), (625, 1000)), ((2400, 1800), (1000, 750)), ((400, 600), (200, 300)), ((2, 2), (1, 1))],
)
def test_size_of_a_mosaic_s_proxy(size: tuple[int, int], reduced: tuple[int, int]) -> None:
    proxy = make_proxy(raw_photo(flat(size, (0.2, 0.2, 0.2))))
    assert proxy.rgb.shape[:2] == proxy.clipped.shape == reduced
    assert max(proxy.rgb.shape[:2]) <= PROXY_WIDTH
    assert proxy.scale == pytest.approx(reduced[1] / size[1])


@pytest.mark.parametrize(("size", "reduced"), [((1500, 2000), (750, 1000)), ((300, 400), (300, 400))])
def test_size_of_a_picture_s_proxy(size: tuple[int, int], reduced: tuple[int, int]) -> None:
    proxy = make_proxy(picture(np.full((*size, 3), 51)))
    assert proxy.rgb.shape[:2] == reduced
    assert np.allclose(proxy.rgb, 0.2, atol=1e-6)
    assert proxy.scale == reduced[1] / size[1]


def ramp(high: int, wide: int) -> np.ndarray:
    """Level x / W across and y / H down, in the middle of the range."""
    y, x = np.mgrid[:high, :wide]
    return np.stack([0.1 + 0.8 * x / wide, 0.1 + 0.4 * (x / wide + y / high), 0.1 + 0.8 * y / high], axis=-1)


def test_a_place_keeps_its_place() -> None:
    """A proxy pixel q shows the full-size place (q + 0.5) / s - 0.5."""
    high, wide = 900, 1200
    levels = ramp(high, wide)
    for proxy in (make_proxy(raw_photo(levels)), make_proxy(picture(np.round(levels * 255)))):
        rows, columns = proxy.rgb.shape[:2]
        y, x = (np.mgrid[:rows, :columns] + 0.5) / proxy.scale - 0.5
        expected = [0.1 + 0.8 * x / wide, 0.1 + 0.4 * (x / wide + y / high), 0.1 + 0.8 * y / high]
        # Half a code in 255 for the picture; of the mosaic, red and blue stand half a px, 0.00044, from the
        # middle of their bin. A proxy out by one of its own pixels would be 0.0013 off on its mean.
        error = proxy.rgb - np.stack(expected, axis=-1)
        assert np.max(np.abs(error)) < 0.51 / 255
        assert np.max(np.abs(error.mean(axis=(0, 1)))) < 0.00045


def test_clipped_photosites_are_counted_and_marked() -> None:
    levels = flat((40, 40), (0.3, 0.3, 0.3))
    levels[:20, :, 0] = 1.2  # half of red is beyond saturation
    levels[:10, :20, 1] = 0.99  # an eighth of green just at it
    proxy = make_proxy(raw_photo(levels))
    assert proxy.clipped_share == pytest.approx((0.5, 0.125, 0.0))
    assert proxy.clipped[:10].all() and not proxy.clipped[10:].any()


def test_one_clipped_photosite_marks_its_pixel() -> None:
    levels = flat((1200, 1600), (0.3, 0.3, 0.3))
    levels[600, 800] = 1.0
    proxy = make_proxy(raw_photo(levels))
    assert np.count_nonzero(proxy.clipped) >= 1
    y, x = np.argwhere(proxy.clipped).mean(axis=0)
    assert (y + 0.5) / proxy.scale == pytest.approx(600.5, abs=2.0)
    assert (x + 0.5) / proxy.scale == pytest.approx(800.5, abs=2.0)


def test_clipped_codes_of_a_picture() -> None:
    codes = np.full((40, 40, 3), 100)
    codes[:20, :, 2] = 255
    codes[20:30, :, 1] = 0
    proxy = make_proxy(picture(codes))
    assert proxy.clipped_share == pytest.approx((0.0, 0.0, 0.5))
    assert proxy.crushed_share == pytest.approx((0.0, 0.25, 0.0))
    assert proxy.clipped[:20].all() and not proxy.clipped[20:].any()


def test_feature_picture_does_not_see_exposure() -> None:
    rgb = np.random.default_rng(1).uniform(0.05, 0.9, (80, 100, 3)).astype(np.float32)
    clipped = np.zeros((80, 100), bool)
    none = (0.0, 0.0, 0.0)
    bright = feature_picture(Proxy(rgb, clipped, 0.5, none, none))
    dark = feature_picture(Proxy(rgb / 4.0, clipped, 0.5, none, none))
    assert bright.dtype == np.uint8 and bright.shape == (80, 100)
    assert np.max(np.abs(bright.astype(int) - dark)) <= 1
    assert bright.std() > 10


@pytest.mark.parametrize("level", [0.0, -0.001, 1.0])
def test_feature_picture_of_an_even_frame(level: float) -> None:
    proxy = make_proxy(raw_photo(flat((60, 80), (max(level, 0.0),) * 3)))
    even = Proxy(np.full_like(proxy.rgb, level), proxy.clipped, 0.5, (0.0,) * 3, (0.0,) * 3)
    assert np.ptp(feature_picture(even)) == 0
