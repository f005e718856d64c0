"""An invented camera, and lights and wanders of known size, for the tests of the stage balance."""

from __future__ import annotations

import numpy as np

from pipeline.colour.camera import camera_to_xyz_d50, xy_to_neutral
from pipeline.colour.temperature import cct_duv_to_xy
from pipeline.sequence import Triple
from pipeline.settings import BalanceSettings
from tests.cameras import TWO_LIGHTS

PERIOD = 60.0
COUNT = 120
LOCK = BalanceSettings()
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709

GROUND = (0.10, 0.16, 0.07)
"""Invented meadow: camera RGB."""


def neutral_at(mired_value: float, duv: float = 0.003) -> Triple:
    """The camera's RGB of a neutral of that light, green = 1."""
    rgb = xy_to_neutral(TWO_LIGHTS, cct_duv_to_xy(np.array([1e6 / mired_value, duv])))
    return float(rgb[0] / rgb[1]), 1.0, float(rgb[2] / rgb[1])


def wander(rms_mired: float = 15.0, about: float = 190.0, seed: int = 0) -> list[Triple]:
    return [neutral_at(about + d) for d in np.random.default_rng(seed).normal(0.0, rms_mired, COUNT)]


def steady_light() -> np.ndarray:
    return np.zeros((COUNT, 3))


def baked(wander_ev: np.ndarray, drift_ev: np.ndarray) -> np.ndarray:
    """Levels (n, 3) of a JPEG flight: red and blue lean against each other by these EV."""
    lean = wander_ev + drift_ev
    return np.stack([lean, np.zeros(COUNT), -lean], axis=1)


def seen_under(neutrals: np.ndarray, ground: Triple = GROUND) -> np.ndarray:
    """Levels (n, 3) in EV, under each neutral's light, of ground of that camera RGB in the middle one."""
    middle = neutrals[len(neutrals) // 2]
    surface = camera_to_xyz_d50(TWO_LIGHTS, middle) @ np.array(ground)
    camera = np.array(
        [np.linalg.solve(camera_to_xyz_d50(TWO_LIGHTS, neutral), surface) for neutral in neutrals]
    )
    return np.log2(camera / ground)


def drifting(drift_mired: float, wander_mired: float, seed: int = 0) -> tuple[np.ndarray, list[Triple]]:
    """Neutrals (n, 3) of a light that drifts, and what a camera with a wandering choice takes them for."""
    path = 190.0 + drift_mired * (0.5 - 0.5 * np.cos(np.pi * np.arange(COUNT) / (COUNT - 1)))
    shot = path + np.random.default_rng(seed).normal(0.0, wander_mired, COUNT)
    return np.array([neutral_at(m) for m in path]), [neutral_at(m) for m in shot]
