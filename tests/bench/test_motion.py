"""Motion on known-truth flights and on a real one: injected, found, left, and a plain chain beside it.

`pytest tests/bench/test_motion.py -s`. The plain chain, written here, is what is commonly done:
neighbouring pictures matched by features, a similarity from one to the next, the sum of them smoothed
by a Gaussian, and as large a crop as leaves no border (common practice, no source).

Each flight has its bound beside it. Where no photo shows anything that lasts to the next, neither ground nor
horizon, the attitude tags alone tell the turning: their own error against the truth, tenths of a degree
rounded, is the floor, worked out for each flight and printed. The open sea is held to that floor and a tenth.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from pipeline.demo.check import jitter_against_truth
from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.rotation import log
from pipeline.measure.motion import jitter_rms_px
from pipeline.measure.tags import told_attitude
from pipeline.measure.video import clip_figures, trace_clip
from pipeline.report.schema import read_report
from pipeline.run.commands import run_card
from pipeline.run.outputs import read_corrections
from pipeline.sequence import Sequence
from pipeline.settings import load_settings
from tests.bench.flights import written_flight
from tests.bench.motion_flights import COAST, FLIGHTS, OPEN_SEA
from tests.watching import Quiet

JITTER_PX = 0.25  # design, section 9
ABOVE_FLOOR = 1.1
CROP = 0.85
GAUSSIAN_FRAMES = 15.0
WIDTH_PX = 1920


@dataclass
class Row:
    """One flight: true jitter put in and left, what the stage says, and the measures of the videos."""

    name: str
    injected_px: float | None
    found_px: float | None
    left_px: float | None
    bound_px: float | None
    tags_px: float | None
    told_px: float | None
    crop: float
    video_found_px: float | None
    video_left_px: float | None
    stability: float | None
    distortion: float | None
    plain_px: float | None
    plain_crop: float


def figure(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def show(rows: list[Row]) -> None:
    print(
        "\n| flight | injected px | found | left | bound | tags alone | left, held out | crop (≥ 0.85) "
        "| video before | after | stability | distortion | plain chain after | its crop |"
    )
    print("|" + "---|" * 14)
    for row in rows:
        cells = [
            row.name,
            figure(row.injected_px, 1),
            figure(row.found_px, 1),
            figure(row.left_px, 3),
            figure(row.bound_px),
            figure(row.tags_px),
            figure(row.told_px, 3),
            figure(row.crop, 3),
            figure(row.video_found_px, 1),
            figure(row.video_left_px, 1),
            figure(row.stability),
            figure(row.distortion, 3),
            figure(row.plain_px, 1),
            figure(row.plain_crop),
        ]
        print("| " + " | ".join(cells) + " |")


def no_black_border(video: Path) -> bool:
    """Whether no frame has a side of which a tenth or more is black where its surroundings are not."""
    for frame in iio.imiter(video, plugin="pyav"):
        grey = frame.max(axis=2)
        for side, beside in (
            (grey[0], grey[8]),
            (grey[-1], grey[-9]),
            (grey[:, 0], grey[:, 8]),
            (grey[:, -1], grey[:, -9]),
        ):
            if np.mean((side <= 2) & (beside > 12)) > 0.1:
                return False
    return True


def plain_chain(pictures: list[np.ndarray], shape: tuple[int, int]) -> tuple[list[np.ndarray], float]:
    """Return the frames that the plain chain makes, and its crop ratio."""
    greys = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in pictures]
    sift = cv2.SIFT.create(1500)
    features = [sift.detectAndCompute(grey, None) for grey in greys]
    path = [np.zeros(4)]
    for (points_a, words_a), (points_b, words_b) in pairwise(features):
        step = np.zeros(4)
        if words_a is not None and words_b is not None:
            pairs = cv2.BFMatcher().knnMatch(words_a, words_b, k=2)
            good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.75 * p[1].distance]
            if len(good) >= 8:
                a = np.array([points_a[m.queryIdx].pt for m in good])
                b = np.array([points_b[m.trainIdx].pt for m in good])
                found, _ = cv2.estimateAffinePartial2D(a, b)
                if found is not None:
                    height, width = greys[0].shape
                    middle = np.array([(width - 1) / 2, (height - 1) / 2, 1.0])
                    shift = found @ middle - middle[:2]
                    turn = np.arctan2(found[1, 0], found[0, 0])
                    step = np.array([*shift, turn, np.log(np.hypot(found[0, 0], found[1, 0]))])
        path.append(path[-1] + step)
    flown = np.array(path)
    correction = gaussian_filter1d(flown, GAUSSIAN_FRAMES, axis=0, mode="nearest") - flown
    height, width = greys[0].shape
    out_w = width
    out_h = round(width * shape[1] / shape[0])

    def to_source(change: np.ndarray, crop: float) -> np.ndarray:
        dx, dy, turn, grow = change
        scale = crop * np.exp(-grow)
        turned = scale * np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        centre = np.array([(width - 1) / 2 - dx, (height - 1) / 2 - dy])
        return np.column_stack([turned, centre - turned @ [(out_w - 1) / 2, (out_h - 1) / 2]])

    corners = np.array([[0, 0, 1], [out_w - 1, 0, 1], [0, out_h - 1, 1], [out_w - 1, out_h - 1, 1]]).T

    def inside(crop: float) -> bool:
        places = np.stack([to_source(change, crop) @ corners for change in correction])
        return bool(
            (places >= 0).all() and (places[:, 0] <= width - 1).all() and (places[:, 1] <= height - 1).all()
        )

    crop = next((c for c in np.arange(1.0, 0.1, -0.01) if inside(c)), 0.1)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    frames = [
        cv2.warpAffine(picture, to_source(change, crop), (out_w, out_h), flags=flags)
        for picture, change in zip(pictures, correction, strict=True)
    ]
    return frames, float(crop)


def tags_floor_px(folder: Path, frames: list[dict[str, Any]], period: float) -> float | None:
    """Return the fast error of the tags' own orientations against the truth, px RMS at a width of 1920."""
    sequence = Sequence.model_validate_json((folder / "work" / "sequence.json").read_bytes())
    corrections = read_corrections(folder / "corrections.json")
    told = [told_attitude(frame) for frame in sequence.frames]
    off = []
    for tags, frame in zip(told, frames, strict=True):
        if tags is None:
            return None
        off.append(log(tags @ np.array(frame["rotation_world_to_camera"]).T))
    wide = largest_rectangle(corrections.width, corrections.height, corrections.shape)[0]
    focal = corrections.focal_px * WIDTH_PX / (corrections.crop_ratio * wide)
    size = (WIDTH_PX, WIDTH_PX * corrections.shape[1] / corrections.shape[0])
    return jitter_rms_px(np.array(off), np.ones(len(off), bool), period, focal, size)


