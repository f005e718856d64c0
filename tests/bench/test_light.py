"""How well flicker is measured and evened, on flights of known truth and on real photographs.

    pytest tests/bench/test_light.py -s

prints measure, injected, found, left and bound (design, section 9), and draws the curves of each flight to
the folder `evenflight-bench` of the temporary files. The first run also writes the flights. What is left is
told against truth: the fast part of true exposure plus applied gain, less the light that is kept. Two
others are measured in the same run: LibRaw's own rendering, which corrects nothing, and the usual
hand-written cure, a gain towards the moving mean of the picture's level.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
import rawpy
from numpy.typing import NDArray

from pipeline.card.scan import scan_card
from pipeline.colour.display import srgb_camera
from pipeline.demo.flight import FrameTruth, fly
from pipeline.measure.grid import COLUMNS, ROWS, Parts
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.measure.levels import Levels
from pipeline.measure.lighting import Ground, solve_lighting
from pipeline.measure.look import Look, PairFigures, look_and_compare
from pipeline.measure.proxy import make_proxy
from pipeline.measure.video import clip_figures, frames_of, trace_clip
from pipeline.parallel import default_workers, local_executor
from pipeline.photo.opening import open_photo
from pipeline.run.commands import run_card
from pipeline.sequence import Sequence
from pipeline.settings import DeflickerSettings, LoadSettings, configs_dir, load_settings
from pipeline.stages.balance import usual_neutral
from pipeline.stages.deflicker import CHANNEL_SHARE, Deflickered, deflicker
from pipeline.stages.result import StageResult
from tests.bench.flights import written_flight
from tests.bench.light_flights import BOUND_EXCEPT, FLIGHTS
from tests.watching import Quiet

Floats = NDArray[np.float64]

FPS, PERIOD = 30.0, 60.0
FLICKER_BOUND, VIDEO_BOUND, SLOW_BOUND, STEP_BOUND = 0.004, 0.006, 0.02, 0.01
CURVES = Path(tempfile.gettempdir()) / "evenflight-bench"
_TABLE: list[str] = []


@dataclass(frozen=True)
class Solved:
    """A flight solved, beside its truth where that is known."""

    card: Path
    sequence: Sequence
    light: Levels
    parts: Parts
    even: Deflickered
    result: StageResult
    truth: list[FrameTruth]

    @property
    def true_ev(self) -> Floats:
        return np.array([t.gain_ev for t in self.truth])

    @property
    def scene_ev(self) -> Floats:
        """Light and injected flicker: what the tags do not tell."""
        return np.array([t.light_ev + t.flicker_ev for t in self.truth])


def row(
    flight: str, measure: str, injected: float | None, found: float | None, left: float, bound: float | None
) -> None:
    cells = (injected, found, left, bound)
    numbers = "".join(f"{'' if value is None else f'{value:.4f}':>10}" for value in cells)
    _TABLE.append(f"{flight:18}{measure:46}{numbers}")


@pytest.fixture(scope="module", autouse=True)
def table() -> Iterator[None]:
    yield
    head = "".join(f"{name:>10}" for name in ("injected", "found", "left", "bound"))
    print("\n\n" + f"{'flight':18}{'measure':46}{head}\n" + "\n".join(_TABLE) + f"\ncurves: {CURVES}")


def rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


def fast_rms(values: Floats) -> float:
    return rms(fast_part(values, PERIOD))


def solve_card(card: Path, truth: list[FrameTruth]) -> Solved:
    """Measure and solve the one sequence of a card, as a job does."""
    (sequence,) = scan_card(card, LoadSettings()).sequences
    workers = default_workers()
    looks: list[Look] = []
    pairs: list[PairFigures] = []
    with local_executor(workers) as executor:
        for seen in look_and_compare(sequence, card, None, executor, workers, lambda count: None):
            if isinstance(seen, Look):
                looks.append(seen)
            elif seen is not None:
                pairs.append(seen)
    figures = [look.figures for look in looks if look.figures is not None]
    count, aspect = len(sequence.frames), figures[0].width / figures[0].height
    colour = next((look.colour for look in looks if look.colour is not None), None)
    medians = {f.frame: f.median for f in figures}
    red, green, blue = (float(value) for value in np.median(list(medians.values()), axis=0))
    ground = Ground(colour or srgb_camera(), usual_neutral(sequence, colour), (red, green, blue))
    solved = solve_lighting(count, pairs, medians, ground, aspect, PERIOD)
    light, held_out, parts = solved.light, solved.held_out, solved.parts
    even, result = deflicker(sequence, light, held_out, DeflickerSettings(), FPS, parts)
    return Solved(card, sequence, light, parts, even, result, truth)


@cache
def flight(name: str) -> Solved:
    spec = FLIGHTS[name]
    return solve_card(written_flight(spec) / "card", fly(spec))


def moving_mean_gain(levels: Floats, half: int = 15) -> Floats:
    """Gain (n,) towards the mean of the picture's level over a second of video about each frame."""
    about = [levels[max(at - half, 0) : at + half + 1] for at in range(len(levels))]
    return np.array([near.mean() for near in about]) - levels


