"""A dark band across the top of one photo is found there, over sky and over ground."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.blades import blade_shadows, top_profile
from tests.measure.test_spots import SHAPE, flight


def skies(
    frames: int = 12, banded: tuple[int, ...] = (), share: float = 0.4, hop_px: int = 0, horizon: int = 60
) -> list[np.ndarray]:
    """Pictures of a bright sky over dark ground whose horizon hops; some have a dark band."""
    rng = np.random.default_rng(5)
    pictures = []
    for k in range(frames):
        light = np.full((240, 320), 0.5) + rng.normal(0, 0.005, (240, 320))
        light[horizon + int(rng.integers(-hop_px, hop_px + 1)) :] = 0.08
        if k in banded:
            light[12:26] *= 1.0 - share
        code = np.clip(light, 0, 1) ** (1 / 2.2) * 255
        pictures.append(np.repeat(code[..., None], 3, axis=2).astype(np.uint8))
    return pictures


@pytest.mark.parametrize("hop_px", [0, 8])
def test_a_band_in_the_sky_is_found_in_its_photo_alone(hop_px: int) -> None:
    profiles = [top_profile(p) for p in skies(banded=(4, 9), hop_px=hop_px)]
    shares = blade_shadows(profiles, [], SHAPE)
    assert shares[[4, 9]] == pytest.approx([0.4, 0.4], abs=0.08)
    assert np.delete(shares, [4, 9]).max() < 0.1


def test_land_that_comes_into_the_rows_as_the_camera_nods_is_no_shadow() -> None:
    pictures = skies(horizon=50, hop_px=3)
    pictures[5][40:] = pictures[5][60]  # in this photo the land reaches higher than ever beside it
    assert np.nanmax(blade_shadows([top_profile(p) for p in pictures], [], SHAPE)) < 0.1


def test_a_photo_that_is_darker_as_a_whole_is_no_shadow() -> None:
    pictures = skies()
    pictures[5] = (pictures[5] * 0.8).astype(np.uint8)
    assert np.nanmax(blade_shadows([top_profile(p) for p in pictures], [], SHAPE)) < 0.1


def test_over_ground_the_band_is_found_in_the_light_of_the_same_ground() -> None:
    pairs = flight()
    for pair in pairs:
        for frame, place, sign in ((pair.i, pair.blocks.place_i, -1), (pair.j, pair.blocks.place_j, 1)):
            if frame == 12:
                under = (place[:, 1] > -0.56) & (place[:, 1] < -0.46)
                pair.blocks.ratio_ev[under] += sign * np.log2(0.7)
    profiles: list[np.ndarray | None] = [np.zeros((36, 3))] * 30
    shares = blade_shadows(profiles, pairs, SHAPE)
    assert shares[12] == pytest.approx(0.3, abs=0.06)
    assert np.delete(shares, 12).max() < 0.05


def test_missing_photos_and_lonely_ones_are_not_judged() -> None:
    profiles: list[np.ndarray | None] = [top_profile(p) for p in skies(3)]
    assert np.isnan(blade_shadows([*profiles[:2], None], [], SHAPE)).all()
