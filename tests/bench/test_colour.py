"""How well colour is measured and evened, on flights of known truth and on real photographs.

    pytest tests/bench/test_colour.py -s

prints measure, injected, found, left and bound (design, section 9), and writes contact sheets to the
folder `evenflight-bench` of the temporary files. The first run also writes the flights (124 photos of
800×600 each). What is left is told against truth: invented patches of ground through the demo's true
light, then through the neutrals and gains that were solved.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import rawpy
from numpy.typing import NDArray

from pipeline.colour.display import BT709_TO_XYZ, BT2020_TO_BT709, BT2020_TO_XYZ
from pipeline.colour.grade import apply_grade
from pipeline.colour.temperature import mired
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.demo.flight import FrameTruth
from pipeline.demo.sensor import camera_neutral, hot_glow
from pipeline.measure.highpass import fast_part
from pipeline.photo.faults import repair, with_black
from pipeline.photo.opening import open_photo
from pipeline.photo.raw import RawPhoto
from pipeline.render.compose import brighten, look_of, to_working_space
from pipeline.render.demosaic import linear_rgb
from pipeline.render.grades import load_grade
from pipeline.stages.balance import mired_duv
from tests.bench.colour_flights import (
    D50,
    D65,
    FLIGHTS,
    PERIOD_FRAMES,
    Solved,
    colour_flicker,
    demo_camera,
    flown,
    patches_of_jpeg,
    patches_of_raw,
    rms,
    solved,
)

Floats = NDArray[np.float64]
F32 = NDArray[np.float32]

SHEETS = Path(tempfile.gettempdir()) / "evenflight-bench"
SCALE = 0.2
RAW_BOUND, JPEG_BOUND, DRIFT_BOUND = 0.1, 0.5, 0.05


@dataclass(frozen=True)
class Row:
    """A line of the table."""

    flight: str
    measure: str
    injected: float | None
    found: float | None
    left: float
    bound: float | None = None

    def text(self) -> str:
        cells = (self.injected, self.found, self.left, self.bound)
        return f"{self.flight:28}{self.measure:44}" + "".join(
            f"{'' if value is None else f'{value:.4g}':>11}" for value in cells
        )


ROWS: list[Row] = []


@pytest.fixture(scope="module", autouse=True)
def table() -> Iterator[None]:
    yield
    print(f"\n{'flight':28}{'measure':44}{'injected':>11}{'found':>11}{'left':>11}{'bound':>11}")
    print("\n".join(row.text() for row in ROWS))


def note(*rows: Row) -> None:
    """Put rows into the table, then hold each against its bound."""
    ROWS.extend(rows)
    for row in rows:
        assert row.bound is None or row.left <= row.bound, row.text()


def neutrals_of(run: Solved) -> Floats:
    return np.array([frame.neutral for frame in run.corrections.frames])


def shown_small(run: Solved, frame: FrameCorrection, corrections: Corrections | None = None) -> F32:
    """A frame in linear BT.2020, a fifth of its width, by the render's own steps but for the warp."""
    photo = open_photo(run.card / frame.shown_file)
    told = corrections or run.corrections
    if isinstance(photo, RawPhoto):
        repair(photo, np.asarray(told.hot_photosites, np.uint32))
        photo = with_black(photo, frame.black_shift)
    linear = linear_rgb(photo, frame.neutral)
    small = cv2.resize(linear, None, fx=SCALE, fy=SCALE, interpolation=cv2.INTER_AREA)
    look = look_of(photo, frame, told)
    return to_working_space(brighten(np.asarray(small, np.float32), look), look)


def libraw_small(path: Path) -> F32:
    """The same size in linear BT.709 by LibRaw's defaults: its own neutral and brightness for each photo."""
    with rawpy.imread(io.BytesIO(path.read_bytes())) as raw:
        rgb = raw.postprocess(use_camera_wb=True, half_size=True, gamma=(1, 1), output_bps=16)
    linear = rgb.astype(np.float32) / 65535.0
    return np.asarray(cv2.resize(linear, None, fx=2 * SCALE, fy=2 * SCALE, interpolation=cv2.INTER_AREA))


def picture_flicker(means: Floats) -> float:
    """RMS CIEDE2000 of mean colours (n, 3), XYZ D65, from their own slow part, at one luminance."""
    return rms(colour_flicker(means[:, np.newaxis], D65))


