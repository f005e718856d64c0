"""Motion between two rendered frames, where it can be trusted, and frames made between them.

Flow is found by dense inverse search (Kroeger, Timofte, Dai, Van Gool, ECCV 2016, as in OpenCV), both
ways, from where matched features say that the ground has gone. It is trusted where the way back leads to
where the way there began, by the tolerance of Sundaram, Brox and Keutzer (ECCV 2010): |w + w'|² <
0.01 (|w|² + |w'|²) + 0.5 px². Elsewhere (what leaves the frame, what is covered or uncovered, water) the
ground's plane says how it would move, where most of the trusted motion is that of a plane; this counts
little beside what is trusted. A frame between two is fetched from both along the motion, in linear light;
where nothing is known of it, the nearest frame shows through.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.measure.pairs import find_features, register
from pipeline.render.arrays import F16, F32, F64

U8 = NDArray[np.uint8]
Mask = NDArray[np.bool_]

_NONE: Any = None  # OpenCV's stubs want an array; with an empty one its remap reads what is not there

LEAST_FOLLOWED = 0.5
"""Least share of pixels that agree, and that both frames see, for frames to be made between them."""

LEAST_KNOWN = 0.9
"""Least share of a made frame that must come from along the motion."""

_RELATIVE, _ABSOLUTE_PX2 = 0.01, 0.5
# The ground's plane is found on every so many px of trusted motion, at least so many of them, to so many px.
_SPARSE_PX, _LEAST_ON_PLANE, _PLANE_PX = 16, 64, 2.0
# Features that must agree on the ground's motion for the search to start from it.
_LEAST_AGREEING = 20
# The plane is believed up to this many times the longest motion that was seen.
_FARTHEST = 1.5
# Rounds that find where a pixel of the frame between came from, and how far off, squared, they may end.
_ROUNDS, _MISSED_PX2 = 6, 0.25
# Half width of the soft edge between what is fetched along the motion and what is not, share of the width.
_FEATHER = 1 / 60
# Weights beside trusted motion (1): of motion that is only likely, and of the nearest frame.
_LITTLE_TRUST, _NEAREST_WEIGHT = np.float32(0.02), np.float32(1e-4)


@dataclass(frozen=True)
class Way:
    """Motion of each pixel to another frame, px (H×W×2: x, y), and its trust (H×W).

    Trust is 1 where the way back agrees, little where the motion is only likely, 0 where it is not known.
    """

    motion: F32
    trust: F32

    def trusted(self) -> F16:
        """Return the motion, NaN where the way back does not agree, in half the memory.

        Half precision is exact to 1/16 px up to 128 px.
        """
        agreed = self.trust[..., None] == 1.0
        return np.where(agreed, self.motion, np.float32(np.nan)).astype(np.float16)


@dataclass(frozen=True)
class Flows:
    """Motion between two frames, there and back.

    `consistent` is the share of pixels that agree among those whose motion ends inside the frame; beyond
    its border nothing can be checked. `overlap` is the share of those: of what both frames see.
    """

    forward: Way
    backward: Way
    consistent: float
    overlap: float


def grey(linear: F32) -> U8:
    """Return the 8-bit picture that flow is found on, of linear light (H×W×3, white = 1): its root's code."""
    # The middle channel stands for light; the root makes noise about even from dark to bright.
    level = np.sqrt(np.clip(linear @ np.array([0.25, 0.65, 0.10], np.float32), 0.0, 1.0))
    return np.asarray(level * np.float32(255.0) + np.float32(0.5)).astype(np.uint8)


