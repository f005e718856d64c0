"""Shadows of cloud, fading light and an uneven shutter in the demo's flights."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.demo.clouds import WIND_M_S, cloud_shade
from pipeline.demo.flight import fly
from pipeline.demo.photograph import camera_levels
from tests.demo.made import calm


def test_shadows_are_as_deep_as_asked_for_and_leave_the_sky() -> None:
    spec = calm(cloud_ev=1.5, pitch_deg=-10.0)
    shade = cloud_shade(spec, fly(spec)[0])
    assert shade.min() >= 2.0**-1.5 - 1e-6 and shade.max() <= 1.0
    assert np.array_equal(shade[0], np.ones(320))  # above the horizon
    down = calm(cloud_ev=1.5, pitch_deg=-80.0, height_m=2000.0)
    ground = cloud_shade(down, fly(down)[0])
    assert ground.min() == pytest.approx(2.0**-1.5, abs=0.01) and ground.max() == pytest.approx(1.0)


def test_shadows_drift_with_the_wind() -> None:
    spec = calm(cloud_ev=1.0, pitch_deg=-89.9, height_m=1500.0, interval_s=30.0, speed_m_s=0.0)
    first, second = (cloud_shade(spec, truth) for truth in fly(spec)[:2])
    per_px = 1500.0 / spec.focal_px
    right, up = (round(speed * 30.0 / per_px) for speed in WIND_M_S)
    moved = first[up:, : 320 - right]
    assert np.abs(second[: 240 - up, right:] - moved).mean() < 0.3 * np.abs(second - first).mean()


def test_an_uneven_shutter_tilts_the_picture_and_leaves_its_middle() -> None:
    spec = calm(uneven_ev=0.2, frames=50)
    truths = fly(spec)
    assert np.std([t.uneven_ev for t in truths]) == pytest.approx(0.2, rel=0.3)
    flat = np.ones((240, 320, 3), np.float32)
    levels = np.log2(camera_levels(flat, spec, truths[7])[:, 160, 1])
    assert levels[-1] - levels[0] == pytest.approx(truths[7].uneven_ev, abs=1e-5)
    assert levels.mean() == pytest.approx(np.log2(spec.sensor.exposure), abs=1e-5)


def test_dusk_fades_evenly() -> None:
    light = [t.light_ev for t in fly(calm(fade_ev=2.0, frames=41))]
    assert np.diff(light) == pytest.approx(np.full(40, -0.05), abs=1e-6)
