"""Demosaicing beside LibRaw's methods, against truth.

    pytest tests/bench/test_demosaic.py -s

Truth is photographs reduced twofold in linear light, so that no demosaicing of theirs is left in them, then
mosaicked and written as DNGs that LibRaw and we both open; with and without shot noise. Every result is
reduced by area as a photo 4000 px wide is for 3840 and 1920 px. In linear light, white-balanced, PSNR has
its peak at 1; false colour is the RMS error of Cb and Cr (BT.709) of sRGB codes, in steps of 8 bits.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
import rawpy
import skimage.data
from numpy.typing import NDArray

from pipeline.colour.display import linear_to_srgb, rgb_to_ycbcr, srgb_to_linear
from pipeline.demo.dng import write_dng
from pipeline.demo.sensor import Sensor, counts, mosaic_of
from pipeline.photo.raw import RawPhoto, open_raw
from pipeline.render.demosaic import demosaic
from pipeline.sequence import Triple
from tests.render.made import zone_plate

F32 = NDArray[np.float32]

NEUTRAL: Triple = (0.5, 1.0, 0.625)
SENSOR = Sensor(exposure=0.8)
WIDTHS = {"2160p": 3840 / 4000, "1080p": 1920 / 4000}
METHODS = ("LINEAR", "PPG", "VNG", "AHD", "DCB", "AAHD", "DHT")
DHT_MARGIN_DB = 0.2


@dataclass(frozen=True)
class Figures:
    """What one method made of one picture; PSNR in dB and false colour by name of the size."""

    psnr_db: dict[str, float]
    false_colour: dict[str, float]
    ms_per_megapixel: float


def pictures(data_dir: Path | None) -> Iterator[tuple[str, F32]]:
    """Yield linear pictures (H×W×3, 0..1): reduced photographs, and a grey zone plate up to 0.5 cycles/px."""
    named = {name: getattr(skimage.data, name)() for name in ("astronaut", "chelsea", "coffee", "rocket")}
    if data_dir is not None:
        for path in sorted((data_dir / "aerial_full").glob("*.jpg")):
            picture = cv2.imread(str(path))
            assert picture is not None
            named[f"aerial {path.stem}"] = picture[..., ::-1]
    for name, picture in named.items():
        linear = srgb_to_linear(picture / 255.0).astype(np.float32)
        half = cv2.resize(linear, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        height, width = (side // 2 * 2 for side in half.shape[:2])
        yield name, np.asarray(half[:height, :width], np.float32)
    yield "zone plate", zone_plate(1000, 1000, 0.5).astype(np.float32)


def written(truth: F32, path: Path, noise: np.random.Generator | None) -> None:
    camera = truth * (np.asarray(NEUTRAL) * SENSOR.exposure).astype(np.float32)
    mosaic = counts(mosaic_of(camera, SENSOR.pattern), SENSOR, noise)
    write_dng(
        path,
        mosaic,
        pattern=SENSOR.pattern,
        black=SENSOR.black,
        white=SENSOR.white,
        neutral=NEUTRAL,
        lossless_jpeg=False,
        tags=None,
    )


def by_libraw(path: Path, method: str) -> F32:
    balance = 1.0 / np.asarray(NEUTRAL)
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm[method],
            output_color=rawpy.ColorSpace.raw,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,
            user_wb=[*balance.tolist(), balance[1]],
            output_bps=16,
            user_flip=0,
        )
    return np.asarray(rgb / 65535.0 * balance.min(), np.float32)


def by_us(path: Path) -> F32:
    photo = open_raw(path)
    assert isinstance(photo, RawPhoto)
    return demosaic(photo, NEUTRAL)


def figures(path: Path, method: str, truth: F32) -> Figures:
    work = (lambda: by_us(path)) if method == "ours" else (lambda: by_libraw(path, method))
    work()  # the first call also fetches memory
    started = time.process_time()
    seen = np.clip(work() / np.float32(SENSOR.exposure), 0.0, 1.0)
    spent = time.process_time() - started
    psnr_db, false_colour = {}, {}
    for name, factor in WIDTHS.items():
        small, small_truth = (
            np.asarray(cv2.resize(p, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA))
            for p in (seen, truth)
        )
        psnr_db[name] = float(-10.0 * np.log10(np.mean((small - small_truth) ** 2)))
        chroma, true_chroma = (rgb_to_ycbcr(linear_to_srgb(p))[..., 1:] for p in (small, small_truth))
        false_colour[name] = 255.0 * float(np.sqrt(np.mean((chroma - true_chroma) ** 2)))
    return Figures(psnr_db, false_colour, 1000.0 * spent / (truth.shape[0] * truth.shape[1] / 1e6))


@pytest.mark.parametrize("noisy", [False, True], ids=["without noise", "shot noise"])
def test_against_libraw(data_dir: Path, tmp_path: Path, noisy: bool) -> None:
    print(f"\n{'with shot noise' if noisy else 'without noise'}: PSNR dB / false colour, at 2160p and 1080p")
    methods = ("ours", *METHODS)
    print(f"{'':18s}" + "".join(f"{method:>24s}" for method in methods))
    short: list[str] = []
    spent: dict[str, list[float]] = {method: [] for method in methods}
    for number, (name, truth) in enumerate(pictures(data_dir)):
        path = tmp_path / f"{number}.dng"
        written(truth, path, np.random.default_rng(number) if noisy else None)
        made = {method: figures(path, method, truth) for method in methods}
        cells = (
            "  ".join(f"{f.psnr_db[size]:5.1f} /{f.false_colour[size]:4.1f}" for size in WIDTHS)
            for f in made.values()
        )
        print(f"{name:18s}" + "".join(f"{cell:>24s}" for cell in cells))
        for size in WIDTHS:
            behind = made["DHT"].psnr_db[size] - made["ours"].psnr_db[size]
            if behind > DHT_MARGIN_DB:
                short.append(f"{name} at {size}: {behind:.2f} dB below DHT")
        for method, f in made.items():
            spent[method].append(f.ms_per_megapixel)
    medians = (f"{np.median(values):.0f}" for values in spent.values())
    print(f"{'processor ms/Mpx':18s}" + "".join(f"{median:>24s}" for median in medians))
    assert not [line for line in short if "1080p" in line], short
