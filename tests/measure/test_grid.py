"""Fields of flicker across the picture, from pairs whose fields are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.measure.grid import (
    COLUMNS,
    ROWS,
    Grids,
    fast_fields,
    grid_weights,
    noticeable,
    solve_grids,
    solve_parts,
    uneven_rms_ev,
    without_fields,
)
from pipeline.measure.levels import solve_levels
from pipeline.measure.look import PairFigures
from tests.measure.synthetic_pairs import ASPECT, flicker, light_pairs

NONE = (0.0, 0.0, 0.0)
WIDE = 4.0 / 3.0
PERIOD = 20.0


def tilted(count: int, rms_ev: float, seed: int = 4) -> np.ndarray:
    """Fields (n, ROWS, COLUMNS) that differ by a random amount from the first row to the last."""
    size = np.random.default_rng(seed).normal(0.0, rms_ev, count)
    down = np.linspace(-0.5, 0.5, ROWS)
    return size[:, None, None] * down[None, :, None] * np.ones((1, 1, COLUMNS))


def seen_through(pairs: list[PairFigures], fields: np.ndarray) -> list[PairFigures]:
    """The pairs with fields put into their ratios."""
    return without_fields(pairs, -fields, WIDE)


def rms(fields: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(np.square(fields))))


def test_weights_are_bilinear_between_nodes() -> None:
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0]]) * ASPECT
    weights = grid_weights(corners, WIDE)
    assert weights.argmax(axis=1).tolist() == [0, COLUMNS - 1, ROWS * COLUMNS - 1]
    inside = np.random.default_rng(0).uniform(-1.0, 1.0, (50, 2)) * ASPECT
    assert grid_weights(inside, WIDE).sum(axis=1) == pytest.approx(np.ones(50))
    # A plane over the picture is met exactly.
    x = np.tile(np.linspace(-1.0, 1.0, COLUMNS), ROWS)
    y = np.repeat(np.linspace(-1.0, 1.0, ROWS), COLUMNS)
    plane = grid_weights(inside, WIDE) @ (0.3 * x - 0.2 * y)
    assert plane == pytest.approx(inside @ (np.array([0.3, -0.2]) / ASPECT))


def test_known_fields_are_found() -> None:
    count = 40
    truth = flicker(count)
    fields = tilted(count, 0.15)
    parts = solve_parts(count, seen_through(light_pairs(truth), fields), NONE, WIDE, PERIOD)
    true = fast_fields(Grids(fields, fields), PERIOD)
    assert uneven_rms_ev(parts.found_ev) == pytest.approx(rms(true), rel=0.1)
    error = parts.found_ev - true
    assert rms(error) < 0.1 * rms(true)
    # Here each block errs by itself, and the stated error allows for blocks that lean alike: it is wide.
    assert 0.1 < rms(error / parts.sigma_ev) < 1.0
    assert rms(parts.left_ev) < 0.25 * rms(true)


def test_even_flights_are_left_alone() -> None:
    count = 40
    parts = solve_parts(count, light_pairs(flicker(count)), NONE, WIDE, PERIOD)
    assert not parts.applied_ev.any()
    assert all(parts.gain_ev(frame) is None for frame in range(count))


def test_one_uneven_frame_is_evened_alone() -> None:
    count = 40
    fields = np.zeros((count, ROWS, COLUMNS))
    fields[17] = tilted(1, 1.0)[0] / np.abs(tilted(1, 1.0)).max() * 0.2
    parts = solve_parts(count, seen_through(light_pairs(flicker(count)), fields), NONE, WIDE, PERIOD)
    assert list(np.flatnonzero(parts.applied_ev.any(axis=(1, 2)))) == [17]
    gain = parts.gain_ev(17)
    assert gain is not None and len(gain) == ROWS and len(gain[0]) == COLUMNS
    assert np.array(gain) == pytest.approx(-fields[17], abs=0.03)


def test_a_constant_field_is_not_flicker() -> None:
    # What is left of a vignette is in every frame alike.
    count = 40
    fields = np.repeat(tilted(1, 0.1), count, axis=0)
    parts = solve_parts(count, seen_through(light_pairs(flicker(count)), fields), NONE, WIDE, PERIOD)
    assert not parts.applied_ev.any()


def test_fields_keep_out_of_the_levels() -> None:
    # Forward flight: the shared ground lies lower in the later frame, so a tilt leans the ratios.
    count = 40
    truth, fields = flicker(count), tilted(count, 0.3)
    pairs = light_pairs(truth, shift=0.5)
    uneven = seen_through(pairs, fields)
    parts = solve_parts(count, uneven, NONE, WIDE, PERIOD)
    cleared = without_fields(uneven, parts.applied_ev, WIDE)

    def error(some: list[PairFigures]) -> float:
        off = solve_levels(count, some, NONE).level_ev - truth
        return float(np.std(off - off.mean(axis=0)))

    assert error(cleared) < 0.5 * error(uneven)


def test_taking_out_and_putting_in_are_opposite() -> None:
    pairs = light_pairs(flicker(8))
    fields = tilted(8, 0.2)
    back = without_fields(seen_through(pairs, fields), fields, WIDE)
    for before, after in zip(pairs, back, strict=True):
        assert after.blocks.ratio_ev == pytest.approx(before.blocks.ratio_ev, abs=1e-6)


def test_frames_without_pairs_are_unknown() -> None:
    pairs = light_pairs(flicker(20), absent=(5, 6))
    grids = solve_grids(20, pairs, NONE, WIDE)
    assert list(np.flatnonzero(np.isnan(grids.field_ev).any(axis=(1, 2)))) == [5, 6]
    nothing = solve_grids(3, [], NONE, WIDE)
    assert np.isnan(nothing.field_ev).all() and uneven_rms_ev(nothing.field_ev) is None
    loose = [replace(pair, registered=False) for pair in pairs]
    assert np.isnan(solve_grids(20, loose, NONE, WIDE).field_ev).all()


def test_what_is_noticeable() -> None:
    field = np.zeros((20, ROWS, COLUMNS))
    field[3] = 0.04
    field[5] = 0.015
    sigma = np.full_like(field, 0.01)
    assert list(np.flatnonzero(noticeable(field, sigma))) == [3]
    field[8:12] = 0.05  # a fifth of all frames: the camera does so, and the smaller one is believed
    assert list(np.flatnonzero(noticeable(field, sigma))) == [3, 5, 8, 9, 10, 11]
    assert not noticeable(np.full_like(field, np.nan), np.full_like(field, np.nan)).any()
