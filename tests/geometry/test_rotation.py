"""Rotations of known truth: from matched directions, and averaged over a sequence."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.rotation import (
    PairRotation,
    _sampson_slopes,
    _tangents,
    average,
    cross_matrix,
    damped_step,
    direction_for,
    essential,
    exp,
    geman_mcclure,
    huber_weights,
    in_front,
    isotropic,
    log,
    refine,
    rotation_only,
    sampson,
    turn,
    wahba,
)
from tests.geometry.scene import FOCAL, PX_1080P, SIZE, apart_rad, two_views

PX = 1.0 / FOCAL
"""One px of the source, in radians near the axis."""


def rays(points: np.ndarray) -> np.ndarray:
    centred = (points - (np.array(SIZE) - 1.0) / 2.0) / FOCAL
    return np.concatenate([centred, np.ones((len(points), 1))], axis=1)


def unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def distances(rotation: np.ndarray, way: np.ndarray, here: np.ndarray, there: np.ndarray) -> np.ndarray:
    return sampson(essential(rotation, way), here, there)


def random_path(count: int, rms_deg: float = 0.5, drift_deg: float = 1.0, seed: int = 0) -> np.ndarray:
    """Orientations that turn steadily and shake, the first not the identity."""
    rng = np.random.default_rng(seed)
    turn = np.cumsum(np.deg2rad(rng.normal(0, drift_deg, (count, 3))), axis=0) + 0.3
    shake = np.deg2rad(rng.normal(0, rms_deg, (count, 3)))
    return (Rotation.from_rotvec(shake) * Rotation.from_rotvec(turn)).as_matrix()


def pairs_of(
    path: np.ndarray, sigma_rad: float = 1e-4, seed: int = 1, baselines: tuple[int, ...] = (1, 2, 3, 5, 8)
) -> list[PairRotation]:
    rng = np.random.default_rng(seed)
    pairs = []
    for j in range(len(path)):
        for i in [j - baseline for baseline in baselines if baseline <= j]:
            noise = Rotation.from_rotvec(rng.normal(0, sigma_rad, 3)).as_matrix()
            pairs.append(PairRotation(i, j, noise @ path[j] @ path[i].T, isotropic(sigma_rad)))
    return pairs


def errors_rad(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Angles (n,) between found and true orientations, both told from frame 0."""
    return np.array([apart_rad(f, t @ truth[0].T) for f, t in zip(found, truth, strict=True)])


def test_exp_and_log_undo_each_other_in_any_shape() -> None:
    vectors = np.random.default_rng(0).normal(0, 0.8, (4, 5, 3))
    assert exp(vectors).shape == (4, 5, 3, 3)
    assert np.allclose(log(exp(vectors)), vectors)
    assert exp(np.zeros(3)) == pytest.approx(np.eye(3))
    assert log(exp(np.array([0.0, np.pi - 1e-6, 0.0]))) == pytest.approx([0.0, np.pi - 1e-6, 0.0])
    assert log(exp(np.zeros((0, 3)))).shape == (0, 3)


@pytest.mark.parametrize("size", [0.0, 1e-200, 1e-9, 0.3, 3.0])
def test_one_turn_is_scipy_s(size: float) -> None:
    vector = size * np.array([0.6, 0.0, -0.8])
    assert turn(vector) == pytest.approx(Rotation.from_rotvec(vector).as_matrix(), abs=1e-15)
    assert np.array_equal(turn(vector), exp(vector))


def test_cross_matrix() -> None:
    a, b = np.random.default_rng(0).normal(0, 1, (2, 7, 3))
    assert np.allclose(np.einsum("nij,nj->ni", cross_matrix(a), b), np.cross(a, b))


def test_small_rotations_are_cross_products() -> None:
    vector = np.array([1.0, -2.0, 0.5]) * 1e-5
    assert exp(vector) - np.eye(3) == pytest.approx(cross_matrix(vector), abs=1e-9)


def test_huber_weights_by_hand() -> None:
    assert huber_weights(np.array([0.0, -1.0, 2.0, -4.0]), 2.0) == pytest.approx([1.0, 1.0, 1.0, 0.5])


