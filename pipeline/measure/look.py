"""The one decode of each frame for measuring, and the comparison of frames in a sliding window."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.cluster import near
from pipeline.colour.camera import CameraColour
from pipeline.colour.display import BT2020_TO_BT709, balanced_to_bt2020, linear_to_srgb
from pipeline.errors import PhotoError
from pipeline.geometry.lens import lens_of
from pipeline.measure.blur import blur_effect, sharpness_ratio, texture_map
from pipeline.measure.far import FarTurn, FarView, far_turns, far_view
from pipeline.measure.haze import veil_share
from pipeline.measure.light import BlockRatios, LightView, block_means, compare_light, nearing
from pipeline.measure.pairs import (
    BASELINES,
    Features,
    Registration,
    covered_share,
    find_features,
    register,
    register_by_correlation,
)
from pipeline.measure.proxy import Proxy, feature_picture, make_proxy
from pipeline.measure.sharpness import SeenBlur, blur_along_motion, directional_sharpness
from pipeline.parallel import ordered_map
from pipeline.photo.faults import Sites, black_shift, repair, standing_out, with_black
from pipeline.photo.lens import sequence_lens
from pipeline.photo.opening import Photo, open_photo
from pipeline.photo.raw import RawPhoto
from pipeline.sequence import Sequence, Triple

THUMBNAIL_WIDTH = 640
_LITTLE_COVERED = 0.5  # of the picture: the far is looked at, too
_SRGB_STEPS = 16384  # a fifth of a code apart where codes are closest to each other


@dataclass(frozen=True)
class FrameFigures:
    """What one frame showed by itself. `median` is the median linear level per channel.

    `blur_x` and `blur_y` are of `blur.blur_effect`, `veil` of `haze.veil_share`, `black_shift` of
    `faults.black_shift`.
    """

    frame: int
    width: int
    height: int
    as_shot_neutral: Triple | None
    median: Triple
    clipped: Triple
    crushed: Triple
    sharp_x: float
    sharp_y: float
    features: int
    blur_x: float | None = None
    blur_y: float | None = None
    veil: float | None = None
    black_shift: Triple = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Look:
    """One opened frame while it is in the window, or why it could not be opened."""

    frame: int
    figures: FrameFigures | None
    light: LightView | None
    grey: NDArray[np.uint8] | None
    found: Features | None
    colour: CameraColour | None
    trouble: str | None = None
    texture: NDArray[np.float32] | None = None
    standing_out: Sites | None = None


@dataclass(frozen=True)
class PairFigures:
    """What two frames i < j showed together. `registered` is False where only the bulk was aligned.

    `sharper` is how much sharper j shows the ground than i (`blur.sharpness_ratio`), `seen_blur` how far i
    is blurred along the motion to j, told of neighbouring frames. `far` is how the camera turned by what is
    far away (`far.far_turns`), told where the matches cover little of the picture. `nearer` is the log ratio
    of distances by which the ground at the lower edge comes nearer from i to j (`light.nearing`), 0 where not
    registered.
    """

    i: int
    j: int
    matches: Registration
    blocks: BlockRatios
    registered: bool
    sharper: float | None = None
    seen_blur: SeenBlur | None = None
    far: tuple[FarTurn, ...] = ()
    nearer: float = 0.0


def thumbnail(proxy: Proxy, neutral: Triple | None, colour: CameraColour | None) -> NDArray[np.uint8]:
    """Return an 8-bit sRGB picture (h, w, 3) of a proxy as the camera's own neutral would show it."""
    width = min(THUMBNAIL_WIDTH, proxy.rgb.shape[1])
    height = max(round(proxy.rgb.shape[0] * width / proxy.rgb.shape[1]), 1)
    small = cv2.resize(proxy.rgb, (width, height), interpolation=cv2.INTER_AREA)
    if colour is not None:
        shown = np.asarray(neutral or (1.0, 1.0, 1.0))
        # Rows of one piece: a third of the time of one px after the other.
        row = np.tile(shown.astype(np.float32), width)
        balanced = np.minimum(small.reshape(height, -1) / row, 1.0).reshape(small.shape)
        matrix = BT2020_TO_BT709 @ balanced_to_bt2020(colour, shown)
        small = cv2.transform(balanced, matrix.astype(np.float32))
    steps = np.clip(small, 0.0, 1.0) * np.float32(_SRGB_STEPS)
    return np.take(_srgb_codes(), (steps + np.float32(0.5)).astype(np.uint16))


@cache
def _srgb_codes() -> NDArray[np.uint8]:
    """Return the 8-bit sRGB codes of evenly spaced levels: looked up four times as fast as worked out."""
    levels = np.arange(_SRGB_STEPS + 1) / _SRGB_STEPS
    return (linear_to_srgb(levels) * 255.0 + 0.5).astype(np.uint8)


