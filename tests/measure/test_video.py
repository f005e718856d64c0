"""Flicker and jitter put into moving views of real textures must be measured as what they are."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import data

from pipeline.errors import EvenflightError
from pipeline.measure.video import ClipFigures, clip_figures, frames_of, trace_clip

Floats = NDArray[np.float64]

SIZE = (640, 360)
FPS = 10.0
PERIOD = 20.0  # frames: the default 2 s


@cache
def ground() -> NDArray[np.float32]:
    """Linear light of scikit-image's bundled pictures side by side, 4096×2048 (4 px to one of the clip)."""
    grass, gravel, brick = (
        cv2.cvtColor(p(), cv2.COLOR_GRAY2RGB) for p in (data.grass, data.gravel, data.brick)
    )
    coffee = cv2.resize(data.coffee(), (512, 512))
    person = data.astronaut()
    upper = np.hstack([grass, person, gravel, coffee])
    lower = np.hstack([brick, gravel[::-1], person[:, ::-1], grass[::-1]])
    linear = (np.vstack([upper, lower]) / 255.0).astype(np.float32) ** 2.4
    return cv2.resize(linear, (4096, 2048), interpolation=cv2.INTER_CUBIC)


def clip(
    gain_ev: Floats, quarters: NDArray[np.int64], *, water: bool = True, boats: bool = False
) -> Iterator[NDArray[np.uint8]]:
    """Views of the ground from places given in quarters of a pixel, so that their motion is exact."""
    rng = np.random.default_rng(4)
    for i, (gain, (x, y)) in enumerate(zip(gain_ev, quarters, strict=True)):
        part = ground()[y : y + 4 * SIZE[1], x : x + 4 * SIZE[0]]
        view = 0.5 * np.clip(cv2.resize(part, SIZE, interpolation=cv2.INTER_AREA), 0.0, None)
        if water:  # glints, another in each frame, over 12 % of the picture
            view[250:340, 50:350] = rng.random((90, 300, 1)) ** 4
        if boats:
            view[40:90, 5 * i : 5 * i + 60] = 0.8
        code = np.clip(view * 2.0**gain, 0.0, 1.0) ** (1.0 / 2.4)  # BT.1886
        yield np.round(255.0 * code).astype(np.uint8)


def course(frames: int, step: tuple[int, int] = (17, 5)) -> NDArray[np.int64]:
    return np.array([120, 100]) + np.arange(frames)[:, None] * np.array(step)


def mild(rng: np.random.Generator, *shape: int) -> Floats:
    """Normal noise without anything beyond two sigma, so that nothing counts as an outlier."""
    return np.clip(rng.normal(0.0, 1.0, shape), -2.0, 2.0)


def high_pass(values: Floats, period: float) -> Floats:
    """The plain filter as a dense solve: 1 − (1 + λ D′D)⁻¹, λ = 1 / (2 sin(π / period))⁴."""
    weight = 1.0 / (2.0 * np.sin(np.pi / period)) ** 4
    second = np.diff(np.eye(len(values)), 2, axis=0)
    return values - np.linalg.solve(np.eye(len(values)) + weight * second.T @ second, values)


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def measured(gain_ev: Floats, quarters: NDArray[np.int64], **how: bool) -> ClipFigures:
    return clip_figures(trace_clip(clip(gain_ev, quarters, **how)), FPS, SIZE[0])


def test_a_steady_even_flight_measures_as_nothing() -> None:
    figures = measured(np.zeros(50), course(50), boats=True)
    assert figures.frames == 50
    assert figures.lost_pairs == 0
    assert figures.flicker_rms_ev is not None and figures.flicker_rms_ev < 0.001
    assert figures.ground_jitter_px is not None and figures.ground_jitter_px < 0.02


@pytest.mark.parametrize("sigma", [0.01, 0.08])
def test_known_flicker_is_recovered(sigma: float) -> None:
    gain = sigma * mild(np.random.default_rng(1), 50)
    figures = measured(gain, course(50))
    fast = high_pass(gain, PERIOD)
    assert figures.flicker_rms_ev == pytest.approx(rms(fast), abs=0.001)
    assert figures.flicker_worst_ev == pytest.approx(np.abs(fast).max(), abs=0.003)
    assert figures.ground_jitter_px is not None and figures.ground_jitter_px < 0.03


SLOW_LIGHT = 0.4 * np.sin(2.0 * np.pi * np.arange(80) / 160.0)


def test_slow_light_alone_is_no_flicker() -> None:
    figures = measured(SLOW_LIGHT, course(80))
    # a period of 8 times the filter's passes by 1 / (1 + 8⁴); its ends and 8-bit codes make 0.0004 EV
    assert figures.flicker_rms_ev is not None and figures.flicker_rms_ev < 0.003