@pytest.mark.parametrize("vector", [(0.0, 0.0, 0.0), (0.3, -0.2, 1.0), (np.pi, 0.0, 0.0)])
def test_wahba_finds_an_exact_rotation(vector: tuple[float, float, float]) -> None:
    truth = Rotation.from_rotvec(vector).as_matrix()
    here = unit(np.random.default_rng(0).normal(0, 1, (20, 3)))
    assert np.allclose(wahba(here, here @ truth.T, np.ones(20)), truth)
    assert np.linalg.det(wahba(here, here @ truth.T, np.ones(20))) == pytest.approx(1.0)


def test_wahba_never_mirrors() -> None:
    here = unit(np.random.default_rng(0).normal(0, 1, (20, 3)))
    assert np.linalg.det(wahba(here, here * [1, 1, -1], np.ones(20))) == pytest.approx(1.0)


@pytest.mark.parametrize("wrong", [0.0, 0.1, 0.4])
def test_rotation_without_parallax(wrong: float) -> None:
    errors = []
    for seed in range(10):
        views = two_views(np.random.default_rng(seed), wrong=wrong)
        found = rotation_only(unit(rays(views.points_i)), unit(rays(views.points_j)), 0.5 * PX)
        errors.append(apart_rad(found, views.rotation) / PX)
    # 240 to 400 matches of 0.2 sqrt(2) px tell a turn to 0.018 px about either axis of the picture and to
    # 0.04 px about its own (their radius is some 450 px of the focal length's 1,081): 0.05 px together, of
    # which three are allowed. A wrong match within the scale of 0.5 px is rare.
    assert max(errors) < 0.15


def test_sampson_distance_of_true_and_moved_points() -> None:
    rng = np.random.default_rng(0)
    rotation = Rotation.from_rotvec([0.01, 0.02, -0.03]).as_matrix()
    way = np.array([0.6, 0.0, 0.8])
    here = rays(rng.uniform(0, 1200, (200, 2)))
    depth = rng.uniform(20.0, 200.0, (200, 1))
    there = (here * depth) @ rotation.T + 3.0 * way
    there = there / there[:, 2:]
    assert np.max(np.abs(distances(rotation, way, here, there))) < 1e-12
    # A point moved 1 px straight off its epipolar line is sqrt(1/2) px from it once both may move.
    lines = here @ (cross_matrix(way) @ rotation).T
    off = lines[:, :2] / np.linalg.norm(lines[:, :2], axis=1, keepdims=True)
    moved = there.copy()
    moved[:, :2] += off * PX
    assert np.median(np.abs(distances(rotation, way, here, moved))) == pytest.approx(
        PX / np.sqrt(2.0), rel=0.02
    )
    # the sign of the direction and the order of views do not matter
    assert np.allclose(
        np.abs(distances(rotation, -way, here, moved)), np.abs(distances(rotation, way, here, moved))
    )
    back = distances(rotation.T, -rotation.T @ way, moved, here)
    assert np.allclose(np.abs(back), np.abs(distances(rotation, way, here, moved)), atol=1e-9)


def test_slopes_of_the_distance_by_differences() -> None:
    rng = np.random.default_rng(0)
    here, there = rays(rng.uniform(0, 1200, (50, 2))), rays(rng.uniform(0, 1200, (50, 2)))
    matrix = essential(turn(np.array([0.01, 0.2, -0.03])), np.array([0.6, 0.0, 0.8]))
    told, slopes = _sampson_slopes(matrix, here.T.copy(), there.T.copy())
    assert told == pytest.approx(sampson(matrix, here, there), abs=1e-15)
    step = 1e-6
    for row, column in np.ndindex(3, 3):
        nudge = np.zeros((3, 3))
        nudge[row, column] = step
        after, before = (sampson(matrix + sign * nudge, here, there) for sign in (1.0, -1.0))
        assert (after - before) / (2.0 * step) == pytest.approx(slopes[row, column], abs=1e-8)


def test_tangents_span_the_plane_across() -> None:
    for direction in unit(np.random.default_rng(0).normal(0, 1, (20, 3))):
        frame = np.vstack([direction, _tangents(cross_matrix(direction))])
        assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-12)


