"""Where pictures of other shapes are cut: inside the view, at the anchor, the view no larger than needed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.framing import offset_px, view_shape

WIDE, UPRIGHT, SQUARE = (16, 9), (9, 16), (1, 1)
share = st.floats(0.0, 1.0)


def test_one_shape_in_the_middle_is_its_own_view() -> None:
    assert view_shape(4000, 3000, [(1920, 1080), (3840, 2160)]) == (1920, 1080)


def test_two_shapes_have_a_view_that_just_holds_both() -> None:
    """In 4000×3000, 16:9 takes 4000×2250 and 9:16 takes 1687.5×3000."""
    assert view_shape(4000, 3000, [WIDE, UPRIGHT]) == (4000, 3000)
    assert view_shape(4000, 3000, [UPRIGHT, SQUARE]) == (3000, 3000)


@pytest.mark.parametrize(
    ("anchor", "offset"),
    [((0.5, 0.5), (0.0, 0.0)), ((0.5, 0.0), (0.0, -375.0)), ((0.0, 1.0), (0.0, 375.0))],
)
def test_the_anchor_shares_out_the_free_space(
    anchor: tuple[float, float], offset: tuple[float, float]
) -> None:
    assert offset_px(4000, 3000, WIDE, anchor) == pytest.approx(offset)


@given(share, share, st.lists(st.sampled_from([WIDE, UPRIGHT, SQUARE, (4, 3)]), min_size=1, max_size=3))
def test_every_picture_lies_in_the_view_and_the_view_in_the_photo(
    x: float, y: float, shapes: list[tuple[int, int]]
) -> None:
    width, height = 3000, 2000
    view = largest_rectangle(width, height, view_shape(width, height, shapes, (x, y)))
    assert view[0] <= width + 1e-6
    assert view[1] <= height + 1e-6
    for shape in shapes:
        size, offset = largest_rectangle(width, height, shape), offset_px(width, height, shape, (x, y))
        for side in (0, 1):
            assert size[side] / 2.0 + abs(offset[side]) <= view[side] / 2.0 + 1e-6
