"""Ground speed from matches of known flights over a plane with things standing on it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.geometry.camera import intrinsics
from pipeline.measure.look import PairFigures
from pipeline.measure.pairs import BASELINES, Registration
from pipeline.measure.speed import (
    View,
    evened_places,
    ground_motion,
    ground_normal,
    ground_speed,
    speed_uneven_pct,
)
from tests.measure.synthetic_pairs import light_pair

Floats = NDArray[np.float64]

SIZE, FOCAL = (1600, 1200), 1120.0
HEIGHT_M = 70.0
CAMERA = intrinsics(FOCAL, *SIZE)


def looking(pitch_deg: float, shake: Floats) -> Floats:
    """World (x right, y ahead, z up) to camera, pitched down and shaken (n, 3, 3)."""
    level = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    pitched = Rotation.from_rotvec([np.deg2rad(-pitch_deg), 0.0, 0.0]).as_matrix() @ level
    return np.asarray(Rotation.from_rotvec(shake).as_matrix() @ pitched)


def project(points: Floats, orientation: Floats, place: Floats) -> Floats:
    seen = (points - place) @ orientation.T @ CAMERA.T
    return np.asarray(seen[:, :2] / seen[:, 2:])


def pairs_of(
    orientations: Floats,
    places: Floats,
    absent: tuple[int, ...] = (),
    noise_px: float = 0.3,
    tall: float = 0.15,
) -> list[PairFigures]:
    """Matches of all pairs: 300 ground points each, a share of them on things up to 15 m high."""
    rng = np.random.default_rng(4)
    there = [k for k in range(len(places)) if k not in absent]
    found = []
    for at, j in enumerate(there):
        for baseline in BASELINES:
            if baseline > at:
                continue
            i = there[at - baseline]
            ground = rng.uniform([-200.0, -60.0, 0.0], [200.0, 400.0, 0.0], (6000, 3))
            ground[:, 1] += places[i][1]
            high = rng.random(len(ground)) < tall
            ground[high, 2] = rng.uniform(2.0, 15.0, int(high.sum()))
            ahead = ((ground - places[i]) @ orientations[i].T)[:, 2] > 5.0
            ground, high = ground[ahead], high[ahead]
            a, b = project(ground, orientations[i], places[i]), project(ground, orientations[j], places[j])
            inside = ((a > 0) & (a < SIZE) & (b > 0) & (b < SIZE)).all(axis=1)
            a, b, high = a[inside][:300], b[inside][:300], high[inside][:300]
            turn = orientations[j] @ orientations[i].T
            way = orientations[j] @ (places[i] - places[j])
            normal = orientations[i] @ np.array([0.0, 0.0, -1.0])
            plane = CAMERA @ (turn + np.outer(way, normal) / places[i][2]) @ np.linalg.inv(CAMERA)
            a, b = (x + rng.normal(0.0, noise_px, x.shape) for x in (a, b))
            matches = Registration(a.astype(np.float32), b.astype(np.float32), plane, ~high, 1.0)
            light = light_pair(i, j, np.zeros((len(places), 3)), rng, blocks=1).blocks
            found.append(PairFigures(i, j, matches, light, True))
    return found


def flight(steps_m: Floats, pitch_deg: float = -25.0, shake_deg: float = 0.5) -> tuple[Floats, Floats]:
    shake = np.deg2rad(np.random.default_rng(2).normal(0.0, shake_deg, (len(steps_m) + 1, 3)))
    along = np.concatenate([[0.0], np.cumsum(steps_m)])
    places = np.stack([np.zeros_like(along), along, np.full_like(along, HEIGHT_M)], axis=1)
    return looking(pitch_deg, shake), places


def test_the_ground_lies_below() -> None:
    orientations, places = flight(np.full(14, 4.0))
    normal = ground_normal(pairs_of(orientations, places), View(orientations, FOCAL, SIZE))
    assert normal is not None
    assert np.rad2deg(np.arccos(-normal[2])) < 0.5


@pytest.mark.parametrize("pitch_deg", [-25.0, -60.0, -90.0])
@pytest.mark.parametrize("share", [0.01, 0.06])
def test_speed_is_the_way_over_the_height(pitch_deg: float, share: float) -> None:
    steps = HEIGHT_M * share * np.random.default_rng(1).uniform(0.6, 1.4, 16)
    orientations, places = flight(steps, pitch_deg)
    view = View(orientations, FOCAL, SIZE)
    pairs = pairs_of(orientations, places)
    for held_out in (False, True):
        speeds = ground_speed(pairs, view, held_out=held_out)
        assert speeds is not None
        # The plane is told by most matches, things standing on it do not draw it off.
        np.testing.assert_allclose(speeds, steps / HEIGHT_M, rtol=0.03, atol=4e-4)


def test_across_a_missing_photo_the_way_is_shared_out() -> None:
    steps = np.full(12, 3.0)
    orientations, places = flight(steps)
    speeds = ground_speed(pairs_of(orientations, places, absent=(5,)), View(orientations, FOCAL, SIZE))
    assert speeds is not None
    np.testing.assert_allclose(speeds, 3.0 / HEIGHT_M, rtol=0.03)


def test_beside_missing_photos_no_more_is_told_even_than_is() -> None:
    """The video's made frames lie at even shares between photos, whatever the drone did between them."""
    count, absent = 30, (5, 12, 13, 20)
    steps = 2.5 * (1.0 + 0.3 * np.sin(np.arange(count) / 4.0))
    steps *= np.random.default_rng(1).uniform(0.9, 1.1, count)
    orientations, places = flight(steps)
    view = View(orientations, FOCAL, SIZE)
    pairs = pairs_of(orientations, places, absent=absent)
    speeds, held = ground_speed(pairs, view), ground_speed(pairs, view, held_out=True)
    assert speeds is not None and held is not None
    for first, last in ((4, 6), (11, 14), (19, 21)):
        np.testing.assert_allclose(speeds[first:last], steps[first:last].mean() / HEIGHT_M, rtol=0.03)
        assert np.ptp(speeds[first:last]) < 1e-12
    even = evened_places(speeds)
    there = [k for k in range(count + 1) if k not in absent]
    shown = np.diff(np.interp(even, there, np.concatenate([[0.0], np.cumsum(steps)])[there]))
    true_pct = 100.0 * float(np.std(shown)) / float(np.mean(shown))
    told_pct = speed_uneven_pct(held, even)
    assert told_pct is not None and 0.7 * true_pct < told_pct < true_pct + 0.4
    assert true_pct < 0.5


