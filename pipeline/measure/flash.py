"""Flashing of a clip, as WCAG 2.2 bounds it: general and red flashes in any second, over area.

Success criterion 2.3.1 (W3C Recommendation WCAG 2.2, definition of "general flash and red flash
thresholds"): not more than three general and not more than three red flashes within any one second,
unless they cover together no more than a quarter of any 10 degree visual field, in practice of any
block of 341 × 256 px where the picture is shown 1024 px wide. A general flash is a pair of opposing
changes of relative luminance of 0.1 or more, the darker state below 0.80; a red flash is a pair of
opposing transitions between two states that differ by more than 0.2 in the CIE 1976 UCS diagram, one of
which is a saturated red, R / (R + G + B) >= 0.8 in linear light.

Where the text leaves room, this counts on the careful side: a transition is half a flash, so seven in a
second are already more than three flashes; and a transition counts where the cells that make it in the
same direction within a tenth of a second cover the area, whether or not they are always the same cells.
The picture is looked at in cells of 8 px of those 1024 (0.23 degrees); finer patterns average out, as the
exception for fine, balanced patterns asks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

MOST_FLASHES = 3
SHOWN_WIDTH_PX = 1024
FIELD_PX = (341, 256)
"""A field of 10 degrees as a block of the picture shown 1024 px wide."""

FIELD_SHARE = 0.25
LUMINANCE_CHANGE = 0.1
DARKER_BELOW = 0.8
RED_SHARE = 0.8
UCS_CHANGE = 0.2

_CELL_PX = 8
_TOGETHER_S = 0.1
_PATCH = np.ones((5, 5), np.uint8)
_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
# Linear sRGB to XYZ (IEC 61966-2-1), of which u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z).
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float32)
_WHITE_UV = (0.1978, 0.4683)  # D65; black has no colour of its own and counts as white


def _code_to_linear() -> Floats:
    code = np.arange(256) / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


_LINEAR = _code_to_linear()


def linear_light(frame: Picture) -> Floats:
    """Return linear sRGB (H, W, 3), 0 black to 1 white, of sRGB codes."""
    return np.asarray(cv2.LUT(frame, _LINEAR), np.float32)


def relative_luminance(linear: Floats) -> Floats:
    """Return WCAG's relative luminance (...,) of linear sRGB (..., 3)."""
    return np.asarray(linear @ _LUMA)


def ucs_1976(linear: Floats) -> Floats:
    """Return u', v' (..., 2) of linear sRGB (..., 3); those of D65 where there is no light."""
    xyz = linear @ _TO_XYZ.T
    total = xyz[..., 0] + 15.0 * xyz[..., 1] + 3.0 * xyz[..., 2]
    lit = total > 1e-6
    safe = np.where(lit, total, 1.0)
    u = np.where(lit, 4.0 * xyz[..., 0] / safe, _WHITE_UV[0])
    v = np.where(lit, 9.0 * xyz[..., 1] / safe, _WHITE_UV[1])
    return np.stack([u, v], axis=-1).astype(np.float32)


def saturated_red(linear: Floats) -> Mask:
    """Return where linear sRGB (..., 3) is a saturated red by WCAG."""
    total = linear.sum(axis=-1)
    return np.asarray((total > 1e-6) & (linear[..., 0] >= RED_SHARE * total))


@dataclass(frozen=True)
class FlashFigures:
    """Flashes in the second that ends with each frame (n,), the most over any 10 degree field."""

    general: NDArray[np.float64]
    red: NDArray[np.float64]

    @property
    def worst(self) -> float:
        """The most flashes of either kind in any second."""
        return float(max(self.general.max(initial=0.0), self.red.max(initial=0.0)))

    @property
    def beyond(self) -> NDArray[np.int_]:
        """The frames that end a second with more than three flashes of a kind."""
        return np.flatnonzero((self.general > MOST_FLASHES) | (self.red > MOST_FLASHES))


class FlashMeter:
    """Counts flashes of a clip shown at `fps`, frame by frame; only a second of counts is in memory."""

    def __init__(self, fps: float) -> None:
        self._fps = fps
        self._luminance: _Luminance | None = None
        self._red: _Red | None = None
        self._fields: tuple[_Fields, _Fields] | None = None
        self._general: list[float] = []
        self._reds: list[float] = []

    def feed(self, frame: Picture) -> None:
        """Look at the next frame (H, W, 3), sRGB codes, in any size; all of one shape."""
        cells = _cells(frame)
        if self._luminance is None or self._red is None or self._fields is None:
            self._luminance, self._red = _Luminance(cells), _Red(cells)
            shape = cells.shape[:2]
            self._fields = (_Fields(shape, self._fps), _Fields(shape, self._fps))
        self._general.append(self._fields[0].count(*self._luminance.crossings(cells)))
        self._reds.append(self._fields[1].count(*self._red.crossings(cells)))

    def figures(self) -> FlashFigures:
        """Return what was counted so far."""
        return FlashFigures(np.array(self._general), np.array(self._reds))


def measure_flashes(frames: Iterable[Picture], fps: float) -> FlashFigures:
    """Count the flashes of frames (H, W, 3) of sRGB codes shown at `fps`."""
    meter = FlashMeter(fps)
    for frame in frames:
        meter.feed(frame)
    return meter.figures()


