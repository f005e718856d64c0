"""The share of haze put over a made picture is found."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.haze import veil_share


def scene(neutral: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> np.ndarray:
    """Ground with shadows and colours, a white roof, and sky on top."""
    rng = np.random.default_rng(2)
    rgb = rng.uniform(0.01, 0.35, (180, 240, 3)) * rng.uniform(0.05, 1.0, (180, 240, 1))
    rgb[:40] = 0.75
    return (rgb * np.array(neutral)).astype(np.float32)


def test_a_clear_picture_has_little() -> None:
    assert veil_share(scene(), None) < 0.05


@pytest.mark.parametrize("veil", [0.1, 0.25, 0.5])
def test_a_veil_is_found_as_its_share(veil: float) -> None:
    hazy = scene() * (1.0 - veil) + 0.75 * veil
    assert veil_share(hazy.astype(np.float32), None) == pytest.approx(veil, abs=0.05)


def test_the_neutral_of_the_camera_is_taken_out() -> None:
    neutral = (0.5, 1.0, 0.7)
    hazy = (scene(neutral) * 0.7 + 0.3 * 0.75 * np.array(neutral)).astype(np.float32)
    assert veil_share(hazy, neutral) == pytest.approx(0.3, abs=0.05)


def test_exposure_does_not_matter() -> None:
    assert veil_share(scene() * 0.2, None) == pytest.approx(veil_share(scene(), None), abs=1e-4)


def test_black_is_not_hazy() -> None:
    assert veil_share(np.zeros((60, 80, 3), np.float32), None) == 0.0
