"""Log ratios of light between two frames, on block means of the ground they share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.measure.proxy import Proxy
from pipeline.measure.robust import robust_sigma

Floats = NDArray[np.float64]

BLOCK_PX = 16
"""Side of a block in proxy px."""

MOST_BLOCKS = 700
"""Blocks kept of a pair, spread evenly; more would not make the mode surer, only the file larger."""

BELOW_SATURATION = 0.95
ABOVE_BLACK = 0.002
"""Share of saturation below which a block mean is taken for noise and black-level error."""


PART_PX = 4
"""Side of the parts of a block whose disagreement tells how sure its ratio is."""

SAME_GROUND = 0.6
"""Correlation of a block's texture from which it counts as the same ground in both frames."""

LEAST_ALIKE = 40

_TEXTURE_PX = 9
"""What is wider than this is shading, not texture: water keeps its shading and loses its ripples."""
_LEAST_SIGMA_EV = 2e-3
_CLEARLY = 0.7
_CLEARLY_NEARER = 0.05
"""Log ratio of distances at the lower edge from which a horizon is believed: shaking by half a degree
between two frames looks like up to 0.01."""


@dataclass(frozen=True)
class BlockRatios:
    """Blocks that both frames show within the trusted range.

    `ratio_ev` (k, 3) is log2(mean in j / mean in i) per channel R, G, B, `sigma_ev` (k,) its standard error
    in green as the parts of the block tell it: noise and misregistration make them disagree. `place_i`,
    `place_j` (k, 2) are where the blocks lie in the two frames, x right and y down from the centre over
    half the diagonal. `level_ev` (k, 3) is log2 of the mean level of the two frames' blocks, saturation 0.
    """

    ratio_ev: NDArray[np.float32]
    sigma_ev: NDArray[np.float32]
    place_i: NDArray[np.float32]
    place_j: NDArray[np.float32]
    level_ev: NDArray[np.float32]


