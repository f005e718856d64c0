"""Motion between frames, its checking, and frames made along it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.render.arrays import F32
from pipeline.render.flow import between, compare, grey, origins, pixel_places
from tests.render.made import psnr

HEIGHT, WIDTH = 240, 320


def texture(seed: int = 5, height: int = HEIGHT + 80, width: int = WIDTH + 80) -> F32:
    """An invented linear ground with detail of several sizes."""
    rng = np.random.default_rng(seed)
    total = np.full((height, width, 3), 0.2, np.float32)
    for step, share in ((40, 0.08), (10, 0.06), (4, 0.04)):
        coarse = rng.normal(0.0, share, (height // step + 3, width // step + 3, 3)).astype(np.float32)
        total += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(total, 0.0, 1.0)


def window(ground: F32, x: float, y: float) -> F32:
    """The frame whose upper left pixel lies at x, y of the ground."""
    shift = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(ground, shift, (WIDTH, HEIGHT), flags=flags), np.float32)


def test_a_shift_is_found_both_ways_and_trusted() -> None:
    ground = texture()
    flows = compare(grey(window(ground, 40, 40)), grey(window(ground, 49, 36)))
    inner = np.s_[30:-30, 30:-30]
    assert np.median(np.abs(flows.forward.motion[inner] - [-9.0, 4.0])) < 0.05
    assert np.median(np.abs(flows.backward.motion[inner] - [9.0, -4.0])) < 0.05
    assert (flows.forward.trust[inner] == 1.0).mean() > 0.99
    assert flows.consistent > 0.97


def test_what_leaves_the_frame_moves_with_the_ground_but_counts_little() -> None:
    ground = texture()
    forward = compare(grey(window(ground, 40, 40)), grey(window(ground, 49, 36))).forward
    leaving = np.s_[20:-20, :8]
    np.testing.assert_allclose(forward.motion[leaving], np.broadcast_to([-9.0, 4.0], (200, 8, 2)), atol=0.2)
    assert (forward.trust[leaving] < 0.1).all()


def test_two_pictures_of_different_ground_are_not_trusted() -> None:
    flows = compare(grey(window(texture(5), 40, 40)), grey(window(texture(6), 40, 40)))
    assert flows.consistent < 0.5


def test_trusted_motion_is_marked_where_it_is_not() -> None:
    ground = texture()
    way = compare(grey(window(ground, 40, 40)), grey(window(ground, 46, 40))).forward
    trusted, agreed = way.trusted(), way.trust == 1.0
    assert (np.isnan(trusted[..., 0]) == ~agreed).all()
    np.testing.assert_allclose(trusted[agreed], way.motion[agreed], atol=0.005)


def test_origins_undo_the_motion() -> None:
    """p + share · motion(p) leads back to the pixel, for motion that differs over the frame."""
    places = pixel_places(HEIGHT, WIDTH)
    motion = np.stack([20.0 * np.sin(places[..., 1] / 60.0), 0.1 * places[..., 1]], axis=-1).astype(
        np.float32
    )
    origin = origins(motion, 0.5)
    gone = origin + 0.5 * cv2.remap(motion, origin, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
    np.testing.assert_allclose(gone[20:-40, 40:-40], places[20:-40, 40:-40], atol=0.05)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_a_frame_between_stands_where_the_ground_was(share: float) -> None:
    ground = texture()
    first, second, truth = (window(ground, 40 + 14 * s, 40 - 6 * s) for s in (0.0, 1.0, share))
    made, known = between(first, second, compare(grey(first), grey(second)), share)
    assert known > 0.99
    nearest = first if share <= 0.5 else second
    assert psnr(made, truth) > 40.0
    assert psnr(made, truth) > psnr(nearest, truth) + 15.0
    border = np.ones((HEIGHT, WIDTH), bool)
    border[16:-16, 16:-16] = False
    assert psnr(made[border], truth[border]) > 30.0


def test_where_motion_cannot_be_followed_the_nearest_frame_shows() -> None:
    ground = texture()
    first, second = window(ground, 40, 40), window(ground, 49, 36)
    flows = compare(grey(first), grey(second))
    unknown = np.ones((HEIGHT, WIDTH), np.float32)
    unknown[:, :160] = 0.0
    doubtful = replace(
        flows,
        forward=replace(flows.forward, trust=flows.forward.trust * unknown),
        backward=replace(flows.backward, trust=flows.backward.trust * unknown),
    )
    np.testing.assert_allclose(between(first, second, doubtful, 0.3)[0][:, :130], first[:, :130], atol=2e-4)
    np.testing.assert_allclose(between(first, second, doubtful, 0.7)[0][:, :130], second[:, :130], atol=2e-4)
    followed = between(first, second, flows, 0.3)[0][20:-20, 200:-20]
    np.testing.assert_allclose(between(first, second, doubtful, 0.3)[0][20:-20, 200:-20], followed, atol=1e-6)


def test_what_moves_against_the_ground_is_followed() -> None:
    """A dark disc crosses moving ground: it is whole, and not a ghost at two places."""
    ground = texture()

    def scene(share: float) -> F32:
        frame = window(ground, 40 + 4 * share, 40).copy()
        place = (round(16 * (100 + 24 * share)), 16 * 120)
        return np.asarray(
            cv2.circle(frame, place, 16 * 30, (0.02, 0.02, 0.02), -1, cv2.LINE_AA, 4), np.float32
        )

    first, second, truth = scene(0.0), scene(1.0), scene(0.5)
    made, _ = between(first, second, compare(grey(first), grey(second)), 0.5)
    around = np.s_[80:160, 60:170]
    assert psnr(made[around], truth[around]) > psnr((first + second)[around] / 2, truth[around]) + 6.0


def test_light_is_mixed_linearly() -> None:
    first, second = np.full((60, 80, 3), 0.1, np.float32), np.full((60, 80, 3), 0.3, np.float32)
    flat = compare(grey(first), grey(first))
    np.testing.assert_allclose(between(first, second, flat, 0.25)[0], 0.15, rtol=1e-3)
