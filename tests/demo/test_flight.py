"""Courses, angles and the parts of the gain."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from pipeline.demo.flight import Exposure, fly, rotation_of
from tests.demo.made import calm


def test_rotation_of_level_north() -> None:
    # Looking north: right is east, down is down, forward is north.
    np.testing.assert_allclose(rotation_of(0, 0, 0), [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-15)


def test_rotation_signs() -> None:
    assert rotation_of(90, 0, 0)[2] == pytest.approx([1, 0, 0])  # yaw 90: forward is east
    assert rotation_of(0, -30, 0)[2][2] == pytest.approx(-0.5)  # pitch -30: forward dips
    assert rotation_of(0, 0, 10)[0][2] == pytest.approx(-np.sin(np.radians(10)))  # roll: the right dips
    turned = rotation_of(33, -21, 4)
    np.testing.assert_allclose(turned @ turned.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turned) == pytest.approx(1)


def test_straight_course() -> None:
    truths = fly(calm(frames=4, interval_s=2.0, speed_m_s=5.0, heading_deg=90.0))
    east = [t.position_m[0] for t in truths]
    np.testing.assert_allclose(np.diff(east), 10.0)
    np.testing.assert_allclose([t.position_m[1:] for t in truths], [[-40.0, 40.0]] * 4)


def test_orbit_comes_back_and_looks_at_its_centre() -> None:
    spec = calm(frames=37, turn_deg=360.0, look_deg=90.0, pitch_deg=0.0)
    truths = fly(spec)
    np.testing.assert_allclose(truths[0].position_m, truths[-1].position_m, atol=1e-9)
    centre = np.mean([t.position_m for t in truths[:-1]], axis=0)
    for truth in truths:
        to_centre = (centre - truth.position_m) / np.linalg.norm(centre - truth.position_m)
        assert truth.rotation[2] @ to_centre == pytest.approx(1, abs=1e-9)


def test_yaw_step() -> None:
    yaws = [t.yaw_deg for t in fly(calm(frames=6, heading_deg=20.0, yaw_steps=((3, 3.0),)))]
    np.testing.assert_allclose(yaws, [20, 20, 20, 23, 23, 23])


def test_exposure_step_with_nominal_tags() -> None:
    exposures = (
        Exposure(0, Fraction(1, 30), 1 / 32),
        Exposure(2, Fraction(1, 60), 1 / 64, iso=200),
    )
    before, after = fly(calm(frames=3, exposures=exposures))[1:]
    assert before.exif_ev == 0
    assert before.tag_error_ev == pytest.approx(np.log2(30 / 32))
    assert after.exif_ev == pytest.approx(0.0)  # half the time at twice the ISO
    assert after.tag_error_ev == pytest.approx(np.log2(60 / 64))
    assert after.gain_ev == pytest.approx(np.log2(60 / 64))


def test_disturbances_have_the_size_asked_for() -> None:
    spec = calm(frames=4000, shake_deg=0.5, jitter_m=0.7, flicker_ev=0.08, wander_mired=25.0, light_ev=0.3)
    truths = fly(spec)
    yaw = np.array([(t.yaw_deg + 180) % 360 - 180 for t in truths])
    # 4000 samples know an RMS to 1.1 % (one sigma).
    assert yaw.std() == pytest.approx(0.5, rel=0.05)
    assert np.std([t.position_m[2] for t in truths]) == pytest.approx(0.7, rel=0.05)
    assert np.std([t.flicker_ev for t in truths]) == pytest.approx(0.08, rel=0.05)
    wander = np.array([1e6 / t.as_shot_cct_k - 1e6 / t.cct_k for t in truths])
    assert np.abs(wander).max() <= 25 + 1e-9
    assert wander.std() > 8
    light = np.array([t.light_ev for t in truths])
    assert np.abs(light).max() <= 0.3
    assert np.abs(np.diff(light)).max() < 0.01


def test_outliers_and_drift() -> None:
    truths = fly(calm(frames=11, outlier_frames=(2, 7), outlier_ev=0.5, drift_mired=15.0))
    assert [round(t.flicker_ev, 6) for t in truths] == [0, 0, 0.5, 0, 0, 0, 0, -0.5, 0, 0, 0]
    mired = [1e6 / t.cct_k for t in truths]
    assert mired[-1] - mired[0] == pytest.approx(15)
    assert np.all(np.diff(mired) > 0)


def test_same_seed_same_flight() -> None:
    one, other, third = (fly(calm(shake_deg=0.5, seed=seed)) for seed in (3, 3, 4))
    np.testing.assert_array_equal(one[1].rotation, other[1].rotation)
    assert not np.array_equal(one[1].rotation, third[1].rotation)
