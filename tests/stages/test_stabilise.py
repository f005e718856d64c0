"""The camera's turning, the steady path and the crop of synthetic flights of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.measure.far import FarTurn
from pipeline.measure.turning import focal_length, shown_frames, solve_motion
from pipeline.sequence import Sequence
from pipeline.settings import StabiliseSettings
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, stabilise
from tests.geometry.scene import FOCAL, camera_axes
from tests.stages.flights import sequence_of
from tests.stages.steady import (
    COUNT,
    EVERY,
    OUT_WIDTH,
    PERIOD,
    SETTINGS,
    SHAPE,
    Flight,
    flight,
    highpassed_px,
    least_margin_px,
    path_error_px,
    rotations,
    sequence,
    solved,
)


def told_attitudes(flown: Flight, rng: np.random.Generator) -> list[tuple[float, float, float] | None]:
    """Yaw, pitch and roll of the true orientations, off by 0.02 degrees RMS."""
    told: list[tuple[float, float, float] | None] = []
    for attitude in flown.orientations:
        forward, right, down = attitude[2], attitude[0], attitude[1]
        yaw = np.rad2deg(np.arctan2(forward[0], forward[1]))
        pitch = np.rad2deg(np.arcsin(forward[2]))
        roll = np.rad2deg(np.arctan2(-right[2], -down[2]))
        noise = rng.normal(0.0, 0.02, 3)
        told.append((float(yaw + noise[0]), float(pitch + noise[1]), float(roll + noise[2])))
    return told


SHORT = 20  # frames of a flight that only tells the orientation's error


# Bounds of the design, section 9: 0.25 px at 1080p of the high-passed orientation error, crop >= 0.85.
def test_orientation_error_of_a_waypoint_flight(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, out, result = waypoint
    assert path_error_px(flown, out, result, EVERY) <= 0.25
    assert out.crop_ratio >= 0.85
    assert least_margin_px(out) > 1.9
    assert out.focal_px == FOCAL


def test_figures_of_a_waypoint_flight(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, out, result = waypoint
    steps = Rotation.from_matrix(
        flown.orientations[1:] @ np.swapaxes(flown.orientations[:-1], 1, 2)
    ).as_rotvec()
    truth = highpassed_px(np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)]), out.crop_ratio)
    assert result.found["jitter_rms_px"] == pytest.approx(truth, rel=0.03)
    assert result.found["yaw_step_worst_deg"] == pytest.approx(3.0, abs=1.5)  # the shake is on top of it
    assert result.left["yaw_step_worst_deg"] < 0.3
    assert result.left["crop_ratio"] == out.crop_ratio
    assert {row["rests_on"] for row in result.frames} == {"features"}
    assert min(row["matches"] for row in result.frames) > 100
    assert result.applied["pairs_without_pose"] == 0
    assert result.applied["least_clearance_px"] >= 1.99
    assert result.warnings == []


def test_left_is_measured_and_near_the_truth(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, out, result = waypoint
    steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
    turns = Rotation.from_matrix(steady[1:] @ np.swapaxes(steady[:-1], 1, 2)).as_rotvec()
    truth = highpassed_px(np.concatenate([np.zeros((1, 3)), np.cumsum(turns, axis=0)]), out.crop_ratio)
    left = result.left["jitter_rms_px"]
    assert left is not None
    # a fifth of the matches has sqrt(5) of the noise of all
    assert truth < 1.0
    assert 0.5 * truth < left < truth + 0.5


def test_rows_tell_degrees_by_the_pilot_s_signs(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    _, out, result = waypoint
    assert len(result.frames) == COUNT
    for row, correction in zip(result.frames, out.rotation_rad, strict=True):
        assert row["correction_rad"] == pytest.approx(list(correction))
    yaw = np.array([row["yaw_deg"] for row in result.frames])
    pitch = np.array([row["pitch_deg"] for row in result.frames])
    # three degrees to the right about the vertical are cos(25) of it about the picture's own y axis
    assert np.mean(yaw[18:]) - np.mean(yaw[:12]) == pytest.approx(3.0 * np.cos(np.deg2rad(25.0)), abs=0.5)
    assert abs(np.mean(pitch[18:]) - np.mean(pitch[:12])) < 0.5


@pytest.mark.parametrize(("place_jitter_m", "seed"), [(0.0, 1), (0.7, 2)])
def test_orientation_error_of_straight_flights(place_jitter_m: float, seed: int) -> None:
    flown = flight(np.full(SHORT, 30.0), place_jitter_m=place_jitter_m, seed=seed)
    out, result = solved(flown)
    assert path_error_px(flown, out, result, list(range(SHORT))) <= 0.25
    assert out.crop_ratio >= 0.85 and least_margin_px(out) > 1.9


def test_a_still_drone_over_level_ground() -> None:
    flown = flight(np.full(SHORT, 30.0), speed_m=0.0, relief_m=0.0)
    out, result = solved(flown)
    assert result.applied["pairs_by_parallax"] == 0
    assert path_error_px(flown, out, result, list(range(SHORT))) <= 0.1


def test_an_orbit_of_360_degrees() -> None:
    yaw = np.linspace(0.0, 360.0, 41)
    flown = flight(yaw, place_jitter_m=0.3)
    out, result = solved(flown)
    assert path_error_px(flown, out, result, list(range(41))) <= 0.25
    steady = -np.deg2rad(
        [[row[f"steady_{axis}_deg"] for axis in ("pitch", "yaw", "roll")] for row in result.frames]
    )
    down = camera_axes(0.0, -25.0) @ np.array([0.0, 0.0, -1.0])
    assert -np.rad2deg((steady[-1] - steady[0]) @ down) == pytest.approx(360.0, abs=3.0)
    assert least_margin_px(out) > 1.9


def test_looking_straight_down_and_turning() -> None:
    flown = flight(np.linspace(0.0, 80.0, SHORT), pitch_deg=-90.0, place_jitter_m=0.3)
    out, result = solved(flown)
    assert path_error_px(flown, out, result, list(range(SHORT))) <= 0.25
    assert least_margin_px(out) > 1.9


# 1 % and 10 % of the height flown between photos; at 60 degrees down, without attitude, two poses fit alike.
# tests/bench/test_orientation.py has more flights, and longer ones.
@pytest.mark.parametrize(
    ("pitch_deg", "relief_m", "speed_m"),
    [
        (-45.0, 0.0, 7.0),
        (-60.0, 0.0, 0.7),
        (-60.0, 0.0, 7.0),
        (-90.0, 0.0, 0.7),
    ],
)
def test_fields_and_marsh(pitch_deg: float, relief_m: float, speed_m: float) -> None:
    """Level or nearly level ground, seen by a drone whose place jitters by 1 % of its height."""
    flown = flight(
        np.full(SHORT, 30.0), pitch_deg=pitch_deg, relief_m=relief_m, speed_m=speed_m, place_jitter_m=0.7
    )
    out, result = solved(flown)
    assert path_error_px(flown, out, result, list(range(SHORT))) <= 0.25


@pytest.mark.parametrize(
    "how",
    [
        {"course_deg": 90.0, "relief_m": 40.0, "yaw_step_deg": 3.0},  # round a tower
        {"relief_m": 0.0, "matches": 60, "wrong": 0.25},  # sea
    ],
)
def test_other_flights_at_one_percent_of_the_height(how: dict) -> None:
    yaw = 30.0 + how.get("yaw_step_deg", 0.0) * np.arange(SHORT)
    rest = {key: value for key, value in how.items() if key != "yaw_step_deg"}
    flown = flight(yaw, speed_m=0.7, place_jitter_m=0.7, seed=11, **rest)
    out, result = solved(flown)
    assert path_error_px(flown, out, result, list(range(SHORT))) <= 0.25
    assert out.crop_ratio >= 0.85 and least_margin_px(out) > 1.9


def test_missing_frames_show_the_nearest_photo() -> None:
    missing = (10, 11, 20)
    frames = sequence(missing=missing)
    assert shown_frames(frames)[9:13] == [9, 9, 12, 12]
    flown = flight(np.full(COUNT, 30.0), missing=missing)
    out, result = solved(flown, frames)
    there = [k for k in EVERY if k not in missing]
    assert out.rotation_rad.shape == (COUNT, 3)
    assert path_error_px(flown, out, result, there[:10]) <= 0.25  # the frames before the gap
    assert [row["rests_on"] for row in result.frames if row["frame"] in missing] == ["held"] * 3
    assert {row["rests_on"] for row in result.frames if row["frame"] in there} == {"features"}
    assert least_margin_px(out) > 1.9


def blind_flight(frames: Sequence, blind: tuple[int, ...]) -> tuple[Flight, Stabilised, StageResult]:
    flown = flight(np.full(COUNT, 30.0), blind=blind)
    return flown, *solved(flown, frames)


def test_a_frame_that_matches_nothing_rests_on_its_neighbours() -> None:
    _, out, result = blind_flight(sequence(), tuple(range(12)))
    states = [row["rests_on"] for row in result.frames]
    assert states[:12] == ["bridged"] * 12 and set(states[12:]) == {"features"}
    assert any("taken as not turning" in warning for warning in result.warnings)
    # bridged frames are taken as not turning: all of one orientation, so all with like corrections
    flown = np.array([[row["yaw_deg"], row["pitch_deg"], row["roll_deg"]] for row in result.frames])
    assert np.ptp(flown[:12], axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1e-3)
    assert least_margin_px(out) > 1.9


def test_a_lone_blind_frame_inside_a_flight_is_named() -> None:
    _, out, result = blind_flight(sequence(), (15,))
    assert least_margin_px(out) > 1.9
    assert [k for k in EVERY if result.frames[k]["rests_on"] != "features"] == [15]
    assert result.frames[15]["rests_on"] == "bridged"


def test_attitude_angles_fill_in() -> None:
    rng = np.random.default_rng(7)
    flown = flight(np.full(COUNT, 30.0), blind=tuple(range(12)))
    told = told_attitudes(flown, rng)
    frames = sequence(attitudes=told)
    out, result = solved(flown, frames)
    states = [row["rests_on"] for row in result.frames]
    assert states[:12] == ["attitude"] * 12 and set(states[12:]) == {"features"}
    assert any("attitude angles" in warning for warning in result.warnings)
    # 0.02 degrees of angle noise, sqrt(2) of it a step, at 1,300 px of focal length and more
    assert path_error_px(flown, out, result, list(range(12))) < 2.0


def test_where_nothing_matches_the_horizon_tells() -> None:
    """A bare horizon tells pitch and roll to a tenth of a px; the heading rests on the tags."""
    rng = np.random.default_rng(6)
    flown = flight(np.full(COUNT, 30.0), blind=tuple(EVERY))
    spread = np.diag([0.1, 2.0, 0.2]) / FOCAL
    pairs = []
    for pair in flown.pairs:
        true = flown.orientations[pair.j] @ flown.orientations[pair.i].T
        told = [Rotation.from_rotvec(spread @ rng.normal(size=3)) * Rotation.from_matrix(true) for _ in "uh"]
        far = tuple(FarTurn(turn.as_rotvec(), spread @ spread) for turn in told)
        pairs.append(replace(pair, far=far))
    frames = sequence(attitudes=told_attitudes(flown, rng))
    bare = Flight(flown.orientations, flown.pairs)
    seen = Flight(flown.orientations, pairs)
    errors = []
    for known, state in ((bare, "attitude"), (seen, "horizon")):
        out, result = solved(known, frames)
        assert {row["rests_on"] for row in result.frames} == {state}
        assert (result.left["jitter_rms_px"] is None) == (state == "attitude")
        errors.append(path_error_px(known, out, result, EVERY))
    assert errors[1] < 0.7 * errors[0] < 0.7


@pytest.mark.parametrize("count", [1, 2, 3])
def test_very_short_flights(count: int) -> None:
    flown = flight(np.full(count, 30.0))
    out, result = solved(flown)
    assert out.rotation_rad.shape == (count, 3) and np.isfinite(out.rotation_rad).all()
    assert 0.85 <= out.crop_ratio <= 1.0
    assert len(result.frames) == count
    if count < 3:
        assert np.array_equal(out.rotation_rad, np.zeros((count, 3)))


def test_no_pairs_at_all() -> None:
    out, result = stabilise(sequence(10), [], SETTINGS, SHAPE, OUT_WIDTH, PERIOD)
    assert np.max(np.abs(out.rotation_rad)) < 1e-6
    assert [row["rests_on"] for row in result.frames[1:]] == ["bridged"] * 9
    assert result.left["jitter_rms_px"] is None and "left.jitter_rms_px" in result.unmeasured


def test_without_room_to_crop() -> None:
    flown = flight(np.full(10, 30.0))
    out, _ = solved(flown, settings=StabiliseSettings(max_crop=0.0))
    assert np.array_equal(out.rotation_rad, np.zeros((10, 3)))
    assert out.crop_ratio == pytest.approx(1.0, abs=1e-9)


def test_focal_length_of_photos_that_do_not_tell_it() -> None:
    told = focal_length(sequence(), [])
    assert (told.px, told.told_by, told.tagged) == (FOCAL, "invented", True)
    untold = focal_length(sequence_of(3), [])
    # common practice, no source: 73 degrees across
    assert np.rad2deg(2 * np.arctan(800.0 / untold.px)) == pytest.approx(73.0)
    assert untold.told_by.startswith("assumed") and untold.sigma_pct is None


def test_a_pair_without_a_pose_is_counted_and_left_out() -> None:
    flown = flight(np.full(4, 30.0))
    motion = solve_motion(sequence(4), flown.pairs, [None] * len(flown.pairs))
    assert np.allclose(motion.orientations, np.eye(3), atol=1e-6)
    assert motion.matches == [0] * 4