def measured(name: str, folder: Path, truth: dict[str, Any] | None) -> Row:
    stabilise, encode = (read_report(folder / f"{stage}.json") for stage in ("stabilise", "encode"))
    corrections = read_corrections(folder / "corrections.json")
    before = after = floor = bound = None
    if truth is not None:
        period = float(read_report(folder / "deflicker.json").applied["period_frames"])  # type: ignore[arg-type]
        period = min(period, len(truth["frames"]) / 2)
        before, after = jitter_against_truth(truth["frames"], corrections, period)
        floor = tags_floor_px(folder, truth["frames"], period)
        bound = JITTER_PX
        if floor is not None and name in (OPEN_SEA, COAST):
            bound = ABOVE_FLOOR * floor if name == OPEN_SEA else floor
    thumbnails = folder / "work" / "thumbs"
    pictures = [iio.imread(thumbnails / f"{frame.shown:05d}.jpg") for frame in corrections.frames]
    frames, crop = plain_chain(pictures, corrections.shape)
    plain = clip_figures(trace_clip(iter(frames)), 30.0, WIDTH_PX)
    # the reports tell px of the delivered size
    wide = WIDTH_PX / encode.applied["outputs"][0]["width"]  # type: ignore[index, call-overload]

    def at_full_width(value: float | None) -> float | None:
        return None if value is None else value * wide

    return Row(
        name,
        before,
        at_full_width(stabilise.found["jitter_rms_px"]),
        after,
        bound,
        floor,
        at_full_width(stabilise.left["jitter_rms_px"]),
        corrections.crop_ratio,
        at_full_width(encode.found["ground_jitter_px"]),
        at_full_width(encode.left["ground_jitter_px"]),
        encode.left["stability_score"],
        encode.left["distortion_value"],
        plain.ground_jitter_px,
        crop,
    )


