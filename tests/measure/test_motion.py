"""Jitter and heading steps of known paths."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.pose import attitude
from pipeline.measure.motion import (
    angle_path,
    down_axis,
    horizon_tilt_deg,
    jitter_rms_px,
    waypoints,
    yaw_step_worst_deg,
)
from pipeline.sequence import Frame, Sequence

FOCAL = 1500.0
SIZE = (1920.0, 1080.0)
PERIOD = 60.0


def turned(vectors: np.ndarray) -> np.ndarray:
    return Rotation.from_rotvec(vectors).as_matrix()


def about(axis: int, angles_rad: np.ndarray) -> np.ndarray:
    vectors = np.zeros((len(angles_rad), 3))
    vectors[:, axis] = angles_rad
    return vectors


def shake(count: int = 400, rms_rad: float = 1e-3, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, rms_rad, count)


def everywhere(count: int) -> np.ndarray:
    return np.ones(count, bool)


def sequence(pitch_deg: list[float | None]) -> Sequence:
    frames = tuple(
        Frame(frame=k, state="photo", file=f"{k}.dng", time_s=2.0 * k, pitch_deg=pitch)
        for k, pitch in enumerate(pitch_deg)
    )
    return Sequence(
        id="s", kind="raw", camera="Testcam Heron", width=1600, height=1200, interval_s=2.0, frames=frames
    )


def test_angle_path_of_a_full_orbit() -> None:
    path = angle_path(turned(about(1, np.deg2rad(np.arange(0, 361, 5.0)))))
    assert path[0] == pytest.approx([0.0, 0.0, 0.0])
    assert path[-1] == pytest.approx([0.0, 2.0 * np.pi, 0.0])
    assert np.diff(path[:, 1]) == pytest.approx(np.full(72, np.deg2rad(5.0)))


def test_angle_path_does_not_know_the_world_s_axes() -> None:
    orientations = turned(np.random.default_rng(0).normal(0, 0.02, (30, 3)))
    world = turned(np.array([[0.4, -1.0, 2.0]]))[0]
    assert np.allclose(angle_path(orientations @ world), angle_path(orientations), atol=1e-12)


def test_one_frame_has_not_turned() -> None:
    assert np.array_equal(angle_path(np.eye(3)[None]), np.zeros((1, 3)))


@pytest.mark.parametrize("axis", [0, 1])
def test_white_shake_about_the_picture_s_axes(axis: int) -> None:
    jitter = jitter_rms_px(about(axis, shake()), everywhere(400), PERIOD, FOCAL, SIZE)
    # The smoother's transfer 1 / (1 + (f / f0)^4) averages pi / sqrt(2) / 60 = 0.037 over all frequencies,
    # and what is left of white noise is 2.3 % short in RMS.
    assert jitter == pytest.approx(FOCAL * np.std(shake()), rel=0.04)


def test_shake_about_the_optical_axis_counts_by_its_mean_over_the_picture() -> None:
    x, y = np.meshgrid(np.linspace(-960, 960, 401), np.linspace(-540, 540, 301))
    motion = np.sqrt(np.mean(x**2 + y**2))
    jitter = jitter_rms_px(about(2, shake()), everywhere(400), PERIOD, FOCAL, SIZE)
    assert jitter == pytest.approx(motion * np.std(shake()), rel=0.04)


def test_axes_add_up_in_power() -> None:
    vectors = np.stack([shake(seed=s) for s in range(3)], axis=1)
    parts = [jitter_rms_px(about(a, vectors[:, a]), everywhere(400), PERIOD, FOCAL, SIZE) for a in range(3)]
    total = jitter_rms_px(vectors, everywhere(400), PERIOD, FOCAL, SIZE)
    assert total == pytest.approx(np.sqrt(np.sum(np.square(parts))), rel=1e-6)


def test_jitter_is_in_px_of_the_output() -> None:
    angles = about(1, shake())
    once = jitter_rms_px(angles, everywhere(400), PERIOD, FOCAL, SIZE)
    assert jitter_rms_px(angles, everywhere(400), PERIOD, 2 * FOCAL, (3840.0, 2160.0)) == pytest.approx(
        2 * once
    )
    assert jitter_rms_px(2 * angles, everywhere(400), PERIOD, FOCAL, SIZE) == pytest.approx(2 * once)


def test_even_turning_is_no_jitter() -> None:
    turning = np.deg2rad(0.8) * np.arange(400)
    assert jitter_rms_px(about(1, turning), everywhere(400), PERIOD, FOCAL, SIZE) < 1e-3
    assert jitter_rms_px(about(1, turning + shake()), everywhere(400), PERIOD, FOCAL, SIZE) == pytest.approx(
        jitter_rms_px(about(1, shake()), everywhere(400), PERIOD, FOCAL, SIZE), rel=1e-3
    )


def test_absent_frames_do_not_count() -> None:
    angles = about(1, shake())
    there = everywhere(400)
    there[100:103] = False
    spoiled = angles.copy()
    spoiled[100:103] = 1.0
    clean = jitter_rms_px(angles, everywhere(400), PERIOD, FOCAL, SIZE)
    assert jitter_rms_px(spoiled, there, PERIOD, FOCAL, SIZE) == pytest.approx(clean, rel=0.02)


def test_a_short_sequence_still_has_jitter() -> None:
    # 40 frames are shorter than two periods of 60; a swing over all of them is a camera's path.
    swing = 0.05 * np.sin(np.pi * np.arange(40) / 40.0)
    jitter = jitter_rms_px(about(1, swing + shake(40)), everywhere(40), PERIOD, FOCAL, SIZE)
    assert jitter < 2.0 * FOCAL * 1e-3


@pytest.mark.parametrize(
    ("pitch_deg", "down"), [(0.0, (0, 1, 0)), (-90.0, (0, 0, 1)), (-30.0, (0, 0.866, 0.5))]
)
def test_down_in_camera_axes(pitch_deg: float, down: tuple[float, float, float]) -> None:
    assert down_axis(sequence([pitch_deg] * 3)) == pytest.approx(down, abs=1e-4)


def test_down_of_photos_that_tell_it_in_part_or_not_at_all() -> None:
    assert down_axis(sequence([None, None])) is None
    # one odd photo does not tilt the median
    assert down_axis(sequence([-90.0, None, -90.0, 0.0])) == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)


@pytest.mark.parametrize("pitch_deg", [0.0, -30.0, -90.0])
@pytest.mark.parametrize("step_deg", [3.0, -3.0])
def test_a_heading_step_is_told_whatever_the_pitch(pitch_deg: float, step_deg: float) -> None:
    down = down_axis(sequence([pitch_deg]))
    heading = 0.4 * np.arange(200.0)  # slow turning on the way
    heading[100:] += step_deg
    angles = np.deg2rad(-heading)[:, None] * down
    worst = yaw_step_worst_deg(angles, everywhere(200), down, PERIOD)
    assert worst == pytest.approx(3.0, abs=0.15)


def test_even_turning_has_no_step() -> None:
    down = np.array([0.0, 1.0, 0.0])
    orbit = np.deg2rad(2.0 * np.arange(181.0))[:, None] * down
    assert yaw_step_worst_deg(orbit, everywhere(181), down, PERIOD) < 1e-6


@pytest.mark.parametrize("count", [1, 2, 3])
def test_steps_of_short_sequences(count: int) -> None:
    down = np.array([0.0, 1.0, 0.0])
    angles = np.deg2rad(np.array([0.0, 2.0, 1.0])[:count])[:, None] * down
    expected = [0.0, 2.0, 2.0][count - 1]
    assert yaw_step_worst_deg(angles, everywhere(count), down, PERIOD) == pytest.approx(expected)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_without_attitude_a_step_about_any_axis_counts(axis: int) -> None:
    turn = 0.4 * np.arange(200.0)
    turn[100:] += 3.0
    worst = yaw_step_worst_deg(about(axis, np.deg2rad(turn)), everywhere(200), None, PERIOD)
    assert worst == pytest.approx(3.0, abs=0.15)


def test_a_turn_across_a_missing_photo_is_no_step() -> None:
    down = np.array([0.0, 1.0, 0.0])
    there = everywhere(100)
    there[40:43] = False
    heading = np.deg2rad(2.0 * np.arange(100.0))
    heading[40:43] = heading[39]  # held
    assert yaw_step_worst_deg(heading[:, None] * down, there, down, PERIOD) < 1e-6


def test_waypoints_of_a_shaking_flight() -> None:
    down = np.array([0.0, 1.0, 0.0])
    heading = np.zeros(120)
    heading[40:] += 3.0
    heading[80:] -= 4.0
    wobble = np.random.default_rng(0).normal(0.0, 0.5, 120)
    found = waypoints(np.deg2rad(-(heading + wobble))[:, None] * down, everywhere(120), down)
    assert [frame for frame, _ in found] == pytest.approx([40, 80], abs=1)
    assert [turn for _, turn in found] == pytest.approx([3.0, -4.0], abs=1.2)


def test_no_waypoints_on_a_straight_flight_or_an_orbit() -> None:
    down = np.array([0.0, 1.0, 0.0])
    wobble = np.random.default_rng(1).normal(0.0, 0.3, 120)
    for slope in (0.0, 3.0):
        heading = slope * np.arange(120.0) + wobble
        assert waypoints(np.deg2rad(-heading)[:, None] * down, everywhere(120), down) == []
    assert waypoints(np.zeros((5, 3)), everywhere(5), down) == []


@pytest.mark.parametrize("roll_deg", [2.0, -3.0])
def test_the_horizon_s_tilt_is_the_roll(roll_deg: float) -> None:
    cameras = np.stack([attitude(yaw, -20.0, roll_deg) for yaw in (0.0, 90.0, 200.0)])
    tilt = horizon_tilt_deg(cameras, np.array([0.0, 0.0, -1.0]))
    assert tilt == pytest.approx([roll_deg] * 3)
    straight_down = np.stack([attitude(yaw, -88.0, 0.0) for yaw in (0.0, 90.0)])
    assert horizon_tilt_deg(straight_down, np.array([0.0, 0.0, -1.0])) is None
