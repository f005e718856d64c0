"""Levels and vignette solved from pairs built from known ones."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.levels import (
    ALIGNED,
    NOTHING,
    STATISTICS,
    estimate_vignette,
    pair_ratio,
    part_of,
    solve_levels,
    sure_part,
    vignette_basis,
)
from tests.measure.synthetic_pairs import flicker, light_pair, light_pairs, vignette_loss

NONE = (0.0, 0.0, 0.0)
LENS = (0.9, -0.3, 0.1)
RADIUS = np.linspace(0.0, 1.0, 101)


def fast_error(solved: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Error (n, 3) less its mean: levels are only known against each other."""
    error = solved - truth
    return error - np.nanmean(error, axis=0)


def test_basis_by_hand() -> None:
    places = np.array([[0.0, 0.0], [0.3, -0.4], [-0.8, 0.6]])
    assert np.allclose(vignette_basis(places), [[0, 0, 0], [1 / 4, 1 / 16, 1 / 64], [1, 1, 1]])


@pytest.mark.parametrize("spoiled", [0.0, 0.2, 0.4])
def test_levels_of_known_flicker(spoiled: float) -> None:
    truth = flicker(40)
    solved = solve_levels(40, light_pairs(truth, spoiled=spoiled), NONE)
    # 320 blocks of 0.02 EV tell a pair to 0.0011 EV (0.0015 with 40 % lost), and ten pairs end in a frame.
    assert np.std(fast_error(solved.level_ev, truth)) < 0.0015
    assert np.array_equal(solved.level_ev[0], np.zeros(3))
    assert not solved.unregistered.any()


def test_uncertainty_is_that_of_the_errors() -> None:
    truth = flicker(60)
    solved = solve_levels(60, light_pairs(truth), NONE)
    error = fast_error(solved.level_ev, truth)[:, 1]
    # neighbours share pairs, so a frame's own error lies a little above or below the stated one
    assert 0.5 < np.std(np.diff(error)) / np.sqrt(2.0) / np.median(solved.sigma_ev) < 2.0


def test_channels_are_solved_apart() -> None:
    truth = np.cumsum(np.random.default_rng(2).normal(0.0, 0.05, (20, 3)), axis=0)
    solved = solve_levels(20, light_pairs(truth), NONE)
    assert np.std(fast_error(solved.level_ev, truth)) < 0.002


def test_one_bright_frame_does_not_pull_its_neighbours() -> None:
    truth = flicker(30, 0.0)
    truth[12] += 0.5
    solved = solve_levels(30, light_pairs(truth, noise_ev=0.01), NONE).level_ev[:, 1]
    assert solved[12] - np.median(solved) == pytest.approx(0.5, abs=0.002)
    assert np.max(np.abs(np.delete(solved - np.median(solved), 12))) < 0.002


