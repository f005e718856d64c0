"""Looking at photographs written on the spot: an invented flight over textured ground."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import pytest

import pipeline.measure.look as look_module
from pipeline.colour.display import linear_to_srgb
from pipeline.demo.dng import write_dng
from pipeline.measure.look import Look, PairFigures, compare, look_and_compare, look_at
from pipeline.measure.pairs import BASELINES, Features
from pipeline.sequence import Frame, Sequence
from tests.measure.made import about_centre, project, texture

HIGH, WIDE = 480, 640
STEP_PX = 9.0
BLACK, WHITE = 256, 16383
NEUTRAL = (0.5, 1.0, 0.7)
COLOUR_OF_GROUND = np.array([0.5, 1.0, 0.6])

GROUND = texture(HIGH + 20, WIDE + 200, seed=7)


def levels(frame: int, gain: float = 1.0) -> np.ndarray:
    """Linear camera RGB of a frame: the ground moves STEP_PX to the left with each."""
    move = np.array([[1.0, 0.0, -STEP_PX * frame], [0.0, 1.0, 0.0]])
    seen = cv2.warpAffine(GROUND, move, (WIDE, HIGH), flags=cv2.INTER_CUBIC)
    return np.asarray(seen[..., None] * COLOUR_OF_GROUND * gain, float)


def as_dng(path: Path, rgb: np.ndarray) -> Path:
    counts = np.empty(rgb.shape[:2])
    for (row, column), channel in {(0, 0): 0, (0, 1): 1, (1, 0): 1, (1, 1): 2}.items():
        counts[row::2, column::2] = rgb[row::2, column::2, channel]
    mosaic = np.clip(np.round(BLACK + counts * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
    write_dng(
        path,
        mosaic,
        pattern="RGGB",
        black=BLACK,
        white=WHITE,
        neutral=NEUTRAL,
        lossless_jpeg=False,
        tags=None,
    )
    return path


def as_jpeg(path: Path, rgb: np.ndarray) -> Path:
    codes = np.round(255 * linear_to_srgb(np.clip(rgb, 0, 1))).astype(np.uint8)
    iio.imwrite(path, codes, extension=".jpg", quality=98, subsampling=0)
    return path


def sequence_of(names: list[str | None]) -> Sequence:
    frames = tuple(
        Frame(frame=k, state="photo" if name else "missing", file=name, time_s=2.0 * k)
        for k, name in enumerate(names)
    )
    return Sequence(
        id="20260501_100000",
        kind="raw",
        camera="Testcam Heron",
        width=WIDE,
        height=HIGH,
        interval_s=2.0,
        frames=frames,
    )


def measured(
    card: Path, names: list[str | None], workers: int = 2
) -> tuple[list[Look], list[PairFigures], int]:
    """Looks, pairs and the number of times that progress was told."""
    told: list[int] = []
    with ThreadPoolExecutor(workers) as executor:
        out = list(look_and_compare(sequence_of(names), card, None, executor, workers, told.append))
    looks = [item for item in out if isinstance(item, Look)]
    return looks, [item for item in out if isinstance(item, PairFigures)], sum(told)


def test_a_raw_photo_by_itself(tmp_path: Path) -> None:
    thumbnails = tmp_path / "thumbnails"
    thumbnails.mkdir()
    rgb = levels(0)
    rgb[:48] = 1.5  # a tenth is clipped
    look = look_at((3, as_dng(tmp_path / "a.dng", rgb)), thumbnails)
    assert look.trouble is None and look.figures is not None and look.colour is not None
    figures = look.figures
    assert (figures.frame, figures.width, figures.height) == (3, WIDE, HIGH)
    assert figures.as_shot_neutral == pytest.approx(NEUTRAL, abs=1e-4)
    assert figures.clipped == pytest.approx((0.1, 0.1, 0.1), abs=0.001)
    assert figures.crushed == (0.0, 0.0, 0.0)
    # the median of every fourth proxy pixel is not quite that of all
    assert figures.median == pytest.approx(tuple(np.median(rgb, axis=(0, 1))), rel=0.02)
    assert figures.features > 200
    picture = iio.imread(thumbnails / "00003.jpg")
    assert picture.shape == (240, 320, 3)


def test_a_thumbnail_shows_the_neutral_as_grey(tmp_path: Path) -> None:
    grey = np.ones((HIGH, WIDE, 3)) * np.array(NEUTRAL) * 0.2
    look_at((0, as_dng(tmp_path / "a.dng", grey)), tmp_path)
    shown = iio.imread(tmp_path / "00000.jpg").reshape(-1, 3).mean(axis=0)
    # 20 % of saturation in green is 0.2 linear grey, code 124 of sRGB
    assert shown == pytest.approx([124.0] * 3, abs=2.0)


def test_a_jpeg_by_itself(tmp_path: Path) -> None:
    rgb = levels(0)
    look = look_at((0, as_jpeg(tmp_path / "a.jpg", rgb)), tmp_path)
    assert look.figures is not None and look.colour is None
    assert look.figures.as_shot_neutral is None
    assert look.figures.median == pytest.approx(tuple(np.median(rgb, axis=(0, 1))), rel=0.03)
    shown = iio.imread(tmp_path / "00000.jpg").astype(float)
    truth = 255 * linear_to_srgb(rgb)
    assert shown.shape == truth.shape  # 640 px wide already
    assert np.mean(np.abs(shown - truth)) < 4.0


@pytest.mark.parametrize("content", [b"", b"not a photo", b"II*\0\x08\0\0\0"])
def test_a_torn_photo_costs_its_frame_and_says_why(tmp_path: Path, content: bytes) -> None:
    torn = tmp_path / "torn.dng"
    torn.write_bytes(content)
    look = look_at((5, torn), None)
    assert look.frame == 5 and look.figures is None and look.light is None
    assert look.trouble is not None and "torn.dng" in look.trouble


def test_an_even_frame_is_measured(tmp_path: Path) -> None:
    for name, level in (("black", 0.0), ("white", 2.0), ("grey", 0.2)):
        look = look_at((0, as_dng(tmp_path / f"{name}.dng", np.full((HIGH, WIDE, 3), level))), None)
        assert look.figures is not None
        assert look.figures.features == 0
        assert look.figures.median == pytest.approx((min(level, 1.0),) * 3, abs=1e-4)


@pytest.mark.parametrize(("write", "bound_ev"), [(as_dng, 0.002), (as_jpeg, 0.006)])
def test_two_frames_of_known_shift_and_light(
    tmp_path: Path, write: Callable[[Path, np.ndarray], Path], bound_ev: float
) -> None:
    first = look_at((0, write(tmp_path / "a", levels(0, 0.8))), None)
    second = look_at((1, write(tmp_path / "b", levels(3, 1.0))), None)
    pair = compare(first, second)
    assert pair is not None and pair.registered and (pair.i, pair.j) == (0, 1)
    homography = pair.matches.full_size_homography()
    truth = about_centre(HIGH, WIDE, shift=(-3 * STEP_PX, 0.0))
    places = np.array([[0, 0], [WIDE - 1, 0], [WIDE - 1, HIGH - 1], [0, HIGH - 1], [300, 200]], float)
    assert np.max(np.abs(project(homography, places) - project(truth, places))) < 0.3
    # log2(1.0 / 0.8). A JPEG's coding noise of some two codes, through the curve of sRGB, lifts dark blue
    # by half its second derivative, 1.7 (2 / 60)^2 or 0.003 EV.
    assert np.median(pair.blocks.ratio_ev, axis=0) == pytest.approx([np.log2(1.25)] * 3, abs=bound_ev)
    assert np.std(pair.blocks.ratio_ev) < 0.03


def test_frames_without_features_are_aligned_in_bulk(tmp_path: Path) -> None:
    soft = np.asarray(cv2.GaussianBlur(GROUND, (0, 0), 25.0))
    low, high = np.quantile(soft, [0.02, 0.98])
    soft = np.clip((soft - low) / (high - low), 0, 1) * 0.3 + 0.1
    looks = []
    for k, gain in enumerate((1.0, 1.3)):
        seen = soft[:HIGH, 10 * k : 10 * k + WIDE, None] * COLOUR_OF_GROUND * gain
        looks.append(look_at((k, as_dng(tmp_path / f"{k}.dng", seen)), None))
    looks = [Look(a.frame, a.figures, a.light, a.grey, few(a), a.colour) for a in looks]
    pair = compare(looks[0], looks[1])
    assert pair is not None and not pair.registered and pair.matches.homography is None
    assert np.median(pair.blocks.ratio_ev) == pytest.approx(np.log2(1.3), abs=0.02)


def few(look: Look) -> Features:
    """The features of a look, all but three taken away."""
    assert look.found is not None
    return Features(look.found.points[:3], look.found.descriptors[:3])


def test_strangers_and_other_sizes(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    noise = [np.repeat(rng.uniform(0.1, 0.5, (HIGH, WIDE, 1)), 3, axis=2) for _ in range(2)]
    first, second = (look_at((k, as_dng(tmp_path / f"{k}.dng", n)), None) for k, n in enumerate(noise))
    pair = compare(first, second)
    assert pair is not None and not pair.registered
    small = look_at((2, as_dng(tmp_path / "small.dng", noise[0][: HIGH // 2, : WIDE // 2])), None)
    assert compare(first, small) is None


def test_a_flight_with_a_gap_and_a_torn_photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names: list[str | None] = [f"{k:02d}.dng" for k in range(11)]
    for k, name in enumerate(names):
        as_dng(tmp_path / str(name), levels(k, 1.0 + 0.1 * (k % 3)))
    names[4] = None
    (tmp_path / "07.dng").write_bytes(b"torn")
    opened: list[str] = []
    original = look_module.open_photo
    monkeypatch.setattr(look_module, "open_photo", lambda path: (opened.append(path.name), original(path))[1])

    looks, pairs, told = measured(tmp_path, names)

    there = [k for k in range(11) if k != 4]
    assert [look.frame for look in looks] == there and told == len(there)
    assert sorted(opened) == [names[k] for k in there]  # each photo is opened once
    assert all(look.light is None and look.grey is None and look.found is None for look in looks)
    assert [look.frame for look in looks if look.trouble] == [7]

    usable = [k for k in there if k != 7]
    expected = {
        (usable[place - baseline], frame)
        for place, frame in enumerate(usable)
        for baseline in BASELINES
        if baseline <= place
    }
    assert {(p.i, p.j) for p in pairs} == expected and len(pairs) == len(expected)
    for pair in pairs:
        ratio = np.log2((1.0 + 0.1 * (pair.j % 3)) / (1.0 + 0.1 * (pair.i % 3)))
        assert pair.registered
        assert np.median(pair.blocks.ratio_ev[:, 1]) == pytest.approx(ratio, abs=0.003)


def test_the_number_of_workers_changes_nothing(tmp_path: Path) -> None:
    names: list[str | None] = [f"{k}.dng" for k in range(5)]
    for k, name in enumerate(names):
        as_dng(tmp_path / str(name), levels(k))
    (looks, pairs, _), (more_looks, more_pairs, _) = (measured(tmp_path, names, w) for w in (1, 3))
    assert [look.figures for look in looks] == [look.figures for look in more_looks]
    assert [(p.i, p.j) for p in pairs] == [(p.i, p.j) for p in more_pairs]
    for one, other in zip(pairs, more_pairs, strict=True):
        assert np.array_equal(one.matches.homography, other.matches.homography)
        assert np.array_equal(one.blocks.ratio_ev, other.blocks.ratio_ev)


@pytest.mark.parametrize("count", [1, 2])
def test_very_short_flights(tmp_path: Path, count: int) -> None:
    names: list[str | None] = [f"{k}.dng" for k in range(count)]
    for k, name in enumerate(names):
        as_dng(tmp_path / str(name), levels(k))
    looks, pairs, _ = measured(tmp_path, names)
    assert len(looks) == count and len(pairs) == count - 1
