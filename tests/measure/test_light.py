"""Log ratios of block means between frames whose light is known."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.light import (
    BLOCK_PX,
    MOST_BLOCKS,
    Detail,
    block_centres,
    block_means,
    block_sigma,
    compare_light,
    from_centre,
    likeness,
    nearing,
    on_ground,
)
from tests.measure.made import about_centre, from_middle, project, texture, view_of, warp

HIGH, WIDE = 320, 480
BLOCKS = (HIGH // BLOCK_PX) * (WIDE // BLOCK_PX)
STILL = np.eye(3)


def detail(picture: np.ndarray) -> Detail:
    return view_of(picture).detail


def test_block_means_by_reshaping() -> None:
    rgb = np.random.default_rng(0).uniform(0, 1, (50, 70, 3)).astype(np.float32)
    expected = rgb[:48, :64].reshape(3, 16, 4, 16, 3).mean(axis=(1, 3))
    assert np.allclose(block_means(rgb), expected, atol=1e-5)


def test_block_centres_are_the_mean_places_of_their_pixels() -> None:
    y, x = np.mgrid[:50, :70].astype(np.float32)
    assert np.allclose(block_centres((50, 70)), block_means(np.stack([x, y], axis=-1)), atol=1e-3)


def test_places_are_one_from_the_centre_in_the_corners() -> None:
    corners = np.array([[-0.5, -0.5], [WIDE - 0.5, -0.5], [WIDE - 0.5, HIGH - 0.5]])
    places = from_centre(corners, (HIGH, WIDE))
    assert np.linalg.norm(places, axis=1) == pytest.approx([1.0, 1.0, 1.0])
    assert np.array_equal(np.sign(places), [[-1, -1], [1, -1], [1, 1]])
    assert from_centre(np.array([(WIDE - 1) / 2, (HIGH - 1) / 2]), (HIGH, WIDE)) == pytest.approx([0.0, 0.0])


@pytest.mark.parametrize("ev", [-1.0, -0.02, 0.0, 0.6])
def test_a_brighter_second_frame_has_a_positive_ratio(ev: float) -> None:
    ground = texture(HIGH, WIDE)
    ratios = compare_light(view_of(ground), view_of(ground * 2.0**ev), STILL)[0].ratio_ev
    assert ratios.shape[1] == 3 and len(ratios) > 0.9 * BLOCKS
    assert np.allclose(ratios, ev, atol=1e-4)


def test_channels_are_told_apart() -> None:
    ground = np.stack([texture(HIGH, WIDE, seed=s) for s in range(3)], axis=-1)
    gains = np.array([0.3, -0.1, 0.05])
    ratios = compare_light(view_of(ground), view_of(ground * 2.0**gains), STILL)[0].ratio_ev
    assert np.allclose(ratios, gains, atol=1e-4)


def test_order_changes_the_sign() -> None:
    ground = texture(HIGH, WIDE)
    move = about_centre(HIGH, WIDE, turn_deg=3.0, shift=(12.0, 4.0))
    there = warp(ground, move) * 1.2
    onward = compare_light(view_of(ground), view_of(there), move)[0].ratio_ev
    back = compare_light(view_of(there), view_of(ground), np.linalg.inv(move))[0].ratio_ev
    assert np.median(onward) == pytest.approx(np.log2(1.2), abs=0.002)
    assert np.median(back) == pytest.approx(-np.log2(1.2), abs=0.002)


def test_registered_ground_is_compared_and_only_what_both_show() -> None:
    ground = texture(HIGH, WIDE)
    move = about_centre(HIGH, WIDE, shift=(160.0, 0.0))  # the second frame shows the left two thirds
    found = compare_light(view_of(ground), view_of(warp(ground, move) * 2.0), move)[0]
    assert np.allclose(found.ratio_ev, 1.0, atol=0.01)
    assert len(found.ratio_ev) == pytest.approx(BLOCKS * 2 / 3, rel=0.06)


def test_places_belong_to_the_same_ground_in_each_frame() -> None:
    ground = texture(HIGH, WIDE)
    move = about_centre(HIGH, WIDE, turn_deg=5.0, shift=(96.0, -48.0), tilt=(0.02, 0.0))
    found = compare_light(view_of(ground), view_of(warp(ground, move)), move)[0]
    to_px = np.hypot(HIGH, WIDE) / 2.0
    middle = np.array([(WIDE - 1) / 2.0, (HIGH - 1) / 2.0])
    here = found.place_i.astype(float) * to_px + middle
    there = project(move, here)
    assert len(found.place_i) == len(found.ratio_ev) > 100
    assert np.allclose((here + 0.5) % BLOCK_PX, BLOCK_PX / 2, atol=1e-3)
    assert np.allclose(found.place_j, from_middle(there, (HIGH, WIDE)), atol=1e-5)


def test_clipped_blocks_of_either_frame_are_left_out() -> None:
    ground = texture(HIGH, WIDE)
    first, second = np.zeros((2, HIGH, WIDE), bool)
    first[:, :48] = True
    second[5, WIDE - 5] = True  # one pixel spoils its block
    found = compare_light(view_of(ground, first), view_of(ground, second), STILL)[0]
    assert len(found.ratio_ev) == pytest.approx(BLOCKS - 3 * (HIGH // 16) - 1, abs=1)


def test_blocks_beyond_the_trusted_range_are_left_out() -> None:
    ground = np.full((HIGH, WIDE), 0.3, np.float32)
    ground[:160, :240] = 0.001
    ground[160:, :240] = 0.96
    assert len(compare_light(view_of(ground), view_of(ground), STILL)[0].ratio_ev) == BLOCKS / 2
    # a frame 0.5 EV darker brings the brightest ground back in the second, not in the first
    assert len(compare_light(view_of(ground), view_of(ground * 0.7), STILL)[0].ratio_ev) == BLOCKS / 2


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_black_or_white_frames_share_nothing(level: float) -> None:
    even = np.full((HIGH, WIDE), level, np.float32)
    found = compare_light(view_of(even), view_of(texture(HIGH, WIDE)), STILL)[0]
    assert found.ratio_ev.shape == (0, 3)
    assert found.place_i.shape == found.place_j.shape == (0, 2)


def test_frames_that_do_not_overlap_share_nothing() -> None:
    ground = texture(HIGH, WIDE)
    away = about_centre(HIGH, WIDE, shift=(2.0 * WIDE, 0.0))
    assert compare_light(view_of(ground), view_of(ground), away)[0].ratio_ev.shape == (0, 3)


def test_noise_does_not_bias_dark_blocks() -> None:
    # Noise as large as the level: log ratios of single pixels would be off by tenths of an EV.
    rng = np.random.default_rng(0)
    dark = np.full((HIGH, WIDE, 3), 0.02, np.float32)
    first = dark + rng.normal(0.0, 0.02, dark.shape)
    second = dark * 2.0 + rng.normal(0.0, 0.02, dark.shape)
    ratios = compare_light(view_of(first), view_of(second), STILL)[0].ratio_ev
    # A block mean is good to 0.02 / 16 of 0.02, or 0.09 EV; log2 of it leans by half its variance, 0.003;
    # the mean over 600 blocks is good to 0.004.
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.012)


def test_kept_blocks_are_bounded_and_spread() -> None:
    ground = texture(960, 1280)
    found = compare_light(view_of(ground), view_of(ground), STILL)[0]
    assert 0.5 * MOST_BLOCKS < len(found.ratio_ev) <= MOST_BLOCKS
    # the same spread of places as all blocks have, across and down
    everywhere = from_middle(block_centres((960, 1280)).reshape(-1, 2), (960, 1280))
    levels = [0.1, 0.5, 0.9]
    for axis in (0, 1):
        expected = np.quantile(everywhere[:, axis], levels)
        assert np.quantile(found.place_i[:, axis], levels) == pytest.approx(expected, abs=0.05)


def test_likeness_is_the_correlation_within_a_block() -> None:
    ground, other = texture(HIGH, WIDE), texture(HIGH, WIDE, seed=5)
    assert likeness(detail(ground), detail(ground)) == pytest.approx(
        np.ones((HIGH // 16, WIDE // 16)), abs=1e-3
    )
    # the light does not matter, nor half a px of misregistration
    assert likeness(detail(ground), detail(ground * 0.3)) == pytest.approx(
        np.ones((HIGH // 16, WIDE // 16)), abs=1e-3
    )
    nearly = warp(ground, about_centre(HIGH, WIDE, shift=(0.5, 0.0)))
    assert np.median(likeness(detail(ground), detail(nearly))) > 0.95
    assert abs(np.median(likeness(detail(ground), detail(other)))) < 0.3
    even = [detail(np.full((32, 32), level, np.float32)) for level in (0.3, 0.5)]
    assert np.isfinite(likeness(*even)).all()


def test_water_that_shades_with_the_picture_does_not_count_as_ground() -> None:
    # Two fifths of each frame are water: ripples of its own in each, and 0.4 EV brighter in the second.
    rng = np.random.default_rng(0)
    first, second = texture(HIGH, WIDE), texture(HIGH, WIDE) * 1.1
    for frame, level in ((first, 0.2), (second, 0.2 * 2.0**0.4)):
        frame[:, : WIDE * 2 // 5] = level * (1.0 + rng.normal(0.0, 0.05, (HIGH, WIDE * 2 // 5)))
    ratios = compare_light(view_of(first), view_of(second), STILL)[0].ratio_ev
    # ripples of two frames correlate by chance in few of 240 blocks; at the shore the shore itself does
    water = np.abs(ratios[:, 1] - np.log2(1.1)) > 0.05
    assert np.count_nonzero(water) < 0.1 * BLOCKS * 2 / 5
    assert np.count_nonzero(~water) > 0.9 * BLOCKS * 3 / 5


def test_where_nothing_is_alike_all_blocks_stay() -> None:
    # fog: noise alone
    rng = np.random.default_rng(0)
    first, second = (0.3 + rng.normal(0.0, 0.01, (HIGH, WIDE)).astype(np.float32) for _ in range(2))
    ratios = compare_light(view_of(first), view_of(second * 2.0), STILL)[0].ratio_ev
    assert len(ratios) == BLOCKS
    assert np.median(ratios) == pytest.approx(1.0, abs=0.002)


def test_shading_alone_is_no_texture() -> None:
    # The mirrored sky darkens water down the picture, alike in every frame; its ripples are never the same.
    rng = np.random.default_rng(1)
    shade = np.linspace(0.4, 0.1, HIGH)[:, None] * np.ones((1, WIDE))
    first, second = (
        (shade * (1.0 + rng.normal(0.0, 0.03, shade.shape))).astype(np.float32) for _ in range(2)
    )
    assert np.median(np.abs(likeness(detail(first), detail(second)))) < 0.3


def test_a_block_knows_how_sure_it_is() -> None:
    rng = np.random.default_rng(2)
    ground = texture(HIGH, WIDE)
    noise = 0.02 * ground
    noisy = [(ground + noise * rng.normal(0.0, 1.0, ground.shape)).astype(np.float32) for _ in range(2)]
    # Noise of 2 % in each of 256 px of both frames: 0.02 √2 / 16 / ln 2 = 0.0026 EV, on a floor of 0.002.
    assert np.median(block_sigma(*map(detail, noisy))) == pytest.approx(np.hypot(0.0026, 0.002), rel=0.2)
    # A brighter second frame is no disagreement, a misregistered one is.
    assert np.median(block_sigma(detail(ground), detail(ground * 1.5))) == pytest.approx(0.002, rel=0.01)
    apart = warp(ground, about_centre(HIGH, WIDE, shift=(3.0, 0.0)))
    assert np.median(block_sigma(detail(ground), detail(apart))) > 0.01


def ripples(seed: int) -> np.ndarray:
    """Water alone: shading that stays in the picture, ripples that do not."""
    rng = np.random.default_rng(seed)
    shade = np.linspace(0.4, 0.1, HIGH)[:, None] * np.ones((1, WIDE))
    return np.asarray(shade * (1.0 + rng.normal(0.0, 0.05, shade.shape)), np.float32)


def test_where_all_is_water_its_place_in_the_picture_is_compared() -> None:
    move = about_centre(HIGH, WIDE, shift=(0.0, 60.0))  # what some far rock claimed
    ratios, registered = compare_light(view_of(ripples(0)), view_of(ripples(1) * 1.2), move)
    assert not registered
    assert np.median(ratios.ratio_ev) == pytest.approx(np.log2(1.2), abs=0.005)
    assert np.array_equal(ratios.place_i, ratios.place_j)


def test_ground_drowned_in_noise_is_still_compared_where_it_lies() -> None:
    rng = np.random.default_rng(3)
    ground = texture(HIGH, WIDE) * 0.1
    move = about_centre(HIGH, WIDE, shift=(64.0, 32.0))
    frames = [
        picture + rng.normal(0.0, 0.03, picture.shape) for picture in (ground, warp(ground, move) * 1.3)
    ]
    first, second = (view_of(frame.astype(np.float32)) for frame in frames)
    ratios, registered = compare_light(first, second, move)
    assert registered
    assert np.median(ratios.ratio_ev) == pytest.approx(np.log2(1.3), abs=0.03)


FOCAL_PX, HEIGHT_M = 400.0, 50.0


def over_ground(pitch_deg: float, onward_m: float, yaw_deg: float = 0.0) -> np.ndarray:
    """The homography of level ground between two photos, of which the second is `onward_m` further on."""
    pitch, yaw = np.radians([pitch_deg, yaw_deg])
    # World axes: right, forward, up. Rows of a rotation: the camera's right, down and forward.
    look = np.array(
        [[1.0, 0.0, 0.0], [0.0, np.sin(pitch), -np.cos(pitch)], [0.0, np.cos(pitch), np.sin(pitch)]]
    )
    turn = np.array([[np.cos(yaw), -np.sin(yaw), 0.0], [np.sin(yaw), np.cos(yaw), 0.0], [0.0, 0.0, 1.0]])
    camera = np.array([[FOCAL_PX, 0.0, (WIDE - 1) / 2], [0.0, FOCAL_PX, (HIGH - 1) / 2], [0.0, 0.0, 1.0]])
    views = []
    for rotation, forward in ((look, 0.0), (look @ turn, onward_m)):
        place = np.array([0.0, forward, HEIGHT_M])
        views.append(camera @ np.column_stack([rotation[:, 0], rotation[:, 1], -rotation @ place]))
    return np.asarray(views[1] @ np.linalg.inv(views[0]))


@pytest.mark.parametrize("yaw_deg", [0.0, 3.0])
def test_how_much_nearer_the_ground_comes(yaw_deg: float) -> None:
    rows = np.array([200.0, 260.0, HIGH - 1.0])
    found = nearing(over_ground(-30.0, 4.0, yaw_deg), rows, (HIGH, WIDE))
    # worked by hand: the ray of a row meets the ground at a depth of height / (sin 30 + y cos 30) along the
    # axis, y in focal lengths; 4 m forward are 4 cos 30 of it
    y = (rows - (HIGH - 1) / 2) / FOCAL_PX
    depth = HEIGHT_M / (np.sin(np.radians(30)) + y * np.cos(np.radians(30)))
    expected = np.log(depth / (depth - 4.0 * np.cos(np.radians(30))))
    # yaw itself shortens the third coordinate, by its cosine
    assert found == pytest.approx(expected, abs=1.0 - np.cos(np.radians(yaw_deg)) + 1e-9)


@pytest.mark.parametrize("onward_m", [10.0, -10.0])
def test_sky_is_no_ground(onward_m: float) -> None:
    rows = np.arange(HIGH, dtype=float)
    below = on_ground(over_ground(-10.0, onward_m), rows, (HIGH, WIDE))
    horizon = (HIGH - 1) / 2 - FOCAL_PX * np.tan(np.radians(10.0))
    assert np.array_equal(below, rows > horizon)


@pytest.mark.parametrize("pitch_deg", [-90.0, -60.0, -10.0])
def test_hovering_and_looking_down_all_counts_as_ground(pitch_deg: float) -> None:
    shaken = over_ground(pitch_deg, 0.0, yaw_deg=1.0)
    assert on_ground(shaken, np.arange(HIGH, dtype=float), (HIGH, WIDE)).all()
    down = over_ground(-90.0, 5.0)
    assert on_ground(down, np.arange(HIGH, dtype=float), (HIGH, WIDE)).all()
