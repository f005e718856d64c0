"""Registration of textures that a known homography moved."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.pairs import (
    LEAST_MATCHES,
    Features,
    Registration,
    find_features,
    match,
    register,
    register_by_correlation,
)
from tests.measure.made import about_centre, as_bytes, grid, project, texture, warp

HIGH, WIDE = 360, 480
MOVES = {
    "still": about_centre(HIGH, WIDE),
    "shift": about_centre(HIGH, WIDE, shift=(37.3, -21.6)),
    "turn": about_centre(HIGH, WIDE, turn_deg=4.0, shift=(10.0, 5.0)),
    "tilt": about_centre(HIGH, WIDE, turn_deg=-2.0, zoom=1.04, tilt=(0.03, -0.05)),
}


def rms_px(found: np.ndarray, truth: np.ndarray) -> float:
    """Error over the whole frame, corners included."""
    places = grid(HIGH, WIDE)
    return float(np.sqrt(np.mean(np.sum((project(found, places) - project(truth, places)) ** 2, axis=1))))


def registered(move: np.ndarray, gain: float = 1.0, scale: float = 1.0) -> Registration:
    first = texture(HIGH, WIDE)
    second = warp(first, move) * gain
    return register(find_features(as_bytes(first)), find_features(as_bytes(second)), scale)


@pytest.mark.parametrize("name", MOVES)
def test_known_moves(name: str) -> None:
    found = registered(MOVES[name])
    assert found.homography is not None
    # A SIFT place is good to some 0.1 px; hundreds of them share eight unknowns.
    assert rms_px(found.homography, MOVES[name]) < 0.05
    assert np.mean(found.on_plane) > 0.9


def test_exposure_does_not_matter() -> None:
    found = registered(MOVES["turn"], gain=0.5)
    assert found.homography is not None
    assert rms_px(found.homography, MOVES["turn"]) < 0.08


def test_the_other_order_is_the_inverse() -> None:
    first = texture(HIGH, WIDE)
    here = find_features(as_bytes(first))
    there = find_features(as_bytes(warp(first, MOVES["tilt"])))
    onward, back = register(here, there, 1.0), register(there, here, 1.0)
    assert onward.homography is not None and back.homography is not None
    assert rms_px(back.homography @ onward.homography, np.eye(3)) < 0.05
    # the same features are each other's nearest whichever frame comes first
    shared = {tuple(pair) for pair in match(here, there)} & {(i, j) for j, i in match(there, here)}
    assert len(shared) > 0.8 * len(onward.points_i)


def test_full_size_places_and_homography_agree() -> None:
    scale = 0.4
    proxy = registered(MOVES["tilt"])
    full = registered(MOVES["tilt"], scale=scale)
    assert np.allclose(full.points_i, (proxy.points_i + 0.5) / scale - 0.5, atol=1e-3)
    assert full.scale == scale
    homography = full.full_size_homography()
    assert homography is not None
    miss = project(homography, full.points_i[full.on_plane].astype(float)) - full.points_j[full.on_plane]
    # on-plane matches agree to the threshold of 1.5 proxy px at the worst
    assert np.max(np.linalg.norm(miss, axis=1)) < 1.6 / scale
    assert np.sqrt(np.mean(miss**2)) < 0.5 / scale
    # and at whole frame the conversion is exact
    places = grid(HIGH, WIDE)
    there = project(full.homography, places)
    assert np.allclose(
        project(homography, (places + 0.5) / scale - 0.5), (there + 0.5) / scale - 0.5, atol=1e-6
    )


def test_moving_things_do_not_pull_the_ground() -> None:
    first = texture(HIGH, WIDE)
    second = warp(first, MOVES["shift"])
    second[110:250, 150:350] = texture(HIGH, WIDE, seed=9)[110:250, 150:350]  # a sixth is something else
    found = register(find_features(as_bytes(first)), find_features(as_bytes(second)), 1.0)
    assert found.homography is not None
    assert rms_px(found.homography, MOVES["shift"]) < 0.08


@pytest.mark.parametrize("level", [0, 128, 255])
def test_even_frames_have_no_features(level: int) -> None:
    blank = np.full((HIGH, WIDE), level, np.uint8)
    none = find_features(blank)
    assert none.points.shape == (0, 2) and none.descriptors.shape == (0, 128)
    for first, second in [(none, none), (none, find_features(as_bytes(texture(HIGH, WIDE))))]:
        found = register(first, second, 0.5)
        assert found.homography is None and found.full_size_homography() is None
        assert found.points_i.shape == found.points_j.shape == (0, 2) and len(found.on_plane) == 0


def test_strangers_are_not_registered() -> None:
    found = register(
        find_features(as_bytes(texture(HIGH, WIDE, seed=1))),
        find_features(as_bytes(texture(HIGH, WIDE, seed=2))),
        1.0,
    )
    assert found.homography is None and not found.on_plane.any()


def test_a_few_matches_say_nothing() -> None:
    full = find_features(as_bytes(texture(HIGH, WIDE)))
    few = Features(full.points[: LEAST_MATCHES - 1], full.descriptors[: LEAST_MATCHES - 1])
    found = register(few, few, 1.0)
    assert found.homography is None


@pytest.mark.parametrize("count", [0, 1, 2])
def test_hardly_any_features(count: int) -> None:
    full = find_features(as_bytes(texture(HIGH, WIDE)))
    few = Features(full.points[:count], full.descriptors[:count])
    pairs = match(few, full)
    assert pairs.shape[1] == 2 and len(pairs) <= count


def test_descriptors_are_unit_vectors() -> None:
    found = find_features(as_bytes(texture(HIGH, WIDE)))
    assert np.allclose(np.linalg.norm(found.descriptors, axis=1), 1.0, atol=1e-4)
    assert 300 < len(found.points) <= 1300


def test_no_match_where_a_rival_is_as_near() -> None:
    # Every feature has two look-alikes at random distances of the same law; the ratio of the nearer to the
    # farther is rarely below 0.8, since distances in 128 dimensions hardly vary.
    rng = np.random.default_rng(0)
    found = find_features(as_bytes(texture(HIGH, WIDE)))
    alike = np.tile(found.descriptors, (2, 1))
    alike = alike + rng.normal(0.0, 0.02, alike.shape).astype(np.float32)
    alike /= np.linalg.norm(alike, axis=1, keepdims=True)
    twice = Features(np.tile(found.points, (2, 1)), alike)
    once = Features(found.points, alike[: len(found.points)])
    assert len(match(found, once)) > 0.9 * len(found.points)
    assert len(match(found, twice)) < 0.1 * len(found.points)


@pytest.mark.parametrize("shift", [(5.0, -3.0), (0.0, 0.0), (-12.4, 7.7)])
def test_correlation_finds_the_shift(shift: tuple[float, float]) -> None:
    # soft clouds: nothing for SIFT, but a bulk to align
    soft = texture(HIGH + 80, WIDE + 80, seed=3)
    move = about_centre(*soft.shape, shift=shift)
    inner = np.s_[40:-40, 40:-40]
    homography, response = register_by_correlation(as_bytes(soft)[inner], as_bytes(warp(soft, move))[inner])
    assert homography[:2, 2] == pytest.approx(shift, abs=0.2)
    assert response > 0.3


def test_correlation_of_strangers_responds_little() -> None:
    first, second = (as_bytes(texture(HIGH, WIDE, seed=seed)) for seed in (4, 5))
    assert register_by_correlation(first, second)[1] < 0.05
