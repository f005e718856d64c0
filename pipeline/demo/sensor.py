"""The invented camera: scene light to camera RGB to Bayer counts.

All light is linear. Scene pictures are RGB with BT.709 primaries, drawn as they look under D65; the camera
sees them under a daylight of another temperature. The colour matrices are our own invention.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Pattern = Literal["RGGB", "BGGR", "GRBG", "GBRG"]
_CODE = {"R": 0, "G": 1, "B": 2}
PATTERNS: dict[Pattern, NDArray[np.uint8]] = {
    name: np.array([_CODE[letter] for letter in name], np.uint8).reshape(2, 2)
    for name in ("RGGB", "BGGR", "GRBG", "GBRG")
}

# XYZ to camera RGB under standard illuminant A and under D65 (invented, plausible for a small sensor).
COLOUR_MATRIX_A = np.array([[0.80, -0.30, -0.02], [-0.47, 1.26, 0.24], [-0.08, 0.20, 0.56]])
COLOUR_MATRIX_D65 = np.array([[0.72, -0.21, -0.06], [-0.41, 1.22, 0.21], [-0.06, 0.16, 0.62]])
_CCT_A_K, _CCT_D65_K = 2856.0, 6504.0

# Linear BT.709 to XYZ, D65 (IEC 61966-2-1); Bradford cone responses (ICC.1, annex E).
_XYZ_FROM_709 = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


@dataclass(frozen=True)
class Sensor:
    """How light becomes counts.

    `black` and `white` are counts; `full_well_e` electrons reach `white`; `read_noise_e` is RMS electrons.
    `exposure` is the level (1 = saturation) of a white surface (RGB 1, 1, 1) in green at a gain of 0 EV.
    `hot_photosites` glow by themselves, up to the level `hot_level`; `black_drift` is the RMS in counts of
    the black's error from photo to photo; `masked_columns` (even) stand left of the picture, never lit.
    """

    pattern: Pattern = "RGGB"
    black: int = 512
    white: int = 15_892
    full_well_e: float = 20_000.0
    read_noise_e: float = 3.0
    exposure: float = 0.62
    hot_photosites: int = 0
    hot_level: float = 0.3
    black_drift: float = 0.0
    masked_columns: int = 0


def daylight_xy(cct_k: float) -> tuple[float, float]:
    """Chromaticity of the CIE daylight of `cct_k` kelvin, 4000 to 25000 K (CIE 015:2018, eq. 4.7 to 4.9)."""
    t = 1e3 / cct_k
    if cct_k <= 7000:
        x = -4.6070 * t**3 + 2.9678 * t**2 + 0.09911 * t + 0.244063
    else:
        x = -2.0064 * t**3 + 1.9018 * t**2 + 0.24748 * t + 0.237040
    return x, -3.0 * x**2 + 2.870 * x - 0.275


def colour_matrix(cct_k: float) -> NDArray[np.float64]:
    """XYZ to camera RGB, 3×3, interpolated in 1/CCT as the DNG specification does (chapter 6)."""
    share = (1 / cct_k - 1 / _CCT_D65_K) / (1 / _CCT_A_K - 1 / _CCT_D65_K)
    share = min(max(share, 0.0), 1.0)
    return share * COLOUR_MATRIX_A + (1 - share) * COLOUR_MATRIX_D65


def scene_to_camera(cct_k: float) -> NDArray[np.float64]:
    """Matrix 3×3 from scene RGB (white = 1, 1, 1) to camera RGB under a daylight of `cct_k`.

    White's green is 1, so the image of white is the camera's neutral.
    """
    white = _xyz(daylight_xy(cct_k))
    d65 = _XYZ_FROM_709 @ np.ones(3)
    adapt = np.linalg.inv(_BRADFORD) @ np.diag((_BRADFORD @ white) / (_BRADFORD @ d65)) @ _BRADFORD
    matrix = colour_matrix(cct_k) @ adapt @ _XYZ_FROM_709
    scaled: NDArray[np.float64] = matrix / matrix[1].sum()
    return scaled


def camera_neutral(cct_k: float) -> tuple[float, float, float]:
    """Camera RGB of a neutral surface under a daylight of `cct_k`, green = 1."""
    red, green, blue = scene_to_camera(cct_k).sum(axis=1)
    return float(red / green), 1.0, float(blue / green)


def mosaic_of(rgb: NDArray[np.float32], pattern: Pattern) -> NDArray[np.float32]:
    """Keep of each H×W×3 pixel the one colour that the filter array passes."""
    mosaic = np.empty(rgb.shape[:2], np.float32)
    for (row, column), channel in np.ndenumerate(PATTERNS[pattern]):
        mosaic[row::2, column::2] = rgb[row::2, column::2, channel]
    return mosaic


def vignette_loss_ev(size: tuple[int, int], coefficients: tuple[float, float, float]) -> NDArray[np.float32]:
    """Loss in EV, H×W: a1 r² + a2 r⁴ + a3 r⁶, r = 1 in the corner.

    `size` is (width, height) in px; r is the distance from the picture's centre over half its diagonal.
    """
    width, height = size
    x = np.arange(width, dtype=np.float32) - (width - 1) / 2
    y = np.arange(height, dtype=np.float32) - (height - 1) / 2
    r2 = (x[None, :] ** 2 + y[:, None] ** 2) / np.float32((width**2 + height**2) / 4)
    a1, a2, a3 = (np.float32(a) for a in coefficients)
    return np.asarray(((a3 * r2 + a2) * r2 + a1) * r2, np.float32)


def hot_glow(sensor: Sensor, shape: tuple[int, int]) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
    """Return the flat places (k,) of the hot photosites of a mosaic (H, W) and the levels they glow at."""
    rng = np.random.default_rng([31, sensor.hot_photosites, *shape])
    places = np.sort(rng.choice(shape[0] * shape[1], sensor.hot_photosites, replace=False))
    return places, (sensor.hot_level * rng.uniform(0.1, 1.0, len(places))).astype(np.float32)


def counts(
    level: NDArray[np.float32], sensor: Sensor, rng: np.random.Generator | None, drift: float = 0.0
) -> NDArray[np.uint16]:
    """Turn a mosaic of levels (1 = saturation) into counts, with shot and read noise where `rng` is given.

    `drift` is the error of the black in counts.
    Shot noise is drawn from the normal distribution with the Poisson variance, which at the tens of
    electrons and more of these pictures cannot be told from it.
    """
    electrons = np.maximum(level, 0) * np.float32(sensor.full_well_e)
    if rng is not None:
        noise = rng.standard_normal(electrons.shape, np.float32)
        noise *= np.sqrt(electrons + np.float32(sensor.read_noise_e**2))
        electrons += noise
    electrons *= np.float32((sensor.white - sensor.black) / sensor.full_well_e)
    electrons += np.float32(sensor.black + drift + 0.5)
    np.clip(electrons, 0, sensor.white, out=electrons)
    return electrons.astype(np.uint16)


def _xyz(xy: tuple[float, float]) -> NDArray[np.float64]:
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])