def test_slow_light_does_not_hide_flicker_or_a_flash() -> None:
    gain = SLOW_LIGHT + 0.01 * mild(np.random.default_rng(6), 80)
    figures = measured(gain, course(80))
    assert figures.flicker_rms_ev == pytest.approx(rms(high_pass(gain, PERIOD)), abs=0.001)
    gain[30] += 0.5
    told = measured(gain, course(80))
    assert told.flicker_worst_ev == pytest.approx(0.5, abs=0.03)
    assert told.outlier_frames is not None and told.outlier_frames >= 1


@pytest.mark.parametrize("flicker", [0.0, 0.08])
@pytest.mark.parametrize("sigma_quarters", [1.5, 8.0])
def test_known_jitter_is_recovered(sigma_quarters: float, flicker: float) -> None:
    rng = np.random.default_rng(2)
    shake = np.round(sigma_quarters * mild(rng, 50, 2)).astype(np.int64)
    figures = measured(flicker * mild(rng, 50), course(50) + shake)
    fast = np.stack([high_pass(shake[:, axis] / 4.0, PERIOD) for axis in (0, 1)], axis=1)
    expected = float(np.sqrt(np.mean(np.sum(fast**2, axis=1))))
    assert figures.ground_jitter_px == pytest.approx(expected, abs=0.02)
    second = float(np.sqrt(np.mean(np.sum(np.diff(shake / 4.0, 2, axis=0) ** 2, axis=1))))
    assert figures.second_difference_rms_px == pytest.approx(second, abs=0.05)


def test_jitter_is_told_for_the_delivered_width() -> None:
    shake = np.round(6.0 * mild(np.random.default_rng(3), 30, 2)).astype(np.int64)
    frames = list(clip(np.zeros(30), course(30) + shake))
    narrow, wide = clip_figures(trace_clip(frames), FPS, 640), clip_figures(trace_clip(frames), FPS, 1920)
    assert narrow.ground_jitter_px is not None and wide.ground_jitter_px is not None
    assert wide.ground_jitter_px == pytest.approx(3.0 * narrow.ground_jitter_px, rel=1e-9)


@pytest.mark.parametrize("step", [20, 60])
def test_fast_flight_is_followed(step: int) -> None:
    places = np.array([60, 100]) + np.arange(7)[:, None] * np.array([4 * step, 8])
    shake = np.array([[0, 0], [5, -4], [-6, 3], [2, 6], [-3, -5], [4, 1], [0, 0]])
    figures = measured(np.array([0.0, 0.05, -0.03, 0.02, -0.04, 0.01, 0.0]), places + shake, water=False)
    assert figures.lost_pairs == 0
    second = float(np.sqrt(np.mean(np.sum(np.diff(shake / 4.0, 2, axis=0) ** 2, axis=1))))
    assert figures.second_difference_rms_px == pytest.approx(second, abs=0.1)


def test_turns_hide_neither_motion_nor_light() -> None:
    turns = np.array([0.0, 35.0, 30.0, -50.0, -45.0, 20.0, 25.0])  # degrees; steps of 35, −5, −80 ...
    gain = np.array([0.0, 0.1, -0.1, 0.15, -0.05, 0.0, 0.1])
    centre = (SIZE[0] - 1) / 2.0, (SIZE[1] - 1) / 2.0
    world = cv2.resize(ground(), (2048, 1024), interpolation=cv2.INTER_AREA)
    frames, views = [], []
    for turn, ev in zip(turns, gain, strict=True):
        view = cv2.getRotationMatrix2D((1000.0, 500.0), turn, 1.0)
        view[:, 2] += np.array(centre) - (1000.0, 500.0)
        picture = 0.5 * np.clip(cv2.warpAffine(world, view, SIZE, flags=cv2.INTER_CUBIC), 0.0, None)
        frames.append(np.round(255.0 * (picture * 2.0**ev) ** (1.0 / 2.4)).astype(np.uint8))
        views.append(np.vstack([view, (0.0, 0.0, 1.0)]))
    figures = clip_figures(trace_clip(frames), FPS, SIZE[0])
    assert figures.lost_pairs == 0
    place = np.arange(7.0)
    line = np.polynomial.Polynomial.fit(place, gain, 1)(place)
    assert figures.flicker_rms_ev == pytest.approx(rms(gain - line), abs=0.003)
    # motion of the ground between frames at the 5 × 5 places that are followed; turns hide some of them
    share = (np.arange(5) + 0.5) / 5
    grid = np.stack(np.meshgrid(share * 639, share * 359, [1.0]), axis=-1).reshape(-1, 3)
    steps = [(grid @ (b @ np.linalg.inv(a)).T - grid)[:, :2] for a, b in pairwise(views)]
    at_places = np.sqrt(np.mean(np.sum(np.diff(steps, axis=0) ** 2, axis=-1), axis=0))
    assert figures.second_difference_rms_px is not None
    assert at_places.min() < figures.second_difference_rms_px < np.sqrt(np.mean(at_places**2))


