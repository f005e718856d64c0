"""Pictures placed by the anchor show that part of the photo, and never more than the photo has."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.corrections import Corrections
from pipeline.errors import UsageError
from pipeline.geometry.framing import view_shape
from pipeline.photo.raw import RawPhoto
from pipeline.render.compose import warped
from pipeline.render.framing import framed

MakePhoto = Callable[..., RawPhoto]
MakeCorrections = Callable[..., Corrections]


@pytest.mark.parametrize(("anchor", "top"), [((0.5, 0.0), 0), ((0.5, 0.5), 37.5), ((0.5, 1.0), 75)])
def test_the_anchor_chooses_the_part(
    mosaic_photo: MakePhoto, corrections: MakeCorrections, anchor: tuple[float, float], top: float
) -> None:
    """Brightness rises by the row, so it tells which rows of 400×300 a 16:9 picture shows."""
    rows = np.linspace(0.1, 0.7, 300)
    photo = mosaic_photo(np.broadcast_to(rows[:, None, None], (300, 400, 3)))
    made, notes = framed(corrections(400, 300), [(16, 9)], anchor)
    ((picture, _),) = warped(photo, made.frames[0], made, [(400, 225)])
    assert notes == []
    expected = np.interp(np.arange(225) + top, np.arange(300), rows)
    np.testing.assert_allclose(picture[4:-4, 100, 1], expected[4:-4], atol=1e-3)


def test_another_shape_is_cropped_until_no_frame_leaves_the_photo(corrections: MakeCorrections) -> None:
    made = corrections(400, 300, 0.9, rotation_rad=(0.0, 0.08, 0.0)).model_copy(update={"shape": (9, 16)})
    placed, notes = framed(made, [(9, 16)], (0.5, 0.5))
    assert (placed, notes) == (made, [])
    placed, notes = framed(made, [(9, 16), (16, 9)], (0.5, 0.5))
    assert 0.5 < placed.crop_ratio < 0.9
    assert len(notes) == 1
    assert f"cropped to {placed.crop_ratio:.3f}" in notes[0]
    again, quiet = framed(placed, [(9, 16), (16, 9)], (0.5, 0.5))
    assert (again, quiet) == (placed, [])
    wider = placed.model_copy(update={"crop_ratio": placed.crop_ratio * 1.005})
    assert framed(wider, [(16, 9)], (0.5, 0.5))[1]


def test_a_path_that_leaves_nothing_is_refused(corrections: MakeCorrections) -> None:
    made = corrections(400, 300, 0.9, rotation_rad=(0.0, 0.8, 0.0))
    with pytest.raises(UsageError, match="leaves too little for these shapes"):
        framed(made, [(16, 9)], (0.5, 0.5))


def test_the_view_of_several_shapes_keeps_all_inside(corrections: MakeCorrections) -> None:
    """A turn that the view's own corners just survive lets no picture in it leave the photo."""
    shapes, anchor = [(16, 9), (1, 1)], (0.2, 0.1)
    view = view_shape(400, 300, shapes, anchor)
    made = corrections(400, 300, 0.85, rotation_rad=(0.02, 0.02, 0.03))
    if not framed(made, [view], (0.5, 0.5))[1]:
        assert framed(made, shapes, anchor)[1] == []
    else:
        pytest.fail("the turn was meant to leave the view inside")
