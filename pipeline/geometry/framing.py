"""Where in the steady view the pictures of other shapes are cut.

The anchor (x, y), each 0 to 1, shares out the free space: 0.5 is the middle, (0.5, 0) the top. A picture
of another shape than the photo has free space on two sides of the photo; the steady view is the smallest
centred rectangle that holds every picture so placed, so a path that keeps the view inside the photo keeps
all of them inside, and all show the same motion at the same scale.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from pipeline.geometry.camera import largest_rectangle

CENTRE = (0.5, 0.5)


def offset_px(
    width: int, height: int, shape: tuple[int, int], anchor: tuple[float, float]
) -> tuple[float, float]:
    """Return how far, in px of the photo, the middle of the picture of `shape` lies from the photo's."""
    wide, high = largest_rectangle(width, height, shape)
    return (anchor[0] - 0.5) * (width - wide), (anchor[1] - 0.5) * (height - high)


def view_shape(
    width: int, height: int, shapes: Iterable[tuple[int, int]], anchor: tuple[float, float] = CENTRE
) -> tuple[int, int]:
    """Return the shape (width, height) of the steady view for pictures of `shapes` in a photo."""
    wanted = list(shapes)
    if anchor == CENTRE and len({math.atan2(*shape) for shape in wanted}) == 1:
        return wanted[0]
    view_wide, view_high = 0.0, 0.0
    for shape in wanted:
        wide, high = largest_rectangle(width, height, shape)
        right, down = offset_px(width, height, shape, anchor)
        view_wide = max(view_wide, wide + 2.0 * abs(right))
        view_high = max(view_high, high + 2.0 * abs(down))
    return min(math.ceil(view_wide - 1e-6), width), min(math.ceil(view_high - 1e-6), height)
