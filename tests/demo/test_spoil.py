"""What spoils a picture does so by as much as was asked for."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.demo.flight import FlightSpec, fly
from pipeline.demo.spoil import Spoiled, spoil
from pipeline.demo.world import HAZE
from tests.demo.made import calm

SCENE = np.random.default_rng(1).uniform(0.0, 0.5, (120, 160, 3)).astype(np.float32)


def test_nothing_is_spoiled_unless_asked_for() -> None:
    assert np.array_equal(spoil(SCENE, Spoiled(), 3, 1), SCENE)


def test_a_veil_replaces_its_share_of_the_light() -> None:
    veiled = spoil(SCENE, Spoiled(veil=0.25), 0, 1)
    assert veiled == pytest.approx(0.75 * SCENE + 0.25 * np.array(HAZE, np.float32), abs=1e-6)


def test_a_soft_lens_lowers_contrast_in_its_frames_alone() -> None:
    soft = Spoiled(soft_px=2.0, soft_frames=(4,))
    assert spoil(SCENE, soft, 4, 1).std() < 0.3 * SCENE.std()
    assert np.array_equal(spoil(SCENE, soft, 5, 1), SCENE)


def test_a_spot_stands_where_it_was_put() -> None:
    share = 1 - spoil(SCENE, Spoiled(spot=(0.25, 0.5, 0.05, 0.4)), 0, 1)[..., 1] / SCENE[..., 1]
    row, column = np.unravel_index(np.argmax(share), share.shape)
    assert (column, row) == (40, 80)
    assert share.max() == pytest.approx(0.4, abs=0.01)


def test_a_propeller_darkens_a_band_at_the_top() -> None:
    shaded = spoil(SCENE, Spoiled(propeller_frames=(2,)), 2, 1) / np.maximum(SCENE, 1e-6)
    rows = shaded.mean(axis=(1, 2))
    assert rows[:30].min() < 0.75
    assert rows[40:] == pytest.approx(1.0, abs=1e-3)


def test_light_below_a_level_is_cut_off() -> None:
    dark = spoil(SCENE, Spoiled(cut_off=0.1), 0, 1)
    assert np.mean(dark == 0.0) == pytest.approx(0.2, abs=0.01)
    assert dark.max() == pytest.approx(0.4, abs=0.001)


def test_speed_and_angles_change_from_their_frame_on() -> None:
    spec = calm(
        frames=9, speed_changes=((3, 0.5), (6, 3.0)), pitch_steps=((4, 2.0),), roll_deg=1.5, speed_m_s=4.0
    )
    truths = fly(spec)
    steps = np.linalg.norm(np.diff([t.position_m for t in truths], axis=0), axis=1) / spec.interval_s
    assert steps == pytest.approx([4.0] * 3 + [2.0] * 3 + [6.0] * 2, abs=1e-6)
    assert np.diff([t.pitch_deg for t in truths]) == pytest.approx([0, 0, 0, 2, 0, 0, 0, 0])
    assert [t.roll_deg for t in truths] == pytest.approx([1.5] * 9)
    assert np.linalg.norm(truths[7].velocity_m_s) == pytest.approx(6.0)


def test_a_flight_is_unspoiled_by_default() -> None:
    assert FlightSpec().spoiled == Spoiled()