def test_ground_that_fills_a_strip_alone_tells_no_jitter() -> None:
    """A mole in a sea whose waves are other ones in each photo."""
    rng = np.random.default_rng(8)
    frames = []
    for picture in clip(np.zeros(24), course(24), water=False):
        waves = cv2.GaussianBlur(rng.normal(0.0, 60.0, SIZE[::-1]), (0, 0), 3.0)
        sea = np.clip(90.0 + 4.0 * waves, 0, 255).astype(np.uint8)
        sea = np.repeat(sea[..., None], 3, axis=2)
        sea[:, 290:350] = picture[:, 290:350]
        frames.append(sea)
    figures = clip_figures(trace_clip(frames), FPS, SIZE[0])
    assert figures.ground_jitter_px is None and figures.stability_score is None
    # a coast that fills half of it does
    half = [
        np.concatenate([a[:, :320], b[:, 320:]], axis=1)
        for a, b in zip(frames, clip(np.zeros(24), course(24), water=False), strict=True)
    ]
    told = clip_figures(trace_clip(half), FPS, SIZE[0]).ground_jitter_px
    assert told is not None and told < 0.1


def test_noise_does_not_shake_an_oblique_view() -> None:
    """Ground far ahead below a sky: the plane's own horizon is in the picture, and above it is no ground."""
    rng = np.random.default_rng(9)
    world = cv2.resize(ground(), (2048, 1024), interpolation=cv2.INTER_AREA)
    frames = []
    for k in range(30):
        far, near = 100.0 + 3.0 * k, 900.0 + 3.0 * k
        corners = np.array([[700.0, far], [1300.0, far], [1140.0, near], [860.0, near]])
        seen = np.array([[0, 120], [639, 120], [639, 359], [0, 359]], np.float32)
        view = cv2.getPerspectiveTransform(corners.astype(np.float32), seen)
        picture = cv2.warpPerspective(world, view, SIZE, flags=cv2.INTER_AREA)
        picture[:115] = 0.6
        code = 255.0 * np.clip(0.5 * picture, 0.0, 1.0) ** (1.0 / 2.4) + rng.normal(0.0, 2.0, picture.shape)
        frames.append(np.clip(code, 0, 255).round().astype(np.uint8))
    figures = clip_figures(trace_clip(frames), FPS, SIZE[0])
    assert figures.ground_jitter_px is not None and figures.ground_jitter_px < 0.3


def test_short_clip_has_a_straight_line_as_its_slow_light() -> None:
    gain = 0.02 * np.arange(12.0) + 0.05 * (-1.0) ** np.arange(12)
    figures = measured(gain, course(12))
    line = np.polynomial.Polynomial.fit(np.arange(12.0), gain, 1)
    assert figures.flicker_rms_ev == pytest.approx(rms(gain - line(np.arange(12.0))), abs=0.002)


def test_a_held_frame_shows_as_jitter() -> None:
    places = course(40, (32, 8))
    places[20] = places[19]  # the photo before stands in for a missing one
    figures = measured(np.zeros(40), places)
    assert figures.ground_jitter_px is not None and figures.ground_jitter_px > 0.5


def test_a_blank_frame_is_bridged_and_counted() -> None:
    frames = list(clip(np.zeros(30), course(30)))
    frames[12] = np.full_like(frames[12], 90)
    figures = clip_figures(trace_clip(frames), FPS, SIZE[0])
    assert figures.lost_pairs == 2
    assert figures.flicker_rms_ev is not None and figures.flicker_rms_ev < 0.01


def test_two_frames_are_too_few() -> None:
    figures = measured(np.zeros(2), course(2))
    assert (figures.frames, figures.flicker_rms_ev, figures.ground_jitter_px) == (2, None, None)


def test_frames_are_decoded_in_colour_and_reduced(tmp_path: Path) -> None:
    import av

    path = tmp_path / "swatch.mp4"
    wanted = np.zeros((96, 128, 3), np.uint8)
    wanted[:] = (200, 90, 40)
    red, green, blue = (value / 255.0 for value in (200, 90, 40))
    # BT.709 R'G'B' to limited-range Y'CbCr (H.273, matrix 1)
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    codes = (16 + 219 * luma, 128 + 224 * (blue - luma) / 1.8556, 128 + 224 * (red - luma) / 1.5748)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"qp": "0"})
        stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv420p"
        for _ in range(3):
            frame = av.VideoFrame(128, 96, "yuv420p")
            for plane, code in zip(frame.planes, codes, strict=True):
                plane.update(bytes([round(code)]) * plane.buffer_size)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    full = list(frames_of(path))
    assert len(full) == 3
    assert full[0].shape == (96, 128, 3)
    assert np.abs(full[0].astype(int) - wanted).max() <= 3
    assert next(frames_of(path, width=64)).shape == (48, 64, 3)


def test_what_is_no_video_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("lantern hill")
    with pytest.raises(EvenflightError, match=r"notes\.mp4"):
        list(frames_of(path))


def test_real_flight_is_followed_through_its_turns(data_dir: Path) -> None:
    pictures = (iio.imread(path) for path in sorted((data_dir / "aerial_steady").glob("*.jpg")))
    figures = clip_figures(trace_clip(pictures), 30.0, 1920)
    assert (figures.frames, figures.lost_pairs) == (30, 0)
