"""What the settings of stabilise do: strength, turns, horizon, lens, and the similarity for parallax."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.corrections import Corrections, FrameCorrection, LensDistortion
from pipeline.geometry.lens import Lens
from pipeline.measure.look import PairFigures
from pipeline.render.resample import check_inside, output_to_source
from pipeline.settings import StabiliseSettings
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, stabilise
from tests.geometry.scene import FOCAL, HEIGHT, WIDTH
from tests.stages.steady import (
    COUNT,
    OUT_WIDTH,
    PERIOD,
    SETTINGS,
    SHAPE,
    Flight,
    flight,
    least_margin_px,
    path_error_px,
    registration,
    rotations,
    sequence,
    solved,
)


def bent_pair(pair: PairFigures, lens: Lens) -> PairFigures:
    """The pair as seen through a lens."""
    matches = pair.matches
    here, there = (lens.bend(p.astype(float), WIDTH, HEIGHT) for p in (matches.points_i, matches.points_j))
    return PairFigures(pair.i, pair.j, registration(here, there), pair.blocks, pair.registered)


def test_a_lens_that_bends_is_told_and_straightened() -> None:
    told = LensDistortion(radial=(1.0, -0.06, 0.01, 0.0), told_by="invented")
    lens = Lens(told.radial)
    flown = flight(np.full(16, 30.0))
    bent = Flight(flown.orientations, [bent_pair(pair, lens) for pair in flown.pairs])
    frames = sequence(16)
    out, result = stabilise(frames, bent.pairs, SETTINGS, SHAPE, OUT_WIDTH, PERIOD, told)
    assert path_error_px(flown, out, result, list(range(16))) <= 0.25
    assert result.applied["lens"] == "invented"
    untold, _ = solved(bent)
    ignored = path_error_px(flown, untold, result, list(range(16)))
    assert ignored > 0.25  # seen: the lens matters
    # no point of the output's border leaves the photo, by the render's own map
    corrections = Corrections(
        id="t", kind="raw", card="c", width=WIDTH, height=HEIGHT, focal_px=FOCAL, shape=SHAPE,
        crop_ratio=out.crop_ratio, lens=told, frames=[],
    )  # fmt: skip
    for k, vector in enumerate(out.rotation_rad):
        frame = FrameCorrection(
            frame=k, file="f", shown=k, shown_file="f", time_s=0.0, rotation_rad=tuple(vector),
            similarity=None if out.similarity is None else tuple(out.similarity[k]),
        )  # fmt: skip
        homography = output_to_source(corrections, frame, (1920, 1080))
        check_inside(homography, (1920, 1080), WIDTH, HEIGHT, "frame", lens)


def test_parallax_jitter_goes_where_all_ground_shares_it() -> None:
    """A place that jitters by 1 % of the height over level ground, looking down; crop and border kept."""
    flown = flight(np.full(40, 30.0), pitch_deg=-90.0, relief_m=3.0, place_jitter_m=0.7)
    out, result = solved(flown)
    assert out.similarity is not None and result.applied["similarity"] is True
    assert result.found["parallax_jitter_px"] > 15.0
    assert result.left["parallax_jitter_px"] < 0.3 * result.found["parallax_jitter_px"]
    assert out.crop_ratio >= 0.85 and least_margin_px(out) > 1.9
    # what the orientation is known to does not change with it
    assert path_error_px(flown, out, result, list(range(40))) <= 0.25


def test_a_steady_place_is_left_alone() -> None:
    out, result = solved(flight(np.full(20, 30.0)))
    assert out.similarity is None
    assert result.left["parallax_jitter_px"] == result.found["parallax_jitter_px"]


def test_strength_is_the_share_of_the_shake_taken_out(
    waypoint: tuple[Flight, Stabilised, StageResult],
) -> None:
    flown, whole, _ = waypoint
    half, result = solved(flown, settings=StabiliseSettings(strength=0.5))
    assert half.crop_ratio > whole.crop_ratio
    assert least_margin_px(half) > 1.9
    left, found = result.left["jitter_rms_px"], result.found["jitter_rms_px"]
    assert left is not None and found is not None
    # found is told at the crop of each run
    assert left == pytest.approx(0.5 * found, rel=0.1)
    none, _ = solved(flown, settings=StabiliseSettings(strength=0.0))
    assert np.array_equal(none.rotation_rad, np.zeros((COUNT, 3)))


def heading_deg(out: Stabilised, flown: Flight) -> np.ndarray:
    steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
    return np.rad2deg(np.unwrap(np.arctan2(steady[:, 2, 0], steady[:, 2, 1])))


def test_a_turn_is_eased_or_kept(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, eased, result = waypoint
    (turn,) = result.applied["waypoints"]
    assert turn["frame"] == COUNT // 2
    assert turn["heading_change_deg"] == pytest.approx(3.0, abs=0.8)
    kept, _ = solved(flown, settings=StabiliseSettings(turns="keep"))
    assert np.max(np.abs(np.diff(heading_deg(eased, flown)))) < 0.3
    steps = np.diff(heading_deg(kept, flown))
    assert int(np.argmax(steps)) == COUNT // 2 - 1
    assert np.max(steps) == pytest.approx(3.0, abs=0.8)
    assert np.max(np.abs(np.delete(steps, COUNT // 2 - 1))) < 0.3
    assert least_margin_px(kept) > 1.9


def attitudes_of(flown: Flight, rng: np.random.Generator, off_deg: float) -> list:
    """Yaw, pitch and roll as the tags would tell them, each off at random."""
    told = []
    for attitude in flown.orientations:
        forward, right, down = attitude[2], attitude[0], attitude[1]
        yaw = np.rad2deg(np.arctan2(forward[0], forward[1]))
        pitch = np.rad2deg(np.arcsin(forward[2]))
        roll = np.rad2deg(np.arctan2(-right[2], -down[2]))
        told.append(tuple(float(v) for v in np.array([yaw, pitch, roll]) + rng.normal(0.0, off_deg, 3)))
    return told


def test_a_horizon_that_leans_is_levelled() -> None:
    flown = flight(np.full(20, 30.0))
    lean = Rotation.from_rotvec([0.0, 0.0, np.deg2rad(-2.0)]).as_matrix()
    flown = Flight(lean @ flown.orientations, flown.pairs)  # matches tell turns alone, not which way is up
    pairs = [turned_pair(pair, -2.0) for pair in flown.pairs]
    flown = Flight(flown.orientations, pairs)
    frames = sequence(20, attitudes=attitudes_of(flown, np.random.default_rng(0), 0.3))
    as_flown, _ = solved(flown, frames)
    level, result = solved(flown, frames, StabiliseSettings(level_horizon=True))

    def lean_deg(out: Stabilised) -> np.ndarray:
        steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
        down = steady @ np.array([0.0, 0.0, -1.0])
        return np.rad2deg(np.arctan2(down[:, 0], down[:, 1]))

    assert np.mean(lean_deg(as_flown)) == pytest.approx(2.0, abs=0.4)
    assert np.max(np.abs(lean_deg(level))) < 0.3
    assert result.found["horizon_tilt_deg"] == pytest.approx(2.1, abs=0.3)
    assert result.left["horizon_tilt_deg"] < 0.2
    assert level.crop_ratio >= 0.85 and least_margin_px(level) > 1.9


def turned_pair(pair: PairFigures, roll_deg: float) -> PairFigures:
    """The pair as a camera sees it that is rolled about its axis."""
    angle = np.deg2rad(roll_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = np.array([WIDTH - 1, HEIGHT - 1]) / 2.0
    here, there = ((p - centre) @ turn.T + centre for p in (pair.matches.points_i, pair.matches.points_j))
    return PairFigures(pair.i, pair.j, registration(here, there), pair.blocks, pair.registered)


def test_no_roll_no_level_horizon(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, _, result = waypoint
    assert result.found["horizon_tilt_deg"] is None and "found.horizon_tilt_deg" in result.unmeasured
    _, asked = solved(flown, settings=StabiliseSettings(level_horizon=True))
    assert any("horizon could not be held level" in warning for warning in asked.warnings)


def test_uncertainty_of_each_frame(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    _, _, result = waypoint
    sigmas = np.array([row["sigma_deg"] for row in result.frames])
    # a tenth of a px to a px at 1,081 px of focal length
    assert (sigmas > 5e-4).all() and (sigmas < 5e-2).all()
