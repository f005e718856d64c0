"""The one map: its conventions, its bounds, anti-aliasing, the vignette through it."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.corrections import Corrections, LensDistortion
from pipeline.errors import EvenflightError
from pipeline.geometry.lens import lens_of
from pipeline.render import resample
from pipeline.render.arrays import Box
from tests.render.made import zone_plate

MakeCorrections = Callable[..., Corrections]


def through(homography: np.ndarray, x: float, y: float) -> np.ndarray:
    point = homography @ [x, y, 1.0]
    return point[:2] / point[2]


def test_without_correction_a_scale_is_p_plus_half(corrections: MakeCorrections) -> None:
    made = corrections(400, 300)
    homography = resample.output_to_source(made, made.frames[0], (100, 75))
    for x, y in ((0, 0), (99, 74), (12, 50)):
        expected = (np.array([x, y]) + 0.5) * 4.0 - 0.5
        np.testing.assert_allclose(through(homography, x, y), expected, atol=1e-9)


def test_crop_and_shape_take_the_middle(corrections: MakeCorrections) -> None:
    made = corrections(400, 300, crop_ratio=0.8)
    homography = resample.output_to_source(made, made.frames[0], (160, 90))
    # 16:9 in 400×300 is 400×225; 0.8 of it is 320×180, two source px for one of the output.
    np.testing.assert_allclose(through(homography, 79.5, 44.5), [199.5, 149.5], atol=1e-9)
    np.testing.assert_allclose(through(homography, 0, 0), [199.5 - 159.0, 149.5 - 89.0], atol=1e-9)


def test_rotation_is_that_of_the_camera(corrections: MakeCorrections) -> None:
    """A direction x of the steady camera is seen by the real one at C x: worked with SciPy's rotations."""
    vector = (0.02, -0.03, 0.05)
    made = corrections(400, 300, crop_ratio=0.7, rotation_rad=vector)
    homography = resample.output_to_source(made, made.frames[0], (100, 75))
    x, y = 20.0, 60.0
    focal, focal_out = made.focal_px, made.focal_px * 100 / (0.7 * 400)
    ray = Rotation.from_rotvec(vector).apply([(x - 49.5) / focal_out, (y - 37.0) / focal_out, 1.0])
    expected = [focal * ray[0] / ray[2] + 199.5, focal * ray[1] / ray[2] + 149.5]
    np.testing.assert_allclose(through(homography, x, y), expected, atol=1e-9)


def test_the_picture_stays_whole_where_nothing_is_asked(corrections: MakeCorrections) -> None:
    rng = np.random.default_rng(1)
    rgb = rng.random((48, 64, 3), dtype=np.float32)
    made = corrections(64, 48)
    homography = resample.output_to_source(made, made.frames[0], (64, 48))
    np.testing.assert_allclose(
        resample.warp(rgb, homography, (64, 48), Box(0, 48, 0, 64), 1.0), rgb, atol=1e-6
    )


def test_a_map_that_leaves_the_photo_is_refused_by_name(corrections: MakeCorrections) -> None:
    made = corrections(400, 300, rotation_rad=(0.0, 0.01, 0.0))
    homography = resample.output_to_source(made, made.frames[0], (400, 300))
    # At the right edge 280 tan(atan(199.5 / 280) + 0.01) - 199.5 = 4.26 px.
    with pytest.raises(EvenflightError, match=r"frame 7 .lantern_hill\.dng.: .* leaves the photo by 4\.3 px"):
        resample.check_inside(homography, (400, 300), 400, 300, "frame 7 (lantern_hill.dng)")


def test_less_than_half_a_pixel_outside_is_clamped_not_black(corrections: MakeCorrections) -> None:
    made = corrections(64, 48, crop_ratio=1.01)
    homography = resample.output_to_source(made, made.frames[0], (64, 48))
    corner = resample.mapped_border(homography, (64, 48), made.width, made.height)[0]
    assert -0.5 < corner[0] < 0.0
    resample.check_inside(homography, (64, 48), 64, 48, "frame 0")
    even = np.full((48, 64, 3), 0.4, np.float32)
    warped = resample.warp(even, homography, (64, 48), Box(0, 48, 0, 64), 1.0)
    np.testing.assert_allclose(warped, 0.4, atol=1e-6)