def test_weights_are_the_slope_of_the_loss() -> None:
    """Of any robust loss: weight · r = d loss / d r."""
    misses, step = np.linspace(-12.0, 12.0, 41), 1e-6
    _, weights = geman_mcclure(misses**2)
    slopes = [
        (geman_mcclure(np.array([(miss + step) ** 2]))[0] - geman_mcclure(np.array([(miss - step) ** 2]))[0])
        / (2.0 * step)
        for miss in misses
    ]
    assert weights * misses == pytest.approx(slopes, abs=1e-7)
    assert weights[20] == 1.0


def test_a_damped_step_is_shorter() -> None:
    rows = np.random.default_rng(0).normal(0, 1, (20, 4))
    normal, gradient = rows.T @ rows, np.array([1.0, -2.0, 3.0, 0.5])
    whole = damped_step(normal, gradient, 0.0)
    assert normal @ whole == pytest.approx(-gradient)
    assert np.linalg.norm(damped_step(normal, gradient, 10.0)) < 0.2 * np.linalg.norm(whole)


def test_direction_of_known_parallax() -> None:
    rng = np.random.default_rng(0)
    way = np.array([0.1, -0.2, 1.0]) / np.linalg.norm([0.1, -0.2, 1.0])
    here = rays(rng.uniform(0, 1200, (300, 2)))
    there = here * rng.uniform(20.0, 60.0, (300, 1)) + 4.0 * way
    there = there / there[:, 2:]
    there[:30, :2] += rng.normal(0, 30 * PX, (30, 2))
    found = direction_for(np.eye(3), here, there, 0.5 * PX)
    assert abs(found @ way) > np.cos(np.deg2rad(3.0))


def test_points_in_front() -> None:
    rng = np.random.default_rng(0)
    way = np.array([1.0, 0.0, 0.2])
    here = rays(rng.uniform(0, 1200, (100, 2)))
    there = here * rng.uniform(10.0, 30.0, (100, 1)) + way
    there = there / there[:, 2:]
    assert in_front(np.eye(3), way, here, there) == (1.0, 0.0)
    assert in_front(np.eye(3), -way, here, there) == (0.0, 1.0)


def test_refinement_reaches_the_truth_and_tells_its_error() -> None:
    errors, told = [], []
    for seed in range(25):
        views = two_views(np.random.default_rng(seed), relief_m=15.0, baseline_m=9.0, wrong=0.1)
        here, there = rays(views.points_i), rays(views.points_j)
        start = Rotation.from_rotvec(np.deg2rad([0.2, -0.3, 0.2])).as_matrix() @ views.rotation
        rotation, way, cost, covariance = refine(
            start, direction_for(start, here, there, PX), here, there, 0.3 * PX
        )
        assert np.linalg.norm(way) == pytest.approx(1.0)
        assert cost > 0.0
        assert np.allclose(covariance, covariance.T) and np.all(np.linalg.eigvalsh(covariance) > 0)
        errors.append(apart_rad(rotation, views.rotation))
        told.append(np.sqrt(np.trace(covariance)))
    assert np.median(errors) / PX * PX_1080P < 0.15
    assert 0.4 < np.median(errors) / np.median(told) < 2.0


@pytest.mark.parametrize("count", [2, 3, 40])
def test_exact_pairs_are_averaged_exactly(count: int) -> None:
    path = random_path(count)
    found, misfit = average(count, pairs_of(path, sigma_rad=1e-9))
    assert np.max(errors_rad(found, path)) < 1e-7
    assert np.max(misfit) < 1e-7
    assert found[0] == pytest.approx(np.eye(3))


def test_averaging_lowers_the_noise_of_pairs() -> None:
    path = random_path(80)
    sigma = 0.3 * PX
    found, _ = average(80, pairs_of(path, sigma))
    chained, _ = average(80, pairs_of(path, sigma, baselines=(1,)))
    steps = [log(found[1:] @ np.swapaxes(found[:-1], 1, 2)) for found in (found, chained, path)]
    many, single = (np.std(step - steps[2]) for step in steps[:2])
    # A chain keeps each step's own noise, sigma; ten pairs in a frame share it out.
    assert single == pytest.approx(sigma, rel=0.15)
    assert many < 0.75 * sigma


