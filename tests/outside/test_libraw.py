"""Real RAWs against LibRaw, through rawpy's own accessors and its own rendering.

Source of every expected value: LibRaw (rawpy), or tifffile reading the DNG's tags. Photographs: see
README.md of the data folder (raw_singles; CC0 1.0 and MIT).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from numpy.testing import assert_allclose, assert_array_equal
from skimage.color import deltaE_ciede2000, xyz2lab

from pipeline.colour.display import BT709_TO_XYZ, BT2020_TO_BT709
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.photo.raw import RawPhoto, open_raw
from pipeline.render.compose import brighten, look_of, to_working_space
from pipeline.render.demosaic import linear_rgb

NAMES = ["g2_0304.crw", "s40_0101.crw", "s40_0104.crw", "s40_0105.crw", "chart_crop.dng"]


@pytest.fixture(params=NAMES)
def path(request, data_dir: Path) -> Path:
    return data_dir / "raw_singles" / request.param


def test_mosaic_and_levels_are_those_of_libraw(path):
    photo = open_raw(path)
    assert isinstance(photo, RawPhoto)
    with rawpy.imread(str(path)) as raw:
        places = raw.raw_colors_visible[:2, :2]
        assert_array_equal(photo.mosaic, raw.raw_image_visible)
        assert_array_equal(photo.pattern, np.where(places == 3, 1, places))  # 3 is the second green
        assert_array_equal(photo.black, np.array(raw.black_level_per_channel)[places])
        assert photo.white == raw.white_level
        balance = np.array(raw.camera_whitebalance[:3])
        assert_allclose(photo.as_shot_neutral, balance[1] / balance, rtol=1e-6)


def test_the_matrix_is_libraws_or_the_dngs_own(path):
    colour = open_raw(path).colour
    with rawpy.imread(str(path)) as raw:
        if path.suffix == ".crw":
            assert_array_equal(colour.colour_matrix_1, raw.rgb_xyz_matrix[:3])
            return
        assert not raw.rgb_xyz_matrix.any()  # LibRaw knows no matrix of this camera: hence the tags
    with tifffile.TiffFile(path) as tiff:
        tops_and_bottoms = np.reshape(tiff.pages.first.tags["ColorMatrix1"].value, (3, 3, 2))
    assert_array_equal(colour.colour_matrix_1, tops_and_bottoms[..., 0] / tops_and_bottoms[..., 1])


def _binned(photo: RawPhoto) -> np.ndarray:
    """Camera RGB of each 2×2 cell, 1.0 = saturation."""
    levels = np.zeros((photo.mosaic.shape[0] // 2, photo.mosaic.shape[1] // 2, 3))
    for (row, column), channel in np.ndenumerate(photo.pattern):
        black = photo.black[row, column]
        level = (photo.mosaic[row::2, column::2] - black) / (photo.white - black)
        levels[..., channel] += level / (photo.pattern == channel).sum()
    return levels


def _block_means(picture: np.ndarray, size: int = 16) -> np.ndarray:
    rows, columns = (length // size for length in picture.shape[:2])
    blocks = picture[: rows * size, : columns * size].reshape(rows, size, columns, size, 3)
    return blocks.mean(axis=(1, 3))


@pytest.mark.parametrize("demosaiced", [False, True])
@pytest.mark.parametrize("name", [name for name in NAMES if name.endswith(".crw")])
def test_colour_is_that_of_libraws_rendering(data_dir, name, demosaiced):
    """Mean CIEDE2000 of 16 px blocks outside clipped regions, by the render's own steps; the bound is 0.3.

    Once on 2×2 cells against LibRaw's half-size rendering, where nothing but colour can differ, and once
    demosaicked, against LibRaw's DHT. Seen when written: at most 0.004, and 0.16.
    """
    path = data_dir / "raw_singles" / name
    photo = open_raw(path)
    with rawpy.imread(str(path)) as raw:
        rendered = raw.postprocess(
            half_size=not demosaiced,
            demosaic_algorithm=rawpy.DemosaicAlgorithm.DHT,
            use_camera_wb=True,
            no_auto_bright=True,
            adjust_maximum_thr=0.0,
            gamma=(1, 1),
            output_bps=16,
            output_color=rawpy.ColorSpace.sRGB,
        )
    assert photo.as_shot_neutral is not None
    neutral = np.array(photo.as_shot_neutral)
    balanced = linear_rgb(photo, photo.as_shot_neutral) if demosaiced else _binned(photo) / neutral
    shape = (balanced.shape[1], balanced.shape[0])
    frame = FrameCorrection(
        frame=0, file=name, shown=0, shown_file=name, time_s=0.0, neutral=photo.as_shot_neutral
    )
    corrections = Corrections(
        id=name,
        kind="raw",
        card="",
        width=shape[0],
        height=shape[1],
        focal_px=1.0,
        shape=shape,
        crop_ratio=1.0,
        frames=[frame],
    )
    look = look_of(photo, frame, corrections)
    working = to_working_space(brighten(np.asarray(balanced, np.float32), look), look)
    ours = _block_means(working) @ BT2020_TO_BT709.T
    theirs = _block_means(rendered / 65535.0)
    clipped = np.asarray(balanced >= 0.98 / neutral.max()).any(axis=-1)
    whole = _block_means(np.repeat(clipped[..., np.newaxis], 3, axis=-1))[..., 0] == 0.0
    difference = deltaE_ciede2000(xyz2lab(ours @ BT709_TO_XYZ.T), xyz2lab(theirs @ BT709_TO_XYZ.T))[whole]
    print(f"{name}: {difference.mean():.4f} over {difference.size} blocks")
    assert difference.size > 1000
    assert difference.mean() <= 0.3
