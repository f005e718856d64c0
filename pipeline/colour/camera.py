"""Camera RGB to CIE XYZ as the DNG specification maps it.

Source: Adobe, Digital Negative (DNG) Specification 1.7.1.0, chapter 6, "Mapping Camera Color Space to
CIE XYZ Space". Vectors are columns; AB, CC, CM and FM are the specification's names for the diagonal of
AnalogBalance, CameraCalibration, ColorMatrix and ForwardMatrix. Chromaticities (..., 2) and neutrals
(..., 3) may be of one light or of a whole sequence at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.colour.temperature import xy_to_cct_duv
from pipeline.colour.whites import D50_XY

Matrix = NDArray[np.float64]

BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
"""XYZ to the cone-like responses of the linearised Bradford transform (ICC.1:2022, annex E)."""

_ITERATIONS = 30
_XY_TOLERANCE = 1e-7


@dataclass(frozen=True)
class CameraColour:
    """Colour of a camera, by the names of the DNG tags. Matrices are 3×3, float64.

    Colour matrices map XYZ to camera RGB under their illuminant, forward matrices white-balanced camera
    RGB to XYZ D50. `illuminant_1_k` and `illuminant_2_k` are correlated colour temperatures in kelvin;
    where one is absent the first matrices serve every light. `analog_balance` is (3,).
    """

    colour_matrix_1: Matrix
    illuminant_1_k: float | None
    colour_matrix_2: Matrix | None
    illuminant_2_k: float | None
    forward_matrix_1: Matrix | None
    forward_matrix_2: Matrix | None
    calibration_1: Matrix
    calibration_2: Matrix
    analog_balance: Matrix


def xy_to_xyz(xy: ArrayLike) -> Matrix:
    """Return the XYZ (..., 3), with Y = 1, of the chromaticities `xy` (..., 2)."""
    x, y = np.moveaxis(np.asarray(xy, dtype=np.float64), -1, 0)
    return np.stack([x / y, np.ones_like(y), (1.0 - x - y) / y], axis=-1)


def bradford_adaptation(from_xy: ArrayLike, to_xy: ArrayLike) -> Matrix:
    """Return the matrices (..., 3, 3) that adapt XYZ under the white `from_xy` to the white `to_xy`.

    Source: linearised Bradford transform, ICC.1:2022 annex E; DNG specification, chapter 6.
    """
    ratio = (xy_to_xyz(to_xy) @ BRADFORD.T) / (xy_to_xyz(from_xy) @ BRADFORD.T)
    return np.linalg.solve(BRADFORD, ratio[..., np.newaxis] * BRADFORD)


def xy_to_neutral(colour: CameraColour, xy: ArrayLike) -> Matrix:
    """Return camera RGB (..., 3), green = 1, of grey under light of chromaticity `xy` (..., 2)."""
    neutral = _applied(_xyz_to_camera(colour, _first_weight(colour, xy)), xy_to_xyz(xy))
    return np.asarray(neutral / neutral[..., 1:2])


def neutral_to_xy(colour: CameraColour, neutral: ArrayLike) -> Matrix:
    """Return the chromaticity (..., 2) of the light under which `neutral` (..., 3), camera RGB, is grey.

    The matrix depends on the chromaticity sought, so the specification iterates; it stops when neither
    coordinate moves by more than 1e-7, after 30 passes at most. Two values between which it then still
    swings are averaged.
    """
    camera = np.asarray(neutral, dtype=np.float64)
    previous: Matrix = np.broadcast_to(D50_XY, (*camera.shape[:-1], 2))
    for _ in range(_ITERATIONS):
        to_camera = _xyz_to_camera(colour, _first_weight(colour, previous))
        xyz = np.linalg.solve(to_camera, camera[..., np.newaxis])[..., 0]
        xy = np.asarray(xyz[..., :2] / xyz.sum(axis=-1, keepdims=True))
        if np.max(np.abs(xy - previous), initial=0.0) <= _XY_TOLERANCE:
            return xy
        previous, before = xy, previous
    still = np.abs(previous - before) > _XY_TOLERANCE
    return np.where(still, (previous + before) / 2.0, previous)


def camera_to_xyz_d50(colour: CameraColour, neutral: ArrayLike) -> Matrix:
    """Return the matrices (..., 3, 3) from camera RGB to XYZ D50 where `neutral` (..., 3) is grey.

    Camera RGB is black-subtracted and not white-balanced; `neutral` maps to the D50 white, Y = 1. With
    a forward matrix it is FM D (AB CC)^-1, else the inverse of AB CC CM with Bradford adaptation.
    """
    camera = np.asarray(neutral, dtype=np.float64)
    xy = neutral_to_xy(colour, camera)
    weight = _first_weight(colour, xy)
    first, second = colour.forward_matrix_1, colour.forward_matrix_2
    only = second if first is None else first
    if only is None:
        adapted = bradford_adaptation(xy, D50_XY) @ np.linalg.inv(_xyz_to_camera(colour, weight))
        return np.asarray(adapted / (adapted @ camera[..., np.newaxis])[..., 1:2, :])
    individual_to_reference = np.asarray(np.linalg.inv(_analog_and_calibration(colour, weight)), np.float64)
    reference_neutral = _applied(individual_to_reference, camera)
    forward = _blend(only, second, weight)
    # Tags are rounded rationals: rows are scaled so that (1, 1, 1) is exactly the white.
    forward = (xy_to_xyz(D50_XY) / forward.sum(axis=-1))[..., np.newaxis] * forward
    return np.asarray((forward / reference_neutral[..., np.newaxis, :]) @ individual_to_reference)


def _applied(matrix: Matrix, vector: Matrix) -> Matrix:
    return np.asarray((matrix @ vector[..., np.newaxis])[..., 0])


def _first_weight(colour: CameraColour, xy: ArrayLike) -> Matrix:
    """Return the weights (...) 0..1 of the first illuminant's matrices: linear in the inverse of the CCT."""
    chromaticity = np.asarray(xy, dtype=np.float64)
    first_k, second_k = colour.illuminant_1_k, colour.illuminant_2_k
    if colour.colour_matrix_2 is None or first_k is None or second_k is None or first_k == second_k:
        return np.ones(chromaticity.shape[:-1])

    cct_k = xy_to_cct_duv(chromaticity)[..., 0]
    weight = (1.0 / cct_k - 1.0 / second_k) / (1.0 / first_k - 1.0 / second_k)
    return np.asarray(np.clip(weight, 0.0, 1.0))


def _blend(first: Matrix, second: Matrix | None, weight: Matrix) -> Matrix:
    if second is None:
        return first
    share = weight[..., np.newaxis, np.newaxis]
    return np.asarray(share * first + (1.0 - share) * second)


def _analog_and_calibration(colour: CameraColour, weight: Matrix) -> Matrix:
    calibration = _blend(colour.calibration_1, colour.calibration_2, weight)
    return np.asarray(colour.analog_balance[:, np.newaxis] * calibration)


def _xyz_to_camera(colour: CameraColour, weight: Matrix) -> Matrix:
    matrix = _blend(colour.colour_matrix_1, colour.colour_matrix_2, weight)
    return np.asarray(_analog_and_calibration(colour, weight) @ matrix)