def test_what_is_not_spanned_is_unknown() -> None:
    orientations, places = flight(np.full(9, 3.0))
    view = View(orientations, FOCAL, SIZE)
    pairs = [p for p in pairs_of(orientations, places) if p.j <= 6]
    speeds = ground_speed(pairs, view)
    assert speeds is not None
    assert np.isnan(speeds).tolist() == [False] * 6 + [True] * 3
    assert ground_speed([], view) is None


def test_unevenness_is_the_departure_from_the_mean() -> None:
    assert speed_uneven_pct(np.array([1.0, 3.0, 1.0, 3.0])) == pytest.approx(50.0)
    assert speed_uneven_pct(np.array([2.0, np.nan, 2.0, 2.0])) == 0.0
    assert speed_uneven_pct(np.array([1.0, np.nan, np.nan])) is None
    assert speed_uneven_pct(np.zeros(5)) is None


def test_unevenness_of_a_video_is_that_of_the_places_it_shows() -> None:
    speeds = np.array([0.02] * 10 + [0.04] * 10)
    assert speed_uneven_pct(speeds, np.arange(21.0)) == pytest.approx(100 / 3)
    even = evened_places(speeds, count=31)
    assert (even[0], even[-1], len(even)) == (0.0, 20.0, 31)
    assert speed_uneven_pct(speeds, even) == pytest.approx(0.0, abs=1e-9)


def test_ground_motion_is_a_share_of_the_steady_view() -> None:
    """Straight down the whole ground moves alike: focal × way / height, whatever the camera's shake."""
    orientations, places = flight(np.full(8, 2.8), -90.0, shake_deg=1.0)
    steady = np.repeat(looking(-90.0, np.zeros((1, 3))), 9, axis=0)
    pairs = pairs_of(orientations, places, absent=(4,), tall=0.0)
    motion = ground_motion(pairs, View(orientations, FOCAL, SIZE), steady, FOCAL / 1500.0)
    np.testing.assert_allclose(motion, FOCAL / 1500.0 * 0.04, rtol=0.02)
    assert np.isnan(ground_motion([], View(orientations, FOCAL, SIZE), steady, 1.0)).all()


def test_where_the_drone_hovered_time_is_not_stretched_without_end() -> None:
    places = evened_places(np.array([0.02] * 5 + [0.0] * 5 + [np.nan] + [0.02] * 5))
    assert np.diff(places).max() < 6.0
    with pytest.raises(ValueError, match="no interval has a known speed"):
        evened_places(np.full(4, np.nan))