def block_means(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return means (h // 16, w // 16, ...) over whole blocks of a picture (h, w, ...)."""
    high, wide = picture.shape[0] // BLOCK_PX, picture.shape[1] // BLOCK_PX
    whole = picture[: high * BLOCK_PX, : wide * BLOCK_PX]
    return np.asarray(cv2.resize(whole, (wide, high), interpolation=cv2.INTER_AREA))


def block_centres(shape: tuple[int, int]) -> Floats:
    """Return pixel coordinates (h // 16, w // 16, 2), x before y, of the centres of whole blocks."""
    high, wide = shape[0] // BLOCK_PX, shape[1] // BLOCK_PX
    x = (np.arange(wide) + 0.5) * BLOCK_PX - 0.5
    y = (np.arange(high) + 0.5) * BLOCK_PX - 0.5
    return np.stack(np.meshgrid(x, y), axis=-1)


def from_centre(points: Floats, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return pixel coordinates (..., 2) from the centre of a picture (h, w), over half its diagonal."""
    centre = np.array([(shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0])
    return np.asarray((points - centre) / (0.5 * np.hypot(*shape)), np.float32)


class Detail(NamedTuple):
    """What the green of a picture shows within its blocks.

    `texture` (h, w) is the picture softened by a pixel, so that a registration half a pixel off still
    counts as the same, and freed of what is wider than a texture; `energy` (h // 16, w // 16) its mean
    square. `parts` (h // 16, w // 16, 16) are the means of the parts of each block over the block's own.
    """

    texture: NDArray[np.float32]
    energy: NDArray[np.float32]
    parts: NDArray[np.float32]


@dataclass(frozen=True)
class LightView:
    """A frame as its light is compared with others'.

    `planes` (h, w, 4) are the proxy's linear R, G, B, and one above 0 where anything is clipped: four planes
    are warped in less than half the time of three and one. `scale` is proxy px per full-size px. What the
    frame shows by itself is told when first asked for, and kept for all the pairs that it is in.
    """

    planes: NDArray[np.float32]
    scale: float

    @classmethod
    def of(cls, proxy: Proxy) -> LightView:
        """Return the view of a proxy."""
        planes = cv2.merge([*cv2.split(proxy.rgb), proxy.clipped.astype(np.float32)])
        return cls(np.asarray(planes, np.float32), proxy.scale)

    def moved(self, homography: Floats) -> LightView:
        """Return the view as seen from where px lie that `homography` takes to its own, clipped beyond it."""
        flags, beyond = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR, (0.0, 0.0, 0.0, 1.0)
        size = self.planes.shape[1::-1]
        planes = cv2.warpPerspective(self.planes, homography, size, flags=flags, borderValue=beyond)
        return LightView(np.asarray(planes, np.float32), self.scale)

    @cached_property
    def means(self) -> NDArray[np.float32]:
        """The means (h // 16, w // 16, 4) of the blocks."""
        return block_means(self.planes)

    @cached_property
    def detail(self) -> Detail:
        """What green shows within the blocks."""
        # A plane of its own: twice as fast as every fourth value.
        green = np.asarray(cv2.extractChannel(self.planes, 1), np.float32)
        high, wide = self.means.shape[:2]
        each = BLOCK_PX // PART_PX
        whole = green[: high * BLOCK_PX, : wide * BLOCK_PX]
        small = np.asarray(cv2.resize(whole, (wide * each, high * each), interpolation=cv2.INTER_AREA))
        parts = small.reshape(high, each, wide, each).swapaxes(1, 2).reshape(high, wide, -1)
        parts = parts / np.maximum(parts.mean(axis=-1, keepdims=True), 1e-6)
        soft = cv2.blur(cv2.sqrt(np.maximum(green, 0.0)), (3, 3))
        texture = np.asarray(cv2.subtract(soft, cv2.blur(soft, (_TEXTURE_PX, _TEXTURE_PX))), np.float32)
        return Detail(texture, block_means(texture * texture), np.asarray(parts, np.float32))


def likeness(here: Detail, there: Detail) -> NDArray[np.float32]:
    """Return the correlation (h // 16, w // 16) of the texture of two pictures within each block."""
    product = block_means(here.texture * there.texture)
    return np.asarray(product / np.sqrt(np.maximum(here.energy * there.energy, 1e-14)), np.float32)


def block_sigma(here: Detail, there: Detail) -> NDArray[np.float32]:
    """Return the standard error (h // 16, w // 16) in EV of the log ratio of two pictures in each block.

    It is told by the scatter of the ratios of the block's parts, each against the block's own brightness,
    so that a part in deep shadow counts by the light it adds.
    """
    apart = there.parts - here.parts
    error = np.sqrt(np.mean(apart**2, axis=-1) / (apart.shape[-1] - 1)) / np.log(2.0)
    return np.asarray(np.hypot(error, _LEAST_SIGMA_EV), np.float32)


def same_ground(alike: NDArray[np.float32], good: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], bool]:
    """Return which of the `good` blocks show the same ground, by their likeness, and whether that is sure.

    Water and sky keep their shading in the picture, not on the ground, and would lean the ratio all one
    way; their texture gives them away. Where hardly a block is alike (fog, night) all good ones stay.
    """
    same = good & (alike > SAME_GROUND)
    sure = bool(np.count_nonzero(same) >= LEAST_ALIKE)
    return (same if sure else good), sure


def nearing(homography: Floats, down_px: Floats, shape: tuple[int, int]) -> Floats:
    """Return how much nearer the ground in the rows `down_px` (n,) of i lies in j, as log ratios (n,).

    A plane's homography H enlarges by det(H) / w**3, where w is the third coordinate of H(x, y, 1). At one
    height that is the ratio of the depths cubed: H is then R + t n' / d (R. Hartley, A. Zisserman, Multiple
    View Geometry, 2004, chapter 13) with t across n, of determinant one. Told in the middle column, since
    yaw between the frames tilts it across the picture.
    """
    middle = np.stack([np.full(len(down_px), (shape[1] - 1) / 2.0), down_px, np.ones(len(down_px))], axis=1)
    third = middle @ homography[2] / np.cbrt(np.linalg.det(homography))
    return np.asarray(-np.log(np.maximum(third, 1e-6)))


def on_ground(homography: Floats, down_px: Floats, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return which of the rows `down_px` (n,) lie below the horizon, where the flight tells it, else all.

    Flying forward the ground comes nearer, at the horizon it stays, and above it, where the plane is not,
    it would recede. There are sky and far hills, misplaced by the homography of the ground.
    """
    nearer = nearing(homography, np.append(down_px, shape[0] - 1.0), shape)
    if abs(nearer[-1]) < _CLEARLY_NEARER:
        return np.ones(len(down_px), bool)
    return np.asarray(nearer[:-1] * np.sign(nearer[-1]) > 0.0)


def compare_light(first: LightView, second: LightView, homography: Floats) -> tuple[BlockRatios, bool]:
    """Return the log ratios of two frames, and whether they are of ground registered by `homography`.

    Where the texture does not tell that the ground is the same, it may be night, or water, whose light
    stays in its place of the picture: the alignment under which the blocks agree better is taken, and it
    counts as registered only where they agree clearly better on the ground.
    """
    ratios, sure = _ratios(first, second, homography)
    if sure:
        return ratios, True
    still, _ = _ratios(first, second, np.eye(3))
    if min(len(ratios.ratio_ev), len(still.ratio_ev)) == 0:
        return ratios, False
    spread, spread_still = (robust_sigma(r.ratio_ev[:, 1].astype(float)) for r in (ratios, still))
    if spread < _CLEARLY * spread_still:
        return ratios, True
    return (ratios if spread < spread_still else still), False


def _ratios(first: LightView, second: LightView, homography: Floats) -> tuple[BlockRatios, bool]:
    """Return the log ratios of the blocks that `homography` (proxy px of i to j) puts inside both frames.

    The mean is taken before the logarithm, so that noise does not bias dark blocks. Also whether the
    texture tells that they show the same ground.
    """
    high, wide = first.planes.shape[:2]
    seen = second.moved(homography)
    spoiled = np.maximum(first.means[..., 3], seen.means[..., 3])
    here, there = first.means[..., :3], seen.means[..., :3]
    low = np.minimum(here, there).min(axis=-1)
    high_level = np.maximum(here, there).max(axis=-1)
    centres = block_centres((high, wide))
    good = (spoiled <= 0.0) & (low > ABOVE_BLACK) & (high_level < BELOW_SATURATION)
    alike = likeness(first.detail, seen.detail)
    below = on_ground(homography, centres[:, 0, 1], (high, wide))[:, np.newaxis]
    same, sure = same_ground(alike, good & below)
    # Where hardly any ground is in sight, over open water, hills and sky are better than nothing.
    good, sure = (same, sure) if sure else same_ground(alike, good)
    if not good.any():
        nowhere, nothing = np.zeros((0, 2), np.float32), np.zeros((0, 3), np.float32)
        return BlockRatios(nothing, np.zeros(0, np.float32), nowhere, nowhere, nothing), False

    places = centres[good]
    stride = max(1, -(-len(places) // MOST_BLOCKS))
    places = places[::stride]
    moved = cv2.perspectiveTransform(places[None], homography)[0]
    first_level, second_level = here[good][::stride], there[good][::stride]
    ratio = np.log2(second_level / first_level)
    ratios = BlockRatios(
        ratio.astype(np.float32),
        block_sigma(first.detail, seen.detail)[good][::stride],
        from_centre(places, (high, wide)),
        from_centre(moved, (high, wide)),
        np.log2((first_level + second_level) / 2.0).astype(np.float32),
    )
    return ratios, sure