def picture_levels(solved: Solved) -> Floats:
    """Log level (n,) of the whole picture, as a simple deflicker measures it."""
    photos = (open_photo(solved.card / str(f.file)) for f in solved.sequence.frames)
    return np.array([np.log2(float(make_proxy(photo).rgb.mean())) for photo in photos])


def libraw_gain(solved: Solved, automatic: bool) -> Floats:
    """How far (n,) LibRaw brightens each frame between the photosites and its own linear rendering."""
    gains = []
    for frame in solved.sequence.frames:
        path = solved.card / str(frame.file)
        own = make_proxy(open_photo(path)).rgb[..., 1]
        with rawpy.imread(str(path)) as raw:
            shown = raw.postprocess(
                half_size=True,
                output_bps=16,
                gamma=(1, 1),
                user_wb=[2, 1, 2, 1],
                no_auto_bright=not automatic,
            )
        green = cv2.resize(shown[..., 1] / np.float32(65535), own.shape[::-1], interpolation=cv2.INTER_AREA)
        usable = (green > 0.01) & (green < 0.9) & (own > 0.005) & (own < 0.9)
        gains.append(float(np.median(np.log2(green[usable] / own[usable]))) if usable.any() else np.nan)
    return np.array(gains)


@pytest.mark.parametrize("name", FLIGHTS)
def test_flicker_of_known_flights(name: str) -> None:
    solved = flight(name)
    truth, gain, scene = solved.true_ev, solved.even.gain_ev, solved.scene_ev
    error = solved.light.level_ev @ CHANNEL_SHARE - truth
    injected, left = fast_rms(scene), fast_rms(error)
    found = float(solved.result.found["flicker_rms_ev"] or 0.0)
    kept = slow_part(scene, PERIOD)
    off = truth + gain - kept
    slow = rms(off - np.mean(off)) / float(np.std(kept))
    bound = name not in BOUND_EXCEPT
    row(name, "flicker, EV RMS", injected, found, left, FLICKER_BOUND if bound else None)
    row(name, "kept light off its own, share", None, None, slow, SLOW_BOUND if bound else None)
    sigma = rms(solved.light.sigma_ev)
    row(name, "stated uncertainty of a level, EV", None, None, sigma, None)
    mean = truth + moving_mean_gain(picture_levels(solved))
    row(name, "  by a moving mean of picture level", injected, None, fast_rms(mean), None)
    draw_curves(name, truth, truth + gain, solved)
    assert found == pytest.approx(injected, rel=0.02 if bound else 0.1)
    if bound:
        assert left <= FLICKER_BOUND
        assert slow <= SLOW_BOUND
        # an error is mostly within twice what is stated, and a statement not absurdly wide
        ratio = rms(fast_part(error, PERIOD) / solved.light.sigma_ev)
        assert 0.2 < ratio < 2.0 or name == "uneven shutter"


def test_exif_steps_are_gone() -> None:
    solved = flight("EXIF steps")
    after = solved.true_ev + solved.even.gain_ev - slow_part(solved.scene_ev, PERIOD)
    steps = np.array([t.exif_ev + t.tag_error_ev for t in solved.truth])
    worst = 0.0
    for at in np.flatnonzero(np.abs(np.diff(steps)) > 0.3) + 1:
        size = steps[at] - steps[at - 1]
        worst = max(worst, abs(float(np.mean(after[at : at + 10]) - np.mean(after[at - 10 : at])) / size))
    row("EXIF steps", "step left, share of it", 1.0, None, worst, STEP_BOUND)
    assert worst <= STEP_BOUND