def _cells(frame: Picture) -> Floats:
    """Return linear sRGB (h, w, 3) of cells of 8 px where the picture is shown 1024 px wide."""
    wide = SHOWN_WIDTH_PX // _CELL_PX
    high = max(round(frame.shape[0] * wide / frame.shape[1]), 1)
    if frame.shape[1] > 2 * wide:  # within 4 px the mean of codes is as good as that of light, and quicker
        frame = np.asarray(cv2.resize(frame, (2 * wide, 2 * high), interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.resize(linear_light(frame), (wide, high), interpolation=cv2.INTER_AREA), np.float32)


class _Luminance:
    """Follows the luminance of each cell from one turning point to the next."""

    def __init__(self, cells: Floats) -> None:
        self._low = self._high = relative_luminance(cells)
        self._last = np.zeros(cells.shape[:2], np.int8)

    def crossings(self, cells: Floats) -> tuple[Mask, Mask]:
        """Return where a change up, and where one down, has just become large enough."""
        now = relative_luminance(cells)
        self._low, self._high = np.minimum(self._low, now), np.maximum(self._high, now)
        # Of two codes that differ by just 0.1 the difference in float32 may fall short by rounding.
        least = LUMINANCE_CHANGE - 1e-5
        up = (self._last <= 0) & (now - self._low >= least) & (self._low < DARKER_BELOW)
        down = (self._last >= 0) & (self._high - now >= least) & (now < DARKER_BELOW) & ~up
        self._last = np.where(up, 1, np.where(down, -1, self._last)).astype(np.int8)
        turned = up | down
        self._low, self._high = np.where(turned, now, self._low), np.where(turned, now, self._high)
        return up, down


class _Red:
    """Follows the colour of each cell from one transition with a saturated red to the next."""

    def __init__(self, cells: Floats) -> None:
        self._uv, self._was_red = ucs_1976(cells), saturated_red(cells)

    def crossings(self, cells: Floats) -> tuple[Mask, Mask]:
        """Return where a cell has just turned to a saturated red, and where it has left one."""
        uv, red = ucs_1976(cells), saturated_red(cells)
        far = np.hypot(*np.moveaxis(uv - self._uv, -1, 0)) > UCS_CHANGE
        into, out = far & red & ~self._was_red, far & self._was_red & ~red
        # What is not red now and was not is free to drift; only a state beside red is held against it.
        renewed = into | out | (~self._was_red & ~red)
        self._uv = np.where(renewed[..., None], uv, self._uv)
        self._was_red = np.where(renewed, red, self._was_red)
        return into, out


class _Fields:
    """Counts the opposing transitions of every 10 degree field within the last second."""

    def __init__(self, shape: tuple[int, ...], fps: float) -> None:
        self._second = max(round(fps), 1)
        self._together = max(int(_TOGETHER_S * fps), 1)
        self._since = [np.full(shape, 10**6, np.int32) for _ in range(2)]
        self._last = np.zeros(shape, np.int8)
        self._recent: deque[NDArray[np.uint8]] = deque(maxlen=self._second)
        # Every field that holds a quarter of lit cells is found though its ends be cut by the picture's.
        self._field = tuple(round(side / _CELL_PX) for side in FIELD_PX)
        self._least = FIELD_SHARE * FIELD_PX[0] * FIELD_PX[1] / _CELL_PX**2

    def count(self, up: Mask, down: Mask) -> float:
        """Take the cells that made a transition in this frame; return the most flashes in a second."""
        for since, mask, other in ((self._since[0], up, down), (self._since[1], down, up)):
            since += 1
            since[mask] = 0
            since[other] = 10**6
        rises, falls = self._made(0, up), self._made(1, down)
        rises &= self._last <= 0
        falls &= (self._last >= 0) & ~rises
        self._last = np.where(rises, 1, np.where(falls, -1, self._last)).astype(np.int8)
        self._recent.append((rises | falls).astype(np.uint8))
        return float(np.sum(self._recent, axis=0, dtype=np.int32).max()) / 2.0

    def _made(self, way: int, now: Mask) -> Mask:
        """Return the fields, by their centres, whose cells have just made a transition one way.

        Either more cells have made it than its opposite, lately, by a quarter of the field; or patches that
        are wide by themselves, at once. Passing texture brightens as many cells as it darkens, scattered
        ones. What an earlier frame's cells made they do not make again by being remembered.
        """
        lately, opposite = (self._since[w] < self._together for w in (way, 1 - way))
        together = self._area(lately) - self._area(opposite) > self._least
        fresh = self._area(now) > 0.1 * self._least
        patches = cv2.morphologyEx(now.astype(np.uint8), cv2.MORPH_OPEN, _PATCH)
        return np.asarray((together & fresh) | (self._area(patches > 0) > self._least))

    def _area(self, cells: Mask) -> Floats:
        """Return how many of the cells lie in each field, by its centre."""
        area = cv2.boxFilter(
            cells.astype(np.float32), -1, self._field, normalize=False, borderType=cv2.BORDER_CONSTANT
        )
        return np.asarray(area)