def flow_between(first: U8, second: U8, ahead: F64 | None = None) -> F32:
    """Return where each pixel of the 8-bit picture `first` has gone in `second`, px (H×W×2).

    `ahead` (3×3) is where most of the ground has gone, if that is known: then only the rest is searched.
    """
    search = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    if ahead is None:
        return np.asarray(search.calc(first, second, _NONE), np.float32)
    height, width = first.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    aligned = cv2.warpPerspective(
        second, ahead, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    rest = np.asarray(search.calc(first, aligned, _NONE), np.float32)
    return _carried(pixel_places(height, width) + rest, ahead) - pixel_places(height, width)


def _inverse(homography: F64 | None) -> F64 | None:
    return None if homography is None else np.asarray(np.linalg.inv(homography), np.float64)


def _carried(places: F32, homography: F64) -> F32:
    """Return where a homography takes places (..., 2), px."""
    there = cv2.perspectiveTransform(places.reshape(1, -1, 2), homography)
    return np.asarray(there, np.float32).reshape(places.shape)


def _ground_ahead(first: U8, second: U8) -> F64 | None:
    """Return the homography (3×3) from one picture to the other by matched features, or None.

    The search follows motion of some tens of px; between photos the ground can pass by hundreds.
    """
    matches = register(find_features(first), find_features(second), 1.0)
    agreeing = np.count_nonzero(matches.on_plane)
    if matches.homography is None or agreeing < max(_LEAST_AGREEING, 0.3 * len(matches.on_plane)):
        return None
    return np.asarray(matches.homography, np.float64)


def compare(first: U8, second: U8) -> Flows:
    """Return the motion between two 8-bit pictures of one size, both ways, checked against each other."""
    ahead = _ground_ahead(first, second)
    forward = flow_between(first, second, ahead)
    backward = flow_between(second, first, _inverse(ahead))
    forward_ok, forward_inside = _agrees(forward, backward)
    backward_ok, backward_inside = _agrees(backward, forward)
    checked = np.count_nonzero(forward_inside) + np.count_nonzero(backward_inside)
    agreed = np.count_nonzero(forward_ok) + np.count_nonzero(backward_ok)
    return Flows(
        _way(forward, forward_ok, forward_inside),
        _way(backward, backward_ok, backward_inside),
        agreed / checked if checked else 0.0,
        checked / (2 * first.size),
    )


def _agrees(there: F32, back: F32) -> tuple[Mask, Mask]:
    """Return where the way back undoes the way there, and where the way there stays inside the frame."""
    height, width = there.shape[:2]
    place = pixel_places(height, width) + there
    inside = (
        (place[..., 0] >= 0)
        & (place[..., 0] <= width - 1)
        & (place[..., 1] >= 0)
        & (place[..., 1] <= height - 1)
    )
    returned = fetch(back, place)
    apart = np.sum((there + returned) ** 2, axis=2)
    allowed = _RELATIVE * (np.sum(there**2, axis=2) + np.sum(returned**2, axis=2)) + _ABSOLUTE_PX2
    return inside & (apart < allowed), inside


def _way(motion: F32, ok: Mask, inside: Mask) -> Way:
    """Return the motion with its trust, that of the ground's plane standing in where it does not agree."""
    trust = np.where(ok, np.float32(1.0), np.where(inside, np.float32(0.0), _LITTLE_TRUST))
    plane = _ground_plane(motion, ok)
    if plane is None:
        return Way(motion, trust)
    doubtful = ~ok
    seen = pixel_places(*motion.shape[:2])[doubtful]
    carried = _carried(seen, plane) - seen
    # Beyond the horizon the plane has no place; what it says there is far from all that was seen.
    lengths = np.hypot(motion[..., 0], motion[..., 1])
    sound = np.hypot(carried[:, 0], carried[:, 1]) < _FARTHEST * np.max(lengths[ok])
    motion = motion.copy()
    motion[doubtful] = np.where(sound[:, None], carried, motion[doubtful])
    trust[doubtful] = np.where(sound, _LITTLE_TRUST, trust[doubtful])
    return Way(motion, trust)


def _ground_plane(motion: F32, ok: Mask) -> F64 | None:
    """Return the homography (3×3) that most of the trusted motion follows, None where there is none."""
    sparse = np.s_[_SPARSE_PX // 2 :: _SPARSE_PX, _SPARSE_PX // 2 :: _SPARSE_PX]
    trusted = ok[sparse]
    start, moved = pixel_places(*motion.shape[:2])[sparse][trusted], motion[sparse][trusted]
    if ok.all() or len(start) < _LEAST_ON_PLANE:
        return None
    plane, fits = cv2.findHomography(start, start + moved, cv2.USAC_MAGSAC, _PLANE_PX)
    if plane is None or np.count_nonzero(fits) < 0.5 * len(start):
        return None
    return np.asarray(plane, np.float64)


def pixel_places(height: int, width: int) -> F32:
    """Return x, y of every pixel centre (H×W×2)."""
    places = np.empty((height, width, 2), np.float32)
    places[..., 0] = np.arange(width, dtype=np.float32)
    places[..., 1] = np.arange(height, dtype=np.float32)[:, None]
    return places


def fetch(
    picture: F32, places: F32, interpolation: int = cv2.INTER_LINEAR, border: int = cv2.BORDER_REPLICATE
) -> F32:
    """Return what `picture` (H×W or H×W×c) shows at `places` (H×W×2: x, y)."""
    return np.asarray(cv2.remap(picture, places, _NONE, interpolation, borderMode=border), np.float32)


def origins(motion: F32, share: float) -> F32:
    """Return where each pixel comes from (H×W×2: x, y) when all have gone `share` of their way.

    A pixel p goes to p + share · motion(p); this is solved for p by fixed-point rounds.
    """
    places = pixel_places(*motion.shape[:2])
    origin = places - np.float32(share) * motion
    for _ in range(_ROUNDS - 1):
        gone = fetch(motion, origin)
        origin = places - np.float32(share) * gone
    return origin


def between(first: F32, second: F32, flows: Flows, share: float) -> tuple[F32, float]:
    """Return the frame at `share` (0 to 1) of the way from `first` to `second`, and how much of it is known.

    The frame is linear light (H×W×3); the rest of its pixels are those of the nearest frame.

    Both are fetched along the flow and mixed by nearness and trust. Where only one of them has what is
    seen (it leaves or enters the frame, or is hidden in the other), that one alone serves.
    """
    from_first, trust_first = _fetched(first, flows.forward, share)
    from_second, trust_second = _fetched(second, flows.backward, 1.0 - share)
    nearest = first if share <= 0.5 else second
    weight_first = trust_first * np.float32(1.0 - share)
    weight_second = trust_second * np.float32(share)
    total = weight_first + weight_second + _NEAREST_WEIGHT
    mixed = from_first * (weight_first / total)[..., None]
    mixed += from_second * (weight_second / total)[..., None]
    mixed += nearest * (_NEAREST_WEIGHT / total)[..., None]
    # Trust ends softly: fully what is fetched where half of its surroundings are known.
    window = (2 * round(_FEATHER * first.shape[1]) + 1,) * 2
    trusted = np.minimum(np.maximum(trust_first, trust_second) / _LITTLE_TRUST, np.float32(1.0))
    known = cv2.blur(trusted, window)
    known = np.minimum(np.float32(2.0) * known, np.float32(1.0))[..., None]
    return np.asarray(nearest + known * (mixed - nearest), np.float32), float(np.mean(trusted))


def _fetched(picture: F32, way: Way, share: float) -> tuple[F32, F32]:
    """Return `picture` moved by `share` of its way, and how far each pixel of that is trusted (0 to 1)."""
    origin = origins(way.motion, share)
    moved = fetch(picture, origin, cv2.INTER_CUBIC)
    trust = fetch(way.trust, origin, border=cv2.BORDER_CONSTANT)
    # Where nothing of this picture goes (it is uncovered on the way) the rounds find no end.
    missed = origin + np.float32(share) * fetch(way.motion, origin) - pixel_places(*way.trust.shape)
    trust[np.sum(missed**2, axis=2) > _MISSED_PX2] = 0.0
    return np.maximum(moved, np.float32(0.0)), trust