def contact_sheet(name: str, rows: list[list[F32]]) -> None:
    """Write rows of linear BT.2020 pictures as one PNG."""
    grade = load_grade("plain")
    lines = [np.hstack([apply_grade(grade, picture.copy()) for picture in row]) for row in rows]
    SHEETS.mkdir(exist_ok=True)
    codes = (np.clip(np.vstack(lines), 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8)
    iio.imwrite(SHEETS / f"colour_{name}.png", codes)


def as_shot_of(truths: list[FrameTruth]) -> Floats:
    return np.array([truth.as_shot_neutral for truth in truths])


def test_wander_of_raw() -> None:
    truths, run = flown("wander")
    wander = fast_part(mired([t.as_shot_cct_k for t in truths]), PERIOD_FRAMES)
    before = rms(colour_flicker(patches_of_raw(truths, as_shot_of(truths)), D50))
    after = rms(colour_flicker(patches_of_raw(truths, neutrals_of(run)), D50))
    found = run.balance.found
    note(Row("wander", "ground, ΔE2000 RMS against truth", before, None, after, RAW_BOUND))
    held, mired_left = run.balance.left["ground_delta_e_rms"], run.balance.left["neutral_rms_mired"]
    assert held is not None and mired_left is not None
    assert found["neutral_rms_mired"] == pytest.approx(rms(wander), rel=0.05)
    note(Row("wander", "neutral, fast part, mired RMS", rms(wander), found["neutral_rms_mired"], mired_left))
    note(
        Row(
            "wander",
            "ground, ΔE2000 RMS on held-out blocks",
            None,
            found["ground_delta_e_rms"],
            held,
            RAW_BOUND,
        )
    )


def test_a_plain_libraw_render_beside() -> None:
    _, run = flown("wander")
    frames = run.corrections.frames
    ours = [shown_small(run, frame) for frame in frames]
    plain = [libraw_small(run.card / frame.shown_file) for frame in frames]
    before, after = (
        picture_flicker(
            np.array([picture.mean(axis=(0, 1), dtype=np.float64) for picture in pictures]) @ matrix.T
        )
        for pictures, matrix in ((plain, BT709_TO_XYZ), (ours, BT2020_TO_XYZ))
    )
    note(Row("wander", "whole picture, ΔE2000 RMS: LibRaw, ours", None, before, after))
    assert after < 0.25 * before
    to_2020 = np.linalg.inv(BT2020_TO_BT709).T.astype(np.float32)
    contact_sheet("wander", [[p @ to_2020 for p in plain[36:44]], ours[36:44]])


def test_wander_baked_into_jpegs() -> None:
    truths, run = flown("wander, JPEG")
    gains = np.array([frame.channel_gain_ev for frame in run.corrections.frames])
    before = rms(colour_flicker(patches_of_jpeg(truths, np.zeros_like(gains)), D65))
    after = rms(colour_flicker(patches_of_jpeg(truths, gains), D65))
    note(Row("wander, JPEG", "ground, ΔE2000 RMS against truth", before, None, after, JPEG_BOUND))
    found, held = run.balance.found["ground_delta_e_rms"], run.balance.left["ground_delta_e_rms"]
    assert held is not None
    note(Row("wander, JPEG", "ground, ΔE2000 RMS on held-out blocks", None, found, held, JPEG_BOUND))
    frames = run.corrections.frames
    plain = [f.model_copy(update={"channel_gain_ev": (0.0, 0.0, 0.0)}) for f in frames]
    contact_sheet(
        "jpeg", [[shown_small(run, f) for f in plain[60:68]], [shown_small(run, f) for f in frames[60:68]]]
    )


@pytest.mark.parametrize("mode", ["lock", "follow"])
@pytest.mark.parametrize("flight", ["drift", "drift from above", "drift in haze"])
def test_true_slow_drift(flight: str, mode: str) -> None:
    truths, run = flown(flight, mode)
    neutrals = neutrals_of(run)
    light = mired_duv(demo_camera(), np.array([camera_neutral(t.cct_k) for t in truths]))[:, 0]
    used = mired_duv(demo_camera(), neutrals)[:, 0]
    before = rms(colour_flicker(patches_of_raw(truths, as_shot_of(truths)), D50))
    after = rms(colour_flicker(patches_of_raw(truths, neutrals), D50))
    note(Row(f"{flight}, {mode}", "ground, ΔE2000 RMS against truth", before, None, after, RAW_BOUND))
    told = run.balance.applied["scene_drift_mired"]
    assert isinstance(told, float)
    true = float(np.ptp(light))
    note(Row(f"{flight}, {mode}", "light's drift, mired: true, told, error", true, told, abs(told - true)))
    if mode == "lock":
        assert np.ptp(used) == 0.0
        return
    slope = float(np.polyfit(light, used, 1)[0])
    ends = abs(float(np.ptp(used) / np.ptp(light)) - 1.0)
    frames = [run.corrections.frames[k] for k in range(0, len(truths), 16)]
    contact_sheet(flight, [[shown_small(run, frame) for frame in frames]])
    note(
        Row(f"{flight}, follow", "drift not kept: |range ratio - 1|", 1.0, None, ends, DRIFT_BOUND),
        Row(f"{flight}, follow", "drift not kept: |slope - 1|", 1.0, slope, abs(slope - 1.0), DRIFT_BOUND),
    )


def test_uncertainties_are_those_of_the_light() -> None:
    """The fast error of the light's colour, which truth knows is nothing, over what was told for it."""
    truths, run = flown("drift")
    rows = [row.model_extra or {} for row in run.balance.frames]
    light = fast_part(np.array([row["light_mired"] for row in rows], float), PERIOD_FRAMES)
    true = fast_part(mired([t.cct_k for t in truths]), PERIOD_FRAMES)
    told = float(np.median([float(row["uncertainty_mired"]) for row in rows]))  # type: ignore[arg-type]
    note(Row("drift", "light's colour, mired: told uncertainty, error", None, told, rms(light - true)))
    assert 0.2 < rms(light - true) / told < 5.0


def test_night_with_hot_photosites_and_a_drifting_black() -> None:
    truths, run = flown("night")
    spec = FLIGHTS["night"]
    shape = (spec.size[1], spec.size[0])
    places, glow = hot_glow(spec.sensor, shape)
    bright = places[glow > 0.1]
    found = np.array(run.corrections.hot_photosites)
    missed = 1.0 - float(np.isin(bright, found).mean())
    note(Row("night", "hot photosites over 0.1 missed, share", 1.0, 1.0 - missed, missed, 0.02))
    false = float(np.mean(~np.isin(found, places))) if len(found) else 0.0
    note(Row("night", "found that are none, share", 0.0, false, false, 0.02))

    drift = [float(np.random.default_rng([spec.seed, 5, t.frame]).normal()) for t in truths]
    true_black = spec.sensor.black + spec.sensor.black_drift * np.array(drift)
    used, residue, glowing = [], [], []
    for frame in run.corrections.frames:
        photo = open_photo(run.card / frame.shown_file)
        assert isinstance(photo, RawPhoto)
        used.append(float(with_black(photo, frame.black_shift).black.mean()))
        if frame.frame % 20 == 0:
            around = [photo.mosaic.astype(float)]
            repair(photo, np.asarray(found, np.uint32))
            around.append(photo.mosaic.astype(float))
            for seen, kept in zip(around, (glowing, residue), strict=True):
                median = cv2.medianBlur(seen.astype(np.float32), 5).reshape(-1)
                kept.append(rms((seen.reshape(-1) - median)[bright]) / (photo.white - 512.0))
    note(
        Row(
            "night",
            "hot photosites, level RMS above surroundings",
            float(np.mean(glowing)),
            None,
            float(np.mean(residue)),
            0.03,
        )
    )
    note(
        Row(
            "night", "black, counts RMS", rms(true_black - 512.0), None, rms(np.array(used) - true_black), 1.0
        )
    )
    no_worse(truths, run, "night")
    picked = run.corrections.frames[40:44]
    bare = run.corrections.model_copy(update={"hot_photosites": []})
    crops = [[whole(run, f, told)[200:360, 300:500] for f in picked] for told in (bare, run.corrections)]
    contact_sheet("night", crops)


def whole(run: Solved, frame: FrameCorrection, told: Corrections) -> F32:
    """A frame in linear BT.2020 at full size, four EV brighter so that the night can be seen."""
    photo = open_photo(run.card / frame.shown_file)
    assert isinstance(photo, RawPhoto)
    repair(photo, np.asarray(told.hot_photosites, np.uint32))
    look = look_of(photo, frame, told)
    linear = linear_rgb(with_black(photo, frame.black_shift), frame.neutral)
    return np.asarray(to_working_space(brighten(linear * np.float32(16.0), look), look))


def no_worse(truths: list[FrameTruth], run: Solved, name: str) -> None:
    """Flicker and colour after solving are no worse than if nothing were done."""
    true = np.array([t.flicker_ev + t.light_ev for t in truths])
    gain = np.array([frame.gain_ev for frame in run.corrections.frames])
    before, after = (rms(fast_part(values, PERIOD_FRAMES)) for values in (true, true + gain))
    note(
        Row(
            name,
            "flicker, EV RMS against truth",
            before,
            run.deflicker.found["flicker_rms_ev"],
            after,
            before,
        )
    )
    as_shot = rms(colour_flicker(patches_of_raw(truths, as_shot_of(truths)), D50))
    left = rms(colour_flicker(patches_of_raw(truths, neutrals_of(run)), D50))
    note(Row(name, "ground, ΔE2000 RMS against truth", as_shot, None, left, min(as_shot, RAW_BOUND)))


def test_where_noise_dominates_it_is_no_worse_than_doing_nothing() -> None:
    truths, run = flown("dark")
    no_worse(truths, run, "dark")


def test_a_clipped_sky_does_not_flicker() -> None:
    truths, run = flown("clipped sky")
    grade = load_grade("plain")
    codes, shares = [], []
    for frame in run.corrections.frames:
        photo = open_photo(run.card / frame.shown_file)
        assert isinstance(photo, RawPhoto)
        full = (photo.mosaic >= photo.white).astype(np.float32)
        share = cv2.resize(full, None, fx=SCALE, fy=SCALE, interpolation=cv2.INTER_AREA)
        code = apply_grade(grade, shown_small(run, frame)) * 255.0
        sky = share >= 1.0
        shares.append(float(sky.mean()))
        codes.append(code[sky].mean(axis=0) if sky.any() else np.full(3, np.nan))
    seen = np.array(codes)
    spread = float(np.nanmax(seen) - np.nanmin(seen))
    injected = float(np.ptp([t.flicker_ev for t in truths]))
    assert np.isfinite(seen).all(axis=1).mean() > 0.8 and np.median(shares) > 0.02
    note(Row("clipped sky", "clipped sky, codes of 255, largest spread", injected, None, spread, 1.0))
    as_shot = rms(colour_flicker(patches_of_raw(truths, as_shot_of(truths)), D50))
    left = rms(colour_flicker(patches_of_raw(truths, neutrals_of(run)), D50))
    note(Row("clipped sky", "ground, ΔE2000 RMS against truth", as_shot, None, left, RAW_BOUND))
    frames = run.corrections.frames[28:36]
    flat = [f.model_copy(update={"gain_ev": 0.0}) for f in frames]
    plain = run.corrections.model_copy(update={"white": 1.0})
    contact_sheet(
        "clipped_sky", [[shown_small(run, f, plain) for f in flat], [shown_small(run, f) for f in frames]]
    )


def test_real_photographs(data_dir: Path) -> None:
    """aerial_steady: JPEGs; the plain render is the photos as they are (LibRaw has no part in JPEGs)."""
    run = solved(data_dir / "aerial_steady")
    for key in ("neutral_rms_mired", "ground_delta_e_rms", "ground_delta_e_worst", "neutral_drift_mired"):
        left = run.balance.left[key]
        assert left is not None
        note(Row("aerial_steady", f"{key}, held-out blocks", None, run.balance.found[key], left))
    frames = run.corrections.frames
    ours = [shown_small(run, frame) for frame in frames]
    bare = [f.model_copy(update={"gain_ev": 0.0, "channel_gain_ev": (0.0, 0.0, 0.0)}) for f in frames]
    plain = [shown_small(run, f, run.corrections.model_copy(update={"white": 1.0})) for f in bare]
    before, after = (
        picture_flicker(np.array([p.mean(axis=(0, 1), dtype=np.float64) for p in shown]) @ BT2020_TO_XYZ.T)
        for shown in (plain, ours)
    )
    note(Row("aerial_steady", "whole picture, ΔE2000 RMS: photos, ours", None, before, after))
    contact_sheet("aerial_steady", [plain[::4], ours[::4]])
