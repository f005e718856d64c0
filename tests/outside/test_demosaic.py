"""Demosaicing against the paper, against LibRaw, and against known truth.

The fidelity asked for (design, section 9) is in linear light, with the same white balance, after area
reduction to 1920 px.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.colour.display import srgb_to_linear
from pipeline.demo.dng import write_dng
from pipeline.photo.opening import open_photo
from pipeline.photo.raw import RawPhoto
from pipeline.render.demosaic import LESS_GREEN, demosaic
from pipeline.sequence import Triple

F32 = NDArray[np.float32]


def libraw_dht(path: Path, neutral: Triple) -> F32:
    """LibRaw's DHT interpolation: white-balanced linear camera RGB in our units, automatic scaling off."""
    import rawpy

    balance = 1.0 / np.asarray(neutral)
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.DHT,
            output_color=rawpy.ColorSpace.raw,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,
            user_wb=[*balance.tolist(), balance[1]],
            output_bps=16,
            user_flip=0,
        )
    # LibRaw scales the smallest factor to 1 and clips every channel at saturation of that one.
    return (rgb / 65535.0 * balance.min()).astype(np.float32)


def reduced(rgb: F32) -> F32:
    height, width = rgb.shape[:2]
    return cv2.resize(rgb, (1920, round(1920 * height / width)), interpolation=cv2.INTER_AREA)


def psnr(seen: F32, truth: F32) -> float:
    return float(-10.0 * np.log10(np.mean((seen - truth) ** 2)))


def test_green_weighed_alike_is_that_of_the_paper() -> None:
    """Malvar, He, Cutler, ICASSP 2004, figure 2, in eighths (the values from memory of the paper)."""
    figure = [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]
    row = np.zeros((5, 5), np.float32)
    row[2] = LESS_GREEN[0]
    itself = np.zeros((5, 5), np.float32)
    itself[2, 2] = 1.0
    assert ((itself - (row + row.T) / 2) * 8).tolist() == figure


@pytest.mark.parametrize(
    "name", ["chart_crop.dng", "g2_0304.crw", "s40_0101.crw", "s40_0104.crw", "s40_0105.crw"]
)
def test_real_photos_against_libraw(data_dir: Path, name: str) -> None:
    """LibRaw's DHT through rawpy: at least 48 dB (measured: 54.6, 49.7, 51.7, 52.2, 51.7)."""
    path = data_dir / "raw_singles" / name
    photo = open_photo(path)
    assert isinstance(photo, RawPhoto)
    neutral = photo.as_shot_neutral or (1.0, 1.0, 1.0)
    reference = libraw_dht(path, neutral)
    ours = np.clip(demosaic(photo, neutral), 0.0, 1.0)
    assert ours.shape == reference.shape
    # In LibRaw's units, where the least gained channel saturates at 1.
    scale = np.float32(1.0 / np.min(1.0 / np.asarray(neutral)))
    assert psnr(reduced(ours * scale), reduced(reference * scale)) >= 48.0


@pytest.mark.parametrize("name", ["IMG_9354.jpg", "IMG_9355.jpg"])
def test_known_truth_against_libraw(data_dir: Path, tmp_path: Path, name: str) -> None:
    """Real aerial photos, reduced twofold and mosaicked: at most 0.2 dB below LibRaw's DHT.

    Measured: 55.5 dB (DHT 55.2) and 56.5 dB (DHT 56.3).
    """
    picture = cv2.imread(str(data_dir / "aerial_full" / name))
    assert picture is not None
    linear = srgb_to_linear(picture[..., ::-1] / 255.0).astype(np.float32)
    truth = cv2.resize(linear, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    neutral: Triple = (0.5, 1.0, 0.625)
    camera = truth * np.asarray(neutral, np.float32) * 15000.0 + 1000.0
    mosaic = np.empty(truth.shape[:2], np.uint16)
    for y, x, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[y::2, x::2] = np.rint(camera[y::2, x::2, channel])
    path = tmp_path / "mosaicked.dng"
    write_dng(
        path, mosaic, pattern="RGGB", black=1000, white=16000, neutral=neutral, lossless_jpeg=False, tags=None
    )
    photo = open_photo(path)
    assert isinstance(photo, RawPhoto)
    ours = psnr(reduced(demosaic(photo, neutral)), reduced(truth))
    libraw = psnr(reduced(libraw_dht(path, neutral)), reduced(truth))
    assert ours >= libraw - 0.2