@pytest.fixture(scope="module")
def table() -> Iterator[list[Row]]:
    """The rows of the flights that were run, shown when the last of them is done."""
    rows: list[Row] = []
    yield rows
    show(rows)


@pytest.mark.parametrize("name", FLIGHTS)
def test_known_truth_flight(name: str, tmp_path: Path, table: list[Row]) -> None:
    folder = written_flight(FLIGHTS[name])
    (outcome,) = run_card(
        folder / "card", tmp_path / "out", load_settings(None, []), sequence=None, progress=Quiet()
    )
    truth = json.loads((folder / "truth.json").read_text())["flights"][0]
    row = measured(name, outcome.folder, truth)
    table.append(row)
    clearance = read_report(outcome.folder / "stabilise.json").applied["least_clearance_px"]
    assert float(clearance) >= 0.0  # type: ignore[arg-type]
    assert no_black_border(outcome.videos[0])
    assert row.crop >= CROP - 1e-6
    assert row.left_px is not None and row.bound_px is not None and row.left_px <= row.bound_px


def test_a_real_flight_before_and_after(data_dir: Path, tmp_path: Path, table: list[Row]) -> None:
    """`aerial_steady`: a survey flight that turns by up to 110° from one photo to the next."""
    settings = load_settings(None, [])
    (outcome,) = run_card(
        data_dir / "aerial_steady", tmp_path / "real", settings, sequence=None, progress=Quiet()
    )
    table.append(measured("aerial_steady", outcome.folder, None))
    assert no_black_border(outcome.videos[0])


@pytest.mark.parametrize("picture", ["aerial", "rocket", "coffee", "chelsea"])
def test_registration_of_known_warps(picture: str, data_dir: Path) -> None:
    """RMS over the frame of the motion found between a real photo and its known warp, px of the photo."""
    from skimage import data

    from pipeline.measure.pairs import find_features, register

    if picture == "aerial":
        photo = iio.imread(sorted((data_dir / "aerial_full").glob("*"))[0])
        photo = cv2.resize(photo, (640, 480), interpolation=cv2.INTER_AREA)
    else:
        photo = getattr(data, picture)()
    height, width = photo.shape[:2]
    corner = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]], np.float32)
    moved = corner + np.random.default_rng(3).uniform(-0.04, 0.04, (4, 2)).astype(np.float32) * width
    known = cv2.getPerspectiveTransform(corner, moved)
    warped = cv2.warpPerspective(photo, known, (width, height), flags=cv2.INTER_CUBIC)
    greys = [cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in (photo, warped)]
    a, b = (find_features(grey) for grey in greys)
    found = register(a, b, 1.0).homography
    assert found is not None
    grid = np.stack(np.meshgrid(np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9)), -1)
    places = grid.reshape(1, -1, 2).astype(np.float64)
    error = cv2.perspectiveTransform(places, found) - cv2.perspectiveTransform(places, known)
    rms = float(np.sqrt(np.mean(np.sum(error**2, axis=-1))))
    print(f"\n{picture} {width}×{height}: {rms:.3f} px RMS")
    assert rms <= 0.1