def look_at(job: tuple[int, Path], thumbnails: Path | None) -> Look:
    """Open one frame and measure it by itself; a photo that cannot be used is a Look with `trouble`."""
    frame, path = job
    try:
        photo = open_photo(path)
        photo, proxy, sites, shift = _made_sound(photo)
        height, width = (photo.mosaic if isinstance(photo, RawPhoto) else photo.rgb).shape[:2]
    except PhotoError as error:
        return Look(frame, None, None, None, None, None, str(error))
    grey = feature_picture(proxy)
    features = find_features(grey)
    if thumbnails is not None:
        picture = thumbnail(proxy, photo.as_shot_neutral, photo.colour)
        encoded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 88])[1]
        (thumbnails / f"{frame:05d}.jpg").write_bytes(encoded.tobytes())
    medians = np.median(proxy.rgb[::4, ::4].reshape(-1, 3), axis=0)
    sharp_x, sharp_y = directional_sharpness(grey)
    blur_x, blur_y = blur_effect(grey)
    figures = FrameFigures(
        frame,
        width,
        height,
        photo.as_shot_neutral,
        (float(medians[0]), float(medians[1]), float(medians[2])),
        proxy.clipped_share,
        proxy.crushed_share,
        sharp_x,
        sharp_y,
        len(features.points),
        blur_x,
        blur_y,
        veil_share(proxy.rgb, photo.as_shot_neutral),
        shift,
    )
    texture, light = texture_map(grey), LightView.of(proxy)
    return Look(frame, figures, light, grey, features, photo.colour, texture=texture, standing_out=sites)


def _made_sound(photo: Photo) -> tuple[Photo, Proxy, Sites | None, Triple]:
    """Return a photo without the faults that it shows by itself, its proxy, and what the faults were."""
    if not isinstance(photo, RawPhoto):
        return photo, make_proxy(photo), None, (0.0, 0.0, 0.0)
    sites = standing_out(photo)
    repair(photo, sites)
    proxy = make_proxy(photo)
    shift = black_shift(block_means(proxy.rgb))
    if any(shift):
        photo = with_black(photo, shift)
        proxy = make_proxy(photo)
    return photo, proxy, sites, shift


def compare(first: Look, second: Look, view: FarView | None = None) -> PairFigures | None:
    """Compare two looks; where too little matches, the bulk of the picture is aligned by correlation.

    Returns None for pictures of different sizes, which are not of one sequence.
    """
    assert first.light and second.light and first.found and second.found
    assert first.grey is not None and second.grey is not None
    if first.light.planes.shape != second.light.planes.shape:
        return None
    matches = register(first.found, second.found, first.light.scale)
    homography = matches.homography
    if homography is None:
        homography, response = register_by_correlation(first.grey, second.grey)
        if response < 0.05:
            homography = np.eye(3)
    blocks, registered = compare_light(first.light, second.light, homography)
    registered = registered and matches.homography is not None
    sharper = None
    if registered and first.texture is not None and second.texture is not None:
        sharper = sharpness_ratio(first.texture, second.texture, blocks)
    seen_blur = None
    if registered and matches.homography is not None and second.frame - first.frame == 1:
        seen_blur = blur_along_motion(first.grey, matches.homography)
    far: tuple[FarTurn, ...] = ()
    if view is not None and covered_share(matches, view.size) < _LITTLE_COVERED:
        far = far_turns(first.grey, second.grey, view)
    nearer = 0.0
    if registered:
        high, wide = first.grey.shape
        nearer = float(nearing(homography, np.array([high - 1.0]), (high, wide))[0])
    told = (registered, sharper, seen_blur, far, nearer)
    return PairFigures(first.frame, second.frame, matches, blocks, *told)


def _far_views(sequence: Sequence, card: Path) -> Callable[[int, int], FarView | None]:
    """Return what tells of each pair (i, j) beforehand how what is far moves, as far as tags tell it."""
    focal_px, size = sequence.focal_px, (sequence.width, sequence.height)
    if focal_px is None or not any(far_view(f, f, focal_px, size, None) for f in sequence.photos):
        return lambda i, j: None
    lens = lens_of(sequence_lens(sequence, card))
    return lambda i, j: far_view(sequence.frames[i], sequence.frames[j], focal_px, size, lens)


def look_and_compare(
    sequence: Sequence,
    card: Path,
    thumbnails: Path | None,
    executor: Executor,
    workers: int,
    advance: Callable[[int], None],
    baselines: tuple[int, ...] = BASELINES,
) -> Iterator[Look | PairFigures | None]:
    """Yield each frame's look (pixels dropped) and each pair's figures, in a fixed order.

    Frames are compared `baselines` photos apart. Each photo is opened once; at most the longest baseline
    of frames is in memory, and as many decodes as the window of the executor.
    """
    jobs = ((frame.frame, card / str(frame.file)) for frame in sequence.photos)
    look = partial(look_at, thumbnails=thumbnails)
    views = _far_views(sequence, card)
    recent: deque[Look] = deque(maxlen=max(baselines))
    pending: deque[Future[PairFigures | None]] = deque()
    for current in ordered_map(executor, look, jobs, window=workers + 1):
        advance(1)
        yield replace(current, light=None, grey=None, found=None, texture=None)
        if current.trouble is not None:
            continue
        for baseline in baselines:
            if baseline <= len(recent):
                before = recent[-baseline]
                view = views(before.frame, current.frame)
                pending.append(near(executor).submit(compare, before, current, view))
        recent.append(current)
        while len(pending) > len(baselines) * 2:
            yield pending.popleft().result()
    while pending:
        yield pending.popleft().result()