def test_wrong_pairs_are_outvoted() -> None:
    truth = flicker(30)
    pairs = light_pairs(truth)
    rng = np.random.default_rng(5)
    for place in rng.permutation(len(pairs))[: len(pairs) // 10]:
        wrong = truth + rng.uniform(-0.6, 0.6, (30, 1))
        pairs[place] = light_pair(pairs[place].i, pairs[place].j, wrong, rng)
    assert np.std(fast_error(solve_levels(30, pairs, NONE).level_ev, truth)) < 0.0015


def test_wrong_pairs_of_one_stretch_do_not_hold_each_other_up() -> None:
    # A shadow of 1.2 EV comes over the ground: pairs 8 apart all see it, and call it exposure.
    truth = flicker(60)
    pairs = light_pairs(truth, blocks=100)
    for place, pair in enumerate(pairs):
        if pair.j - pair.i == 8 and 44 <= pair.i < 52:
            wrong = truth - 1.2 * (np.arange(60) >= pair.j)[:, None]
            rng = np.random.default_rng(place)
            pairs[place] = light_pair(pair.i, pair.j, wrong, rng, noise_ev=0.008, blocks=100)
    assert np.std(fast_error(solve_levels(60, pairs, NONE).level_ev, truth)) < 0.002


def test_blocks_unsure_for_their_brightness_are_left_out() -> None:
    pair = light_pair(0, 1, flicker(2), np.random.default_rng(0), blocks=400)
    level, sigma = pair.blocks.level_ev[:, 1], pair.blocks.sigma_ev
    sigma[:] = 0.003 * 2.0 ** (-0.5 * (level - level.min()))  # dark ones are noisier, and that is all right
    shore = np.arange(len(sigma)) % 10 == 3
    sigma[shore] = 0.03
    kept = sure_part(pair, held_out=False)
    assert not shore[kept].any()
    assert np.array_equal(kept, np.setdiff1d(part_of(pair, held_out=False), np.flatnonzero(shore)))


@pytest.mark.parametrize("held_out", [False, True])
def test_the_order_of_pairs_does_not_matter(held_out: bool) -> None:
    pairs = light_pairs(flicker(15), spoiled=0.2)
    first = solve_levels(15, pairs, NONE, held_out).level_ev
    assert np.allclose(solve_levels(15, pairs[::-1], NONE, held_out).level_ev, first, atol=1e-6)


def test_held_out_blocks_are_other_blocks() -> None:
    # Spoil every fifth block, which is held out: the solve must not see it and the check must.
    truth = flicker(12)
    pairs = light_pairs(truth)
    for pair in pairs:
        pair.blocks.ratio_ev[::5] += 0.1 * (pair.j % 2) - 0.1 * (pair.i % 2)
    solved = solve_levels(12, pairs, NONE).level_ev
    held = solve_levels(12, pairs, NONE, held_out=True).level_ev
    odd = 0.1 * (np.arange(12) % 2)[:, None]
    assert np.std(fast_error(solved, truth)) < 0.0015
    assert np.std(fast_error(held, truth + odd)) < 0.003


def test_missing_and_lonely_frames() -> None:
    truth = flicker(20)
    pairs = [p for p in light_pairs(truth, absent=(3, 4, 11)) if 15 not in (p.i, p.j)]
    solved = solve_levels(20, pairs, NONE)
    known = np.isfinite(solved.level_ev).all(axis=1)
    assert list(np.flatnonzero(~known)) == [3, 4, 11, 15]
    assert np.array_equal(np.isnan(solved.sigma_ev), ~known)
    assert np.nanstd(fast_error(solved.level_ev, truth)) < 0.002


@pytest.mark.parametrize("count", [1, 2, 3])
def test_short_sequences(count: int) -> None:
    truth = flicker(count, 0.2)
    solved = solve_levels(count, light_pairs(truth), NONE)
    if count == 1:
        assert np.isnan(solved.level_ev).all() and solved.unregistered.all()
    else:
        assert np.allclose(solved.level_ev, truth, atol=0.006)


def test_a_pair_with_few_blocks_counts_for_nothing() -> None:
    rng = np.random.default_rng(0)
    truth = flicker(2, 0.2)
    assert pair_ratio(light_pair(0, 1, truth, rng, blocks=20), np.zeros(3), False) is None
    none = light_pair(0, 1, truth, rng, blocks=0)
    assert pair_ratio(none, np.zeros(3), False) is None and pair_ratio(none, np.zeros(3), True) is None
    assert np.isnan(solve_levels(2, [none], NONE).level_ev).all()
    assert estimate_vignette([none]) == NONE


def test_unregistered_pairs_yield_to_registered_ones() -> None:
    truth = flicker(20)
    rng = np.random.default_rng(3)
    pairs = light_pairs(truth)
    loose = [light_pair(k, k + 1, truth + 0.1 * k, rng, registered=False) for k in range(19)]
    solved = solve_levels(20, pairs + loose, NONE)
    assert np.std(fast_error(solved.level_ev, truth)) < 0.0015
    assert not solved.unregistered.any()


def test_frames_resting_on_unregistered_pairs_alone_are_named() -> None:
    truth = flicker(10)
    pairs = [
        light_pair(p.i, p.j, truth, np.random.default_rng(p.j), registered=6 not in (p.i, p.j))
        for p in light_pairs(truth)
    ]
    solved = solve_levels(10, pairs, NONE)
    assert list(np.flatnonzero(solved.unregistered)) == [6]
    assert solved.sigma_ev[6] > 5 * np.median(solved.sigma_ev)
    assert solved.level_ev[6] - truth[6] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("spoiled", [0.0, 0.2])
@pytest.mark.parametrize("lens", [NONE, LENS, (0.2, 0.0, 0.0)])
def test_the_vignette_of_a_known_lens(lens: tuple[float, float, float], spoiled: float) -> None:
    truth = flicker(30)
    found = estimate_vignette(light_pairs(truth, vignette=lens, spoiled=spoiled))
    # Coefficients of r², r⁴, r⁶ trade against each other; what counts is the loss they add up to. Some
    # 140 pairs of 320 blocks of 0.02 EV tell it far below a thousandth where blocks are.
    miss = vignette_loss(found, RADIUS) - vignette_loss(lens, RADIUS)
    assert np.max(np.abs(miss[RADIUS < 0.9])) < 0.004
    assert np.max(np.abs(miss)) < 0.02


def test_the_vignette_is_kept_out_of_the_levels() -> None:
    # A flight in one direction sees each ground ever nearer the border: the loss leans every pair alike.
    truth = flicker(30)
    pairs = light_pairs(truth, vignette=LENS)
    found = estimate_vignette(pairs)
    with_lens = np.std(fast_error(solve_levels(30, pairs, found).level_ev, truth))
    without = np.std(fast_error(solve_levels(30, pairs, NONE).level_ev, truth))
    assert with_lens < 0.0015
    assert without > 2.0 * with_lens


def test_held_out_blocks_do_not_touch_the_vignette() -> None:
    pairs = light_pairs(flicker(12), vignette=LENS)
    clean = estimate_vignette(pairs)
    for pair in pairs:
        pair.blocks.ratio_ev[::5] += 0.05
    assert estimate_vignette(pairs) == pytest.approx(clean, abs=1e-6)


def test_haze_across_the_picture_is_no_vignette() -> None:
    found = estimate_vignette(light_pairs(flicker(30), slope_ev=(0.05, -0.3)))
    assert np.max(np.abs(vignette_loss(found, RADIUS[RADIUS < 0.9]))) < 0.004
    both = estimate_vignette(light_pairs(flicker(30), slope_ev=(0.0, -0.3), vignette=LENS))
    miss = vignette_loss(both, RADIUS) - vignette_loss(LENS, RADIUS)
    assert np.max(np.abs(miss[RADIUS < 0.9])) < 0.008


def test_no_vignette_without_movement() -> None:
    # Hovering shows each ground at one radius: nothing tells the loss, and none must be made up.
    found = estimate_vignette(light_pairs(flicker(20), shift=0.0, vignette=LENS))
    assert np.max(np.abs(vignette_loss(found, RADIUS))) < 1e-6


def medians_of(level_ev: np.ndarray, scene: float = 0.1) -> dict[int, tuple[float, float, float]]:
    """Medians of pictures of one scene under these levels (n, 3)."""
    red, green, blue = (scene * 2.0**level_ev.T).tolist()
    return dict(enumerate(zip(red, green, blue, strict=True)))


def test_a_frame_without_ground_is_held_by_the_medians() -> None:
    truth = flicker(20)
    pairs = [p for p in light_pairs(truth) if 9 not in (p.i, p.j)]
    solved = solve_levels(20, pairs, NONE, medians=medians_of(truth))
    assert solved.group is not None and solved.unregistered[9]
    assert solved.group[9] == STATISTICS and (np.delete(solved.group, 9) == 0).all()
    assert fast_error(solved.level_ev, truth)[9] == pytest.approx(np.zeros(3), abs=0.005)
    assert solved.sigma_ev[9] > 0.1 > 10 * np.median(solved.sigma_ev)


@pytest.mark.parametrize("level", [1e-5, 0.99])
def test_a_black_or_burnt_frame_tells_nothing(level: float) -> None:
    truth = flicker(20)
    pairs = [p for p in light_pairs(truth) if 9 not in (p.i, p.j)]
    medians = medians_of(truth) | {9: (level, level, level)}
    solved = solve_levels(20, pairs, NONE, medians=medians)
    assert np.isnan(solved.level_ev[9]).all() and solved.group is not None and solved.group[9] == NOTHING
    assert np.nanstd(fast_error(solved.level_ev, truth)) < 0.002


def test_lost_overlap_leaves_two_groups_and_one_solution() -> None:
    truth = flicker(30)
    pairs = [p for p in light_pairs(truth) if (p.i < 18) == (p.j < 18)]
    solved = solve_levels(30, pairs, NONE, medians=medians_of(truth))
    assert solved.group is not None
    assert list(solved.group) == [0] * 18 + [1] * 12
    assert np.isfinite(solved.level_ev).all()
    for part in (slice(0, 18), slice(18, 30)):
        assert np.std(fast_error(solved.level_ev[part], truth[part])) < 0.0015
    apart = fast_error(solved.level_ev, truth)
    assert abs(apart[:18].mean() - apart[18:].mean()) < 0.02


def test_medians_are_not_heard_where_ground_is_shared() -> None:
    truth = flicker(20)
    pairs = light_pairs(truth)
    wrong = medians_of(truth + np.linspace(0.0, 3.0, 20)[:, None])
    with_medians = solve_levels(20, pairs, NONE, medians=wrong).level_ev
    assert with_medians == pytest.approx(solve_levels(20, pairs, NONE).level_ev, abs=1e-9)


def test_frames_aligned_in_bulk_are_told_from_registered_ones() -> None:
    truth = flicker(10)
    pairs = [
        light_pair(p.i, p.j, truth, np.random.default_rng(p.j), registered=6 not in (p.i, p.j))
        for p in light_pairs(truth)
    ]
    group = solve_levels(10, pairs, NONE).group
    assert group is not None and group[6] == ALIGNED and (np.delete(group, 6) == 0).all()


def test_noisy_blocks_count_less_than_sure_ones() -> None:
    truth = flicker(20)
    pairs = light_pairs(truth)
    rng = np.random.default_rng(0)
    for pair in pairs:  # two blocks in three lean, and know that they are unsure
        unsure = np.arange(len(pair.blocks.sigma_ev)) % 3 > 0
        pair.blocks.sigma_ev[unsure] = 0.2
        pair.blocks.ratio_ev[unsure] += rng.normal(0.1, 0.2, (int(unsure.sum()), 1)).astype(np.float32)
    assert np.std(fast_error(solve_levels(20, pairs, NONE).level_ev, truth)) < 0.004
