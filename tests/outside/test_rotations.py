"""Rotations against SciPy, the smoother against a dense solve and its published transfer, GRIC as printed."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from scipy.spatial.transform import Rotation

from pipeline.geometry.pose import angle_between, attitude, gric
from pipeline.geometry.rotation import PairRotation, average, cross_matrix, exp, log, rotation_only, wahba
from pipeline.measure.highpass import slow_part, smooth, smoothing_weight
from pipeline.measure.robust import MAD_TO_SIGMA, robust_sigma


def unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def test_exponential_map_is_the_matrix_exponential() -> None:
    # scipy.linalg.expm of the cross-product matrix: Rodrigues' formula by another way
    from scipy.linalg import expm

    vectors = np.random.default_rng(0).normal(0, 1, (30, 3))
    for vector, matrix in zip(vectors, exp(vectors), strict=True):
        assert np.allclose(matrix, expm(cross_matrix(vector)), atol=1e-12)


def test_log_and_angle_are_scipy_s() -> None:
    # scipy.spatial.transform.Rotation
    first, second = Rotation.random(20, random_state=0), Rotation.random(20, random_state=1)
    assert np.allclose(log(first.as_matrix()), first.as_rotvec())
    for a, b in zip(first, second, strict=True):
        assert angle_between(a.as_matrix(), b.as_matrix()) == pytest.approx((a * b.inv()).magnitude())


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.3])
@pytest.mark.parametrize("count", [3, 200])
def test_wahba_is_scipy_s_align_vectors(noise: float, count: int) -> None:
    # scipy.spatial.transform.Rotation.align_vectors(a, b, weights): the rotation with a = R b
    rng = np.random.default_rng(count)
    here = unit(rng.normal(0, 1, (count, 3)))
    truth = Rotation.random(random_state=2)
    there = unit(truth.apply(here) + rng.normal(0, noise, here.shape))
    weights = rng.uniform(0.1, 1.0, count)
    expected, _ = Rotation.align_vectors(there, here, weights=weights)
    assert np.allclose(wahba(here, there, weights), expected.as_matrix(), atol=1e-7)


def test_robust_rotation_without_outliers_is_align_vectors() -> None:
    rng = np.random.default_rng(3)
    here = unit(np.concatenate([rng.uniform(-0.6, 0.6, (300, 2)), np.ones((300, 1))], axis=1))
    truth = Rotation.from_rotvec([0.02, -0.05, 0.1])
    there = unit(truth.apply(here) + rng.normal(0, 3e-4, here.shape))
    expected, _ = Rotation.align_vectors(there, here)
    found = rotation_only(here, there, 3e-3)  # a scale far above the noise weighs all alike
    assert (Rotation.from_matrix(found) * expected.inv()).magnitude() < 3e-6


def test_two_measurements_of_one_pair_are_averaged_as_scipy_s_mean() -> None:
    # scipy.spatial.transform.Rotation.mean (Hartley, Trumpf, Dai, Li: Rotation averaging, IJCV 2013): for
    # a few degrees the chordal mean is the geodesic one to third order
    rng = np.random.default_rng(4)
    base = Rotation.random(random_state=5)
    measured = Rotation.from_rotvec(rng.normal(0, 0.003, (9, 3))) * base
    pairs = [PairRotation(0, 1, m.as_matrix(), 0.05**2 * np.eye(3)) for m in measured]
    found, _ = average(2, pairs)
    assert (Rotation.from_matrix(found[1]) * measured.mean().inv()).magnitude() < 2e-5


@pytest.mark.parametrize(
    "angles", [(0.0, 0.0, 0.0), (30.0, -25.0, 3.0), (200.0, -90.0, 0.0), (-45.0, 10.0, -8.0)]
)
def test_attitude_is_scipy_s_intrinsic_turns(angles: tuple[float, float, float]) -> None:
    # Intrinsic z-x-y turns of a body (x right, y forward, z up) from east, north, up: heading clockwise is
    # negative about up, pitch up positive about right, roll clockwise positive about forward.
    yaw, pitch, roll = angles
    body = Rotation.from_euler("ZXY", [-yaw, pitch, roll], degrees=True).as_matrix()
    right, forward, up = body.T
    assert np.allclose(attitude(yaw, pitch, roll), np.stack([right, -up, forward]), atol=1e-12)


# Eilers, "A perfect smoother", Anal. Chem. 75 (2003) 3631: z = (W + lambda D'D)^-1 W y, here solved densely.
@pytest.mark.parametrize("count", [3, 4, 10, 150])
@pytest.mark.parametrize("period", [4.0, 60.0])
def test_smoother_is_eilers_dense_solve(count: int, period: float) -> None:
    rng = np.random.default_rng(count)
    values, weights = rng.normal(0, 1, count), rng.uniform(0.2, 1.0, count)
    difference = np.diff(np.eye(count), 2, axis=0)
    dense = np.diag(weights) + smoothing_weight(period) * difference.T @ difference
    expected = np.linalg.solve(dense, weights * values)
    assert np.allclose(smooth(values, weights, period), expected, atol=1e-7)


@pytest.mark.parametrize("filter_period", [12.0, 60.0])
@pytest.mark.parametrize("period", [10.0, 12.0, 30.0, 60.0, 90.0, 240.0])
def test_smoother_s_transfer_is_that_of_its_difference_equation(filter_period: float, period: float) -> None:
    # scipy.signal.freqz of lambda z^-2 (1 - z^-1)^4 z^2 + 1, whose inverse is the smoother away from the ends
    penalty = smoothing_weight(filter_period)
    taps = penalty * np.array([1.0, -4.0, 6.0, -4.0, 1.0]) + np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    _, response = scipy.signal.freqz(taps, worN=[2.0 * np.pi / period])
    place = np.arange(2400)
    wave = np.cos(2.0 * np.pi * place / period)
    middle = slice(960, 1440)  # whole periods of all
    kept = slow_part(wave, filter_period)[middle] @ wave[middle] / (wave[middle] @ wave[middle])
    assert kept == pytest.approx(1.0 / abs(response[0]), abs=2e-3)


def test_mad_factor() -> None:
    # 1 / Phi^-1(3/4) (Hampel 1974; scipy.stats.median_abs_deviation with scale="normal")
    from scipy.stats import median_abs_deviation, norm

    assert pytest.approx(1.0 / norm.ppf(0.75), abs=1e-4) == MAD_TO_SIGMA
    values = np.random.default_rng(0).normal(0, 2, 501)
    assert robust_sigma(values) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-4)


def printed_gric(residuals: np.ndarray, sigma: float, d: int, k: int) -> float:
    """GRIC = sum rho(e²) + n d ln 4 + k ln(4 n), rho = min(e²/sigma², 2 (4 - d)).

    Torr, "Geometric motion segmentation and model selection", Phil. Trans. R. Soc. A 356 (1998) 1321, with
    lambda1 = ln 4, lambda2 = ln 4n, lambda3 = 2 and r = 4 for two views (from memory).
    """
    total = 0.0
    for e in residuals:
        total += min(e * e / (sigma * sigma), 2.0 * (4 - d))
    return total + len(residuals) * d * math.log(4.0) + k * math.log(4.0 * len(residuals))


@pytest.mark.parametrize(("structure", "parameters"), [(2, 3), (2, 8), (3, 5), (3, 7)])
def test_gric_as_printed(structure: int, parameters: int) -> None:
    residuals = np.abs(np.random.default_rng(0).standard_cauchy(150)) * 0.4
    for sigma in (0.2, 1.0):
        expected = printed_gric(residuals, sigma, structure, parameters)
        assert gric(residuals, sigma, structure, parameters) == pytest.approx(expected)


def test_gric_asks_parallax_to_pay_for_its_dimension() -> None:
    # A rotation's matches lie on a manifold of 2 dimensions and cost 2 ln 4 each, those of parallax 3 ln 4:
    # the richer model must lower the mean of rho by more than ln 4 = 1.386 a match to be worth it.
    count = 1000
    for gain, richer in ((1.3, False), (1.5, True)):
        little, more = np.full(count, math.sqrt(0.2)), np.full(count, math.sqrt(0.2 + gain))
        for criterion in (printed_gric, gric):
            assert bool(criterion(little, 1.0, 3, 5) < criterion(more, 1.0, 2, 3)) is richer
