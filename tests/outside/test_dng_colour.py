"""DNGs from file to working space, against the specification's chain worked with colour-science.

Source: Adobe, Digital Negative (DNG) Specification 1.7.1.0, chapter 6. The tags are read by tifffile, the
CCT is by Robertson 1968, matrices and adaptation are worked by NumPy and colour-science: nothing of
pipeline/colour is used for what is expected. The design's bound is a mean CIEDE2000 of 0.1. The written
DNGs are invented; chart_crop.dng is real (see README.md of the data folder; MIT).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from pipeline.corrections import Corrections, FrameCorrection
from pipeline.photo.raw import RawPhoto, open_raw
from pipeline.render.compose import brighten, look_of, to_working_space
from pipeline.render.demosaic import linear_rgb
from tests.reference import colour_science

Floats = NDArray[np.float64]

BOUND = 0.1
BLACK, WHITE, SIDE = 512, 15_892, 24
CCT_K = {17: 2856.0, 21: 6504.0, 23: 5003.0}  # EXIF LightSource: CIE A, D65, D50

MATRIX_A = [0.80, -0.30, -0.02, -0.47, 1.26, 0.24, -0.08, 0.20, 0.56]
MATRIX_D65 = [0.72, -0.21, -0.06, -0.41, 1.22, 0.21, -0.06, 0.16, 0.62]
TWO = {"ColorMatrix1": MATRIX_A, "ColorMatrix2": MATRIX_D65, "Light1": 17, "Light2": 21}
FORWARD = TWO | {
    # rows add up to D50 (0.9642, 1, 0.8251)
    "ForwardMatrix1": [0.69, 0.16, 0.1142, 0.29, 0.77, -0.06, 0.02, -0.18, 0.9851],
    "ForwardMatrix2": [0.65, 0.21, 0.1042, 0.26, 0.82, -0.08, 0.03, -0.12, 0.9151],
}
INDIVIDUAL = FORWARD | {
    "Calibration1": [1.03, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.97],
    "Calibration2": [0.98, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.02],
    "Balance": [1.1, 1.0, 1.2],
}
CODES = {
    "ColorMatrix1": 50721,
    "ColorMatrix2": 50722,
    "Calibration1": 50723,
    "Calibration2": 50724,
    "Balance": 50727,
    "Light1": 50778,
    "Light2": 50779,
    "ForwardMatrix1": 50964,
    "ForwardMatrix2": 50965,
}
NEUTRALS = [(0.62, 1.0, 0.72), (0.75, 1.0, 0.5), (0.9, 1.0, 0.35)]


def write_patches(path: Path, tags: dict[str, Any], neutral: tuple[float, ...], patches: Floats) -> None:
    """Write patches (n, 3) of camera RGB, 1 = saturation, side by side as a Bayer DNG (RGGB)."""
    picture = np.repeat(np.repeat(patches[np.newaxis], SIDE, axis=0), SIDE, axis=1)
    mosaic = np.empty(picture.shape[:2])
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = picture[row::2, column::2, channel]
    extra: list[tuple[int, int, int, Any, bool]] = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50708, 2, 0, "Testcam Heron", True),
        (50714, 4, 1, BLACK, True),
        (50717, 4, 1, WHITE, True),
        (50728, 5, 3, rationals(neutral), True),
    ]
    for name, value in tags.items():
        if name.startswith("Light"):
            extra.append((CODES[name], 3, 1, value, True))
        else:
            extra.append((CODES[name], 10, len(value), rationals(value), True))
    counts = np.rint(mosaic * (WHITE - BLACK) + BLACK).astype(np.uint16)
    tifffile.imwrite(path, counts, photometric=32803, extratags=extra, metadata=None, planarconfig=1)


def rationals(values: Any) -> tuple[int, ...]:
    return tuple(part for value in values for part in (round(value * 10_000), 10_000))


def rendered_xyz(path: Path, binned: bool = False) -> Floats:
    """XYZ D65 (H×W×3) of a DNG by the render's own steps, without warp and gains.

    `binned` takes each 2×2 cell as one pixel, so that nothing of a demosaic is in the result.
    """
    science = colour_science()
    photo = open_raw(path)
    assert isinstance(photo, RawPhoto) and photo.as_shot_neutral is not None
    height, width = photo.mosaic.shape
    frame = FrameCorrection(
        frame=0, file=path.name, shown=0, shown_file=path.name, time_s=0.0, neutral=photo.as_shot_neutral
    )
    corrections = Corrections(
        id="t",
        kind="raw",
        card="",
        width=width,
        height=height,
        focal_px=1.0,
        shape=(16, 9),
        crop_ratio=1.0,
        frames=[frame],
    )
    look = look_of(photo, frame, corrections)
    linear = cells(photo) if binned else linear_rgb(photo, photo.as_shot_neutral)
    working = to_working_space(brighten(linear, look), look)
    matrix = science.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ
    return np.asarray(working.astype(np.float64) @ matrix.T)


def cells(photo: RawPhoto) -> NDArray[np.float32]:
    """White-balanced levels of each 2×2 cell of the pattern RGGB."""
    assert photo.pattern.ravel().tolist() == [0, 1, 1, 2] and np.ptp(photo.black) == 0.0
    level = (photo.mosaic - photo.black[0, 0]) / (photo.white - photo.black[0, 0])
    green = (level[0::2, 1::2] + level[1::2, 0::2]) / 2.0
    rgb = np.stack([level[0::2, 0::2], green, level[1::2, 1::2]], axis=-1)
    return np.asarray(rgb / np.asarray(photo.as_shot_neutral), np.float32)


def read_tags(path: Path) -> dict[str, Floats]:
    """The colour tags of a DNG as tifffile reads them."""
    found = {}
    with tifffile.TiffFile(path) as tiff:
        tags = tiff.pages.first.tags
        for name, code in (CODES | {"Neutral": 50728}).items():
            if code in tags:
                value = np.atleast_1d(np.array(tags[code].value, float))
                found[name] = value if name.startswith("Light") else value[0::2] / value[1::2]
    return found


def expected_xyz(tags: dict[str, Floats], camera: Floats) -> Floats:
    """XYZ D65 (n, 3) of camera RGB (n, 3), white at Y = 1, worked out as the specification says."""
    science = colour_science()
    whites = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]
    d50, d65 = whites["D50"], whites["D65"]
    two = "ColorMatrix2" in tags

    def first_share(xy: Floats) -> float:
        if not two:
            return 1.0
        uv = science.UCS_to_uv(science.XYZ_to_UCS(science.xy_to_XYZ(xy)))
        cct_k = float(science.temperature.uv_to_CCT_Robertson1968(uv)[0])
        cool, warm = (1.0 / CCT_K[int(tags[name][0])] for name in ("Light2", "Light1"))
        return float(np.clip((1.0 / cct_k - cool) / (warm - cool), 0.0, 1.0))

    def mixed(name: str, xy: Floats) -> Floats:
        one = tags.get(f"{name}1", np.eye(3).ravel()).reshape(3, 3)
        if not two:
            return one
        share = first_share(xy)
        return share * one + (1.0 - share) * tags.get(f"{name}2", np.eye(3).ravel()).reshape(3, 3)

    neutral, balance = tags["Neutral"] / tags["Neutral"][1], np.diag(tags.get("Balance", np.ones(3)))
    xy = d50
    for _ in range(60):
        to_camera = balance @ mixed("Calibration", xy) @ mixed("ColorMatrix", xy)
        xy = science.XYZ_to_xy(np.linalg.solve(to_camera, neutral))
    if "ForwardMatrix1" in tags:
        back = np.linalg.inv(balance @ mixed("Calibration", xy))
        matrix = mixed("ForwardMatrix", xy) @ np.diag(1.0 / (back @ neutral)) @ back
        xyz, white = camera @ matrix.T, d50
    else:
        matrix = np.linalg.inv(to_camera)
        xyz, white = camera @ matrix.T / (matrix @ neutral)[1], xy
    return np.asarray(
        science.adaptation.chromatic_adaptation_VonKries(
            xyz, science.xy_to_XYZ(white), science.xy_to_XYZ(d65), transform="Bradford"
        )
    )


def mean_delta_e(found: Floats, expected: Floats) -> float:
    science = colour_science()
    d65 = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    one, two = science.XYZ_to_Lab(found, d65), science.XYZ_to_Lab(expected, d65)
    return float(np.mean(science.difference.delta_E_CIE2000(one, two)))


@pytest.mark.parametrize("tags", [TWO, FORWARD, INDIVIDUAL], ids=["two matrices", "forward", "calibrated"])
@pytest.mark.parametrize("neutral", NEUTRALS)
def test_patches_from_file_to_working_space(tmp_path, tags, neutral):
    patches = np.random.default_rng(6).uniform(0.05, 0.9, (30, 3)) * neutral
    write_patches(tmp_path / "patches.dng", tags, neutral, patches)
    xyz = rendered_xyz(tmp_path / "patches.dng").reshape(SIDE, len(patches), SIDE, 3)
    found = xyz[8:16, :, 8:16].mean(axis=(0, 2))  # away from the edges, where demosaicing mixes patches
    difference = mean_delta_e(found, expected_xyz(read_tags(tmp_path / "patches.dng"), patches))
    assert difference <= BOUND


def test_a_real_dng_from_file_to_working_space(data_dir):
    """Means of 16 px blocks below saturation; black, white and area of the tags, read by tifffile."""
    path = data_dir / "raw_singles" / "chart_crop.dng"
    with tifffile.TiffFile(path) as tiff:
        tags = tiff.pages.first.tags
        top, left, bottom, right = tags[50829].value
        black, white = tags[50714].value, tags[50717].value
        stored = tiff.pages.first.asarray()[top:bottom, left:right].astype(float)
    level = (stored - black) / (white - black)
    rows, columns = (size // 16 for size in level.shape)
    blocks = level[: rows * 16, : columns * 16].reshape(rows, 16, columns, 16).swapaxes(1, 2)
    camera = np.stack(
        [
            blocks[..., 0::2, 0::2].mean(axis=(2, 3)),
            (blocks[..., 0::2, 1::2] + blocks[..., 1::2, 0::2]).mean(axis=(2, 3)) / 2.0,
            blocks[..., 1::2, 1::2].mean(axis=(2, 3)),
        ],
        axis=-1,
    )
    neutral = read_tags(path)["Neutral"] / read_tags(path)["Neutral"][1]
    unclipped = (camera / neutral).max(axis=-1) < 0.9
    shown = rendered_xyz(path, binned=True)[: rows * 8, : columns * 8]
    found = shown.reshape(rows, 8, columns, 8, 3).mean(axis=(1, 3))
    expected = expected_xyz(read_tags(path), camera[unclipped])
    assert unclipped.sum() > 2000
    assert mean_delta_e(found[unclipped], expected) <= BOUND