def test_the_part_read_is_enough(corrections: MakeCorrections) -> None:
    """Rendering from the part gives what rendering from the whole photo gives."""
    rng = np.random.default_rng(2)
    rgb = rng.random((300, 400, 3), dtype=np.float32)
    made = corrections(400, 300, crop_ratio=0.6, rotation_rad=(0.03, -0.04, 0.05))
    size = (100, 76)
    homography = resample.output_to_source(made, made.frames[0], size)
    shrink = resample.source_scale(made, size)
    box = resample.needed_box(homography, size, 400, 300, len(resample.box_taps(shrink)) // 2)
    assert (box.bottom - box.top) * (box.right - box.left) < 0.75 * 300 * 400
    assert {box.top % 2, box.left % 2, box.bottom % 2, box.right % 2} == {0}
    whole = resample.warp(rgb, homography, size, Box(0, 300, 0, 400), shrink).copy()
    part = np.ascontiguousarray(rgb[box.top : box.bottom, box.left : box.right])
    np.testing.assert_allclose(resample.warp(part, homography, size, box, shrink), whole, atol=2e-5)


@pytest.mark.parametrize("shrink", [1.0, 1.2, 1.875, 3.0, 3.7])
def test_the_box_is_as_wide_as_the_shrink(shrink: float) -> None:
    taps = resample.box_taps(shrink)
    assert abs(float(taps.sum()) - 1.0) < 1e-6
    assert abs(1.0 / float(taps.max()) - shrink) < 1e-5
    assert taps.min() > 0.0


def test_detail_too_fine_for_the_output_does_not_come_back(corrections: MakeCorrections) -> None:
    """Zone plate, shrunk 1.875 times: what the output can show stays, of what it cannot less comes back
    as moiré than by OpenCV's area reduction."""
    made = corrections(1200, 1200)
    size = (640, 640)
    homography = resample.output_to_source(made, made.frames[0], size)
    source = zone_plate(1200, 1200, 0.5)
    small = resample.warp(source.astype(np.float32), homography, size, Box(0, 1200, 0, 1200), 1.875)[..., 0]
    place = (np.arange(640) + 0.5) * 1.875 - 0.5
    frequency = (
        np.hypot(*np.meshgrid(place, place)) / np.hypot(1200, 1200) * 0.5 * 1.875
    )  # cycles per output px
    amplitude = np.sqrt(2.0) * (small - 0.25) / 0.2
    low = np.sqrt(np.mean(amplitude[(frequency > 0.1) & (frequency < 0.2)] ** 2))
    by_area = cv2.resize(source, size, interpolation=cv2.INTER_AREA)[..., 0]
    moire = (frequency > 0.6) & (frequency < 0.9)
    assert low > 0.9
    assert np.std(small[moire]) < np.std(by_area[moire])


def test_the_vignette_is_undone_where_the_pixel_comes_from(corrections: MakeCorrections) -> None:
    made = corrections(400, 300)
    size = (200, 150)
    homography = resample.output_to_source(made, made.frames[0], size)
    gain = resample.vignette_gain(homography, size, range(0, 150), 400, 300, (0.3, 0.1, 0.05))
    assert gain.shape == (150, 200)
    radius = np.hypot(0.5 - 199.5, 0.5 - 149.5) / np.hypot(200, 150)
    loss = 0.3 * radius**2 + 0.1 * radius**4 + 0.05 * radius**6
    assert gain[0, 0] == pytest.approx(2.0**loss, rel=1e-6)
    assert gain[75, 100] == pytest.approx(1.0, abs=1e-4)


def test_a_similarity_moves_the_output_before_it_is_turned(corrections: MakeCorrections) -> None:
    """Worked point by point: q in widths of the largest rectangle, then SciPy's rotation, then the camera."""
    vector, (right, down, log_scale, angle) = (0.02, -0.03, 0.05), (0.01, -0.004, 0.02, 0.015)
    made = corrections(400, 300, crop_ratio=0.7, rotation_rad=vector)
    frame = made.frames[0].model_copy(update={"similarity": (right, down, log_scale, angle)})
    homography = resample.output_to_source(made, frame, (100, 75))
    x, y = 20.0, 60.0
    wide = 400.0  # the largest 4:3 rectangle of the photo
    q = np.array([x - 49.5, y - 37.0]) / 100 * 0.7
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    moved = (np.exp(log_scale) * turn @ q + [right, down]) * wide / made.focal_px
    ray = Rotation.from_rotvec(vector).apply([*moved, 1.0])
    expected = made.focal_px * ray[:2] / ray[2] + [199.5, 149.5]
    np.testing.assert_allclose(through(homography, x, y), expected, atol=1e-9)


BARREL = LensDistortion(radial=(1.0, -0.06, 0.01, 0.0), tangential=(0.001, -0.002), told_by="invented")


def test_the_map_through_a_lens_is_exact_to_a_hundredth_of_a_pixel(corrections: MakeCorrections) -> None:
    made = corrections(1600, 1200, crop_ratio=0.9, rotation_rad=(0.01, -0.02, 0.01)).model_copy(
        update={"lens": BARREL}
    )
    size = (1280, 960)
    lens = lens_of(made.lens)
    assert lens is not None
    homography = resample.output_to_source(made, made.frames[0], size)
    bent = resample.lens_map(homography, size, 1600, 1200, lens)
    assert bent.shape == (960, 1280, 2)
    for x, y in ((0, 0), (1279, 959), (640, 480), (101, 877)):
        exact = lens.bend(through(homography, x, y), 1600, 1200)
        assert bent[y, x] == pytest.approx(exact, abs=0.01)


def bend_px(picture: np.ndarray) -> float:
    """How far an upright edge, where a row rises through a half, departs from a straight line."""
    rows = np.arange(len(picture))
    crossing = np.array([np.interp(0.5, row[:400], np.arange(400)) for row in picture])
    return float(np.max(np.abs(crossing - np.polyval(np.polyfit(rows, crossing, 1), rows))))


def test_a_straight_line_bent_by_the_lens_is_straight_again(corrections: MakeCorrections) -> None:
    made = corrections(800, 600, crop_ratio=0.9).model_copy(update={"lens": BARREL})
    size = (720, 540)
    lens = lens_of(made.lens)
    assert lens is not None
    # The photo of a slanting edge: what a place of the source shows is told by the straightened place.
    y, x = np.mgrid[0:600, 0:800].astype(float)
    straight = lens.straighten(np.stack([x, y], axis=-1), 800, 600)
    edge = 1.0 / (1.0 + np.exp(-(straight[..., 0] - 0.2 * straight[..., 1] - 80.0) / 1.5))
    photo = np.repeat(edge[..., None], 3, axis=2).astype(np.float32)
    homography = resample.output_to_source(made, made.frames[0], size)
    bent = resample.lens_map(homography, size, 800, 600, lens)
    shown = resample.warp(photo, homography, size, Box(0, 600, 0, 800), 1.0, bent)[..., 0]
    # OpenCV places samples to 1/32 px.
    assert bend_px(shown) < 0.1
    assert bend_px(resample.warp(photo, homography, size, Box(0, 600, 0, 800), 1.0)[..., 0]) > 1.0


def test_through_a_lens_the_sides_too_are_kept_inside(corrections: MakeCorrections) -> None:
    # A pincushion's straightened picture is widest at the corners; a barrel's leaves in the middle of a side.
    pincushion = LensDistortion(radial=(1.06, -0.12, 0.0, 0.0), told_by="invented")
    made = corrections(800, 600).model_copy(update={"lens": pincushion})
    homography = resample.output_to_source(made, made.frames[0], (800, 600))
    lens = lens_of(made.lens)
    resample.check_inside(homography, (800, 600), 800, 600, "frame 0")
    corners = resample.mapped_border(homography, (800, 600), 800, 600, lens)[::12]
    assert corners.min() > 0.0 and corners[:, 0].max() < 799.0
    with pytest.raises(EvenflightError, match="leaves the photo"):
        resample.check_inside(homography, (800, 600), 800, 600, "frame 0", lens)
