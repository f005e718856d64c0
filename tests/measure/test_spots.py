"""A spot put on the lens is found where it is, and a clean lens shows none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.measure.light import BlockRatios, block_centres, from_centre
from pipeline.measure.look import PairFigures
from pipeline.measure.spots import fixed_spots, light_taken
from tests.measure.synthetic_pairs import no_matches

SHAPE = (750, 1000)


def loss_ev(place: np.ndarray, spot: tuple[float, float, float, float]) -> np.ndarray:
    """The light in EV that a soft spot (x, y and radius in px, share) takes at places in px (n, 2)."""
    x, y, radius, share = spot
    away = ((place[:, 0] - x) ** 2 + (place[:, 1] - y) ** 2) / radius**2
    return np.asarray(np.log2(1.0 - share * np.exp(-0.5 * away)))


def flight(
    spot: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 0.0),
    frames: int = 30,
    noise_ev: float = 0.03,
    step: float = 1.0,
) -> list[PairFigures]:
    """Pairs of a flight whose ground moves by `step` times 23 px a photo along x and 9 px along y."""
    rng = np.random.default_rng(3)
    pairs = []
    for baseline in (1, 2, 3):
        for i in range(frames - baseline):
            here = block_centres(SHAPE).reshape(-1, 2) + rng.uniform(-8, 8, 2)
            there = here + baseline * step * np.array([23.0, 9.0])
            inside = np.all((there > 8) & (there < np.array(SHAPE[::-1]) - 9), axis=1)
            here, there = here[inside], there[inside]
            green = loss_ev(there, spot) - loss_ev(here, spot) + rng.normal(0, noise_ev, len(here)) + 0.2
            moving = rng.random(len(here)) < 0.05
            green[moving] += rng.normal(0, 0.7, np.count_nonzero(moving))
            ratio = np.repeat(green[:, None], 3, axis=1).astype(np.float32)
            sigma = np.full(len(here), noise_ev, np.float32)
            blocks = BlockRatios(
                ratio_ev=ratio,
                sigma_ev=sigma,
                place_i=from_centre(here, SHAPE),
                place_j=from_centre(there, SHAPE),
                level_ev=np.full_like(ratio, -2.0),
            )
            pairs.append(PairFigures(i, i + baseline, no_matches(), blocks, True))
    return pairs


def test_a_clean_lens_shows_no_spot() -> None:
    assert fixed_spots(flight(), SHAPE, 0.03) == []


@pytest.mark.parametrize(("x", "y"), [(300.0, 300.0), (640.0, 480.0)])
def test_a_spot_is_found_where_it_is(x: float, y: float) -> None:
    spot = fixed_spots(flight((x, y, 40.0, 0.3)), SHAPE, 0.05)[0]
    assert (spot.x * 1000, spot.y * 1000) == pytest.approx((x, y), abs=25)
    assert spot.depth == pytest.approx(0.27, abs=0.06)  # 0.27 is its mean over a cell
    assert 0.02 < spot.radius < 0.1


def test_small_motion_does_not_make_a_spot_shallower() -> None:
    near, far = (fixed_spots(flight((300.0, 300.0, 60.0, 0.2), step=s), SHAPE, 0.03)[0] for s in (0.3, 1.0))
    assert near.depth == pytest.approx(far.depth, abs=0.04)


def test_two_spots_are_two() -> None:
    one, other = flight((300.0, 300.0, 40.0, 0.3)), flight((700.0, 450.0, 40.0, 0.2))
    both = []
    for a, b in zip(one, other, strict=True):
        ratio = a.blocks.ratio_ev + b.blocks.ratio_ev
        both.append(replace(a, blocks=replace(a.blocks, ratio_ev=ratio)))
    found = fixed_spots(both, SHAPE, 0.08)
    assert sorted(round(spot.x, 1) for spot in found) == [0.3, 0.7]


def test_what_was_not_measured_is_not_judged() -> None:
    assert fixed_spots([], SHAPE) == []
    taken, seen = light_taken([], SHAPE)
    assert not seen.any()
    assert not taken.any()