def test_the_world_s_axes_and_the_order_of_pairs_do_not_matter() -> None:
    path = random_path(20)
    pairs = pairs_of(path)
    found, _ = average(20, pairs)
    backwards = [
        PairRotation(p.j, p.i, p.rotation.T, p.rotation.T @ p.covariance @ p.rotation) for p in pairs[::-1]
    ]
    again, _ = average(20, backwards)
    assert np.max(errors_rad(again, found)) < 1e-7
    elsewhere = pairs_of(path @ Rotation.random(random_state=3).as_matrix())
    assert np.max(errors_rad(average(20, elsewhere)[0], found)) < 1e-7


def test_a_pair_counts_about_the_axes_that_it_tells() -> None:
    """Two pairs of each two frames: one is wrong by degrees about the axis that it says it does not know."""
    rng = np.random.default_rng(5)
    path = random_path(30)
    pairs = []
    for j in range(30):
        for i in [j - baseline for baseline in (1, 2, 3, 5, 8) if baseline <= j]:
            true = path[j] @ path[i].T
            for axis in (0, 1):
                blind = Rotation.random(random_state=axis).as_matrix()[0]  # in the axes of camera j
                sigma = np.deg2rad(2.0)
                wrong = Rotation.from_rotvec(rng.normal(0.0, sigma) * blind).as_matrix()
                spread = isotropic(1e-5) + sigma**2 * np.outer(blind, blind)
                pairs.append(PairRotation(i, j, wrong @ true, spread))
    found, _ = average(30, pairs)
    assert np.max(errors_rad(found, path)) < 5e-5
    alike = [PairRotation(p.i, p.j, p.rotation, isotropic(p.sigma_rad)) for p in pairs]
    assert np.max(errors_rad(average(30, alike)[0], path)) > 5e-3
    # the other way round the covariance is the same turn's, in the other camera's axes
    back = [PairRotation(p.j, p.i, p.rotation.T, p.rotation.T @ p.covariance @ p.rotation) for p in pairs]
    assert np.max(errors_rad(average(30, back)[0], found)) < 1e-7


@pytest.mark.parametrize("off_deg", [2.0, 40.0])
def test_flipped_pairs_are_outvoted_and_told(off_deg: float) -> None:
    path = random_path(40)
    pairs = pairs_of(path)
    rng = np.random.default_rng(4)
    bad = rng.permutation(len(pairs))[: len(pairs) // 10]
    for place in bad:
        p = pairs[place]
        axis = rng.normal(0, 1, 3)
        turn = Rotation.from_rotvec(np.deg2rad(off_deg) * axis / np.linalg.norm(axis)).as_matrix()
        pairs[place] = PairRotation(p.i, p.j, turn @ p.rotation, p.covariance)
    found, misfit = average(40, pairs)
    assert np.max(errors_rad(found, path)) < 20 * 1e-4  # noise of 1e-4 a pair, summed over 40 frames
    assert set(np.argsort(misfit)[-len(bad) :]) == set(bad)
    assert np.max(np.delete(misfit, bad)) < 10 * 1e-4


def test_a_full_orbit() -> None:
    turn = np.deg2rad(np.arange(0.0, 360.0, 6.0))
    path = (
        Rotation.from_euler("x", 25, degrees=True) * Rotation.from_rotvec(np.outer(turn, [0, 1, 0]))
    ).as_matrix()
    found, _ = average(60, pairs_of(path, 1e-5))
    assert np.max(errors_rad(found, path)) < 2e-4


@pytest.mark.parametrize("count", [1, 4])
def test_without_pairs_nothing_turns(count: int) -> None:
    found, misfit = average(count, [])
    assert np.allclose(found, np.eye(3)) and len(misfit) == 0


def test_a_frame_without_pairs_keeps_the_orientation_before_it() -> None:
    path = random_path(10)
    pairs = [p for p in pairs_of(path) if 6 not in (p.i, p.j)]
    found, _ = average(10, pairs)
    # it stays where the first chain of pairs put it, which the noise of pairs of 1e-4 moved
    assert found[6] == pytest.approx(found[5], abs=1e-3)
    others = [0, 1, 2, 3, 4, 5, 7, 8, 9]
    assert np.max(errors_rad(found[others], path[others])) < 1e-3