def test_an_uneven_shutter_is_evened_and_no_other_flight_touched() -> None:
    solved = flight("uneven shutter")
    down = np.linspace(-0.5, 0.5, ROWS)[None, :, None] * np.ones((1, 1, COLUMNS))
    true = np.array([t.uneven_ev for t in solved.truth])[:, None, None] * down
    flat = true.reshape(len(true), -1)
    fast = np.stack([fast_part(node, PERIOD) for node in flat.T], axis=1).reshape(true.shape)
    error = solved.parts.applied_ev - fast
    found = float(solved.result.found["uneven_rms_ev"] or 0.0)
    row("uneven shutter", "across the picture, EV RMS", rms(fast), found, rms(error), 0.25 * rms(fast))
    assert found == pytest.approx(rms(fast), rel=0.1)
    assert rms(error) < 0.25 * rms(fast)
    for name in FLIGHTS:
        if name not in ("uneven shutter", *BOUND_EXCEPT):
            assert not flight(name).parts.applied_ev.any(), name


def test_libraw_corrects_nothing_and_its_default_takes_the_light() -> None:
    solved = flight("calm day")
    plain = fast_rms(solved.true_ev + libraw_gain(solved, automatic=False))
    row("calm day", "  by a plain LibRaw render", fast_rms(solved.scene_ev), None, plain, None)
    automatic = solved.true_ev + libraw_gain(solved, automatic=True)
    row(
        "calm day",
        "  by LibRaw's automatic brightness",
        fast_rms(solved.scene_ev),
        None,
        fast_rms(automatic),
        None,
    )
    assert fast_rms(solved.light.level_ev @ CHANNEL_SHARE - solved.true_ev) < 0.1 * plain


def test_a_lossless_delivery(tmp_path: Path) -> None:
    spec = replace(FLIGHTS["calm day"], frames=60, outlier_frames=(20, 41))
    card = written_flight(spec) / "card"
    own = (configs_dir() / "deliveries" / "archive-ffv1.toml").read_text(encoding="utf-8")
    small = tmp_path / "small.toml"  # the photos of 800×600 give no more
    small.write_text(own.replace("width = 1920", "width = 640").replace("height = 1080", "height = 360"))
    configured = load_settings(None, [f"encode.delivery={small}"])
    (outcome,) = run_card(card, tmp_path / "out", configured, sequence=None, progress=Quiet())
    clip = clip_figures(trace_clip(frames_of(outcome.videos[0])), FPS, 1920)
    injected = fast_rms(np.array([t.gain_ev for t in fly(spec)]))
    assert clip.flicker_rms_ev is not None
    row(
        "calm day, 60",
        "flicker of the lossless video, EV RMS",
        injected,
        None,
        clip.flicker_rms_ev,
        VIDEO_BOUND,
    )
    assert clip.flicker_rms_ev <= VIDEO_BOUND


def test_real_photographs(data_dir: Path) -> None:
    solved = solve_card(data_dir / "aerial_steady", [])
    found, left = (float(part["flicker_rms_ev"] or 0.0) for part in (solved.result.found, solved.result.left))
    row("aerial_steady", "flicker (left: on blocks held out), EV RMS", None, found, left, FLICKER_BOUND)
    mean = solved.light.level_ev @ CHANNEL_SHARE + moving_mean_gain(picture_levels(solved))
    row("aerial_steady", "  by a moving mean of picture level", None, found, fast_rms(mean), None)
    uneven = float(solved.result.found["uneven_rms_ev"] or 0.0)
    frames = float(solved.result.applied["uneven_frames"])
    row("aerial_steady", "across the picture, EV RMS (left: frames evened)", None, uneven, frames, None)
    assert left <= FLICKER_BOUND


def draw_curves(name: str, before: Floats, after: Floats, solved: Solved) -> None:
    """Draw exposure before (red), after (green) and the light that is kept (black), frame by frame."""
    width, height = 1200, 400
    picture = np.full((height, width, 3), 255, np.uint8)
    kept = slow_part(solved.scene_ev, PERIOD)
    low, high = float(min(before.min(), kept.min())) - 0.1, float(max(before.max(), kept.max())) + 0.1
    across = np.linspace(20, width - 20, len(before))
    level = after - np.mean(after) + np.mean(kept)
    for values, colour, thick in (
        (before, (220, 60, 60), 1),
        (kept, (0, 0, 0), 3),
        (level, (40, 200, 60), 1),
    ):
        down = height - 20 - (values - low) / (high - low) * (height - 40)
        line = np.stack([across, down], axis=1).round().astype(np.int32)[:, None]
        cv2.polylines(picture, [line], False, colour, thick, cv2.LINE_AA)
    CURVES.mkdir(exist_ok=True)
    iio.imwrite(CURVES / f"light {name}.png", picture)
