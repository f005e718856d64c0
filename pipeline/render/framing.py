"""Fitting the pictures of a render into the photos, for shapes other than the path was solved for."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.corrections import Corrections
from pipeline.errors import EvenflightError, UsageError
from pipeline.geometry.lens import lens_of
from pipeline.render import resample

LEAST_CROP = 0.3
"""A view of less than this share of the photo is not made: the path must be solved for the shape."""

_PASSES = 12


def framed(
    corrections: Corrections, shapes: Sequence[tuple[int, int]], anchor: tuple[float, float]
) -> tuple[Corrections, list[str]]:
    """Return the corrections for pictures of `shapes` at `anchor`, and a sentence where more is cropped.

    The path stays as it was solved. Where it would let a picture leave the photo, the view is cropped for
    all of them as far as none does. Raises UsageError where too little would be left.
    """
    placed = corrections.model_copy(update={"anchor": anchor})
    if _inside(placed, shapes):
        return placed, []
    low, high = LEAST_CROP, corrections.crop_ratio
    if not _inside(placed.model_copy(update={"crop_ratio": low}), shapes):
        raise UsageError(
            f"the path of {corrections.id} leaves too little for these shapes: "
            "`evenflight stage stabilise` with the same settings solves it for them"
        )
    for _ in range(_PASSES):
        middle = 0.5 * (low + high)
        inside = _inside(placed.model_copy(update={"crop_ratio": middle}), shapes)
        low, high = (middle, high) if inside else (low, middle)
    note = (
        f"the path was solved for another shape, so the view is cropped to {low:.3f} instead of "
        f"{corrections.crop_ratio:.3f}; `evenflight stage stabilise` with the same settings solves it anew"
    )
    return placed.model_copy(update={"crop_ratio": low}), [note]


def _inside(corrections: Corrections, shapes: Sequence[tuple[int, int]]) -> bool:
    size = corrections.width, corrections.height
    lens = lens_of(corrections.lens)
    try:
        for frame in corrections.frames:
            for shape in shapes:
                homography = resample.output_to_source(corrections, frame, shape)
                resample.check_inside(homography, shape, *size, f"frame {frame.frame}", lens)
    except EvenflightError:
        return False
    return True
