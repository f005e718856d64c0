"""Opening RAW photos, against DNGs written here (invented values, tags by the DNG specification 1.7.1.0)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import rawpy
import tifffile
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.colour.camera import camera_to_xyz_d50, xy_to_neutral
from pipeline.errors import PhotoError
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.lossless import Parts
from pipeline.photo.raw import RawPhoto, libraw_colour, open_raw, plain_mosaic

LINEAR_RAW = 34892  # PhotometricInterpretation of a DNG with three planes
COLOUR_MATRIX = [0.9, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6]

# EXIF Orientation: the place in the stored array of the upright picture's row 0 and column 0
# (Exif 3.0, tag 0x0112: "the 0th row is at the visual top, the 0th column at the visual left", ...).
UPRIGHT = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: np.transpose,
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.rot90(a, 2).T,
    8: np.rot90,
}


def test_tags_become_the_photo(write_dng, mosaic):
    photo = open_raw(write_dng(mosaic, ColorMatrix1=COLOUR_MATRIX))
    assert isinstance(photo, RawPhoto)
    assert_array_equal(photo.mosaic, mosaic)
    assert photo.mosaic.dtype == np.uint16
    assert photo.pattern.tolist() == [[0, 1], [1, 2]]
    assert photo.black.tolist() == [[64, 64], [64, 64]]
    assert photo.white == 4095.0
    assert photo.as_shot_neutral == (0.5, 1.0, 0.625)
    assert_allclose(photo.colour.colour_matrix_1.ravel(), COLOUR_MATRIX)
    assert photo.colour.illuminant_1_k == 6504.0
    assert photo.colour.colour_matrix_2 is None and photo.colour.forward_matrix_1 is None


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_turned_upright_with_pattern_and_black(write_dng, mosaic, orientation):
    turn = UPRIGHT[orientation]
    path = write_dng(mosaic, orientation=orientation, BlackLevelRepeatDim=[2, 2], BlackLevel=[60, 61, 62, 63])
    photo = open_raw(path)
    assert_array_equal(photo.mosaic, turn(mosaic))
    assert_array_equal(photo.pattern, turn(np.array([[0, 1], [1, 2]])))
    assert_array_equal(photo.black, turn(np.array([[60.0, 61.0], [62.0, 63.0]])))
    assert photo.mosaic.flags.c_contiguous


@pytest.mark.parametrize("pattern", [[0, 1, 1, 2], [2, 1, 1, 0], [1, 0, 2, 1], [1, 2, 0, 1]])
@pytest.mark.parametrize("corner", [(0, 0), (3, 5), (2, 1)])
def test_pattern_starts_at_the_active_area(write_dng, mosaic, pattern, corner):
    top, left = corner
    photo = open_raw(write_dng(mosaic, CFAPattern=pattern, ActiveArea=[top, left, 45, 60]))
    height, width = (45 - top) // 2 * 2, (60 - left) // 2 * 2
    assert_array_equal(photo.mosaic, mosaic[top : top + height, left : left + width])
    assert_array_equal(photo.pattern, np.reshape(pattern, (2, 2)))


def test_raw_image_beside_a_preview_is_found(write_dng, mosaic):
    photo = open_raw(write_dng(mosaic, preview=True, WhiteLevel=[4000]))
    assert_array_equal(photo.mosaic, mosaic)
    assert photo.white == 4000.0
    assert photo.as_shot_neutral == (0.5, 1.0, 0.625)


def test_linearization_table_is_applied_once(write_dng):
    codes = np.random.default_rng(1).integers(0, 256, (48, 64)).astype(np.uint8)
    table = np.arange(256) ** 2 // 16
    photo = open_raw(write_dng(codes, LinearizationTable=table))
    assert_array_equal(photo.mosaic, table[codes])


def test_black_level_deltas_are_folded_in(write_dng, mosaic):
    down = np.tile([1.0, 3.0], 24)
    across = np.tile([-0.5, 0.5], 32)
    photo = open_raw(write_dng(mosaic, BlackLevelDeltaV=down, BlackLevelDeltaH=across))
    assert_allclose(photo.black, [[64.5, 65.5], [66.5, 67.5]])


def test_black_level_of_other_repeats_is_averaged_by_phase(write_dng, mosaic):
    photo = open_raw(write_dng(mosaic, BlackLevelRepeatDim=[1, 4], BlackLevel=[60, 62, 64, 66]))
    assert_allclose(photo.black, [[62, 64], [62, 64]])


def masked(mosaic: np.ndarray, dark: float, top: int = 3, left: int = 5) -> np.ndarray:
    """The mosaic with a dark frame at its top and left, a different level in each place of the pattern."""
    whole = np.pad(mosaic, ((top, 0), (left, 0))).astype(float)
    rows, columns = np.indices(whole.shape)
    level = dark + 2.0 * ((rows - top) % 2) + ((columns - left) % 2)
    level += np.random.default_rng(8).normal(0.0, 1.5, whole.shape)
    unlit = (rows < top) | (columns < left)
    return np.where(unlit, np.rint(level), whole).astype(np.uint16)


def test_black_is_that_of_the_masked_photosites(write_dng, mosaic):
    """Black has drifted from 64 to 70; one masked photosite in fifty is hot."""
    whole = masked(np.tile(mosaic, (8, 1)), 70.0)
    whole[:, 2][::10] += 500
    areas = [0, 0, whole.shape[0], 5, 0, 5, 3, 69]
    area = [3, 5, *whole.shape]
    photo = open_raw(write_dng(whole, ActiveArea=area, MaskedAreas=areas))
    assert_allclose(photo.black, [[70, 71], [72, 73]], atol=0.3)
    assert_array_equal(photo.mosaic, whole[3:, 5:])


@pytest.mark.parametrize("dark", [64.0 + 200.0, 64.0])
def test_masked_photosites_that_are_few_or_lit_are_not_believed(write_dng, mosaic, dark):
    whole = masked(np.tile(mosaic, (8, 1)) if dark > 64.0 else mosaic, dark)
    areas = [0, 0, whole.shape[0], 5, 0, 5, 3, 69]
    photo = open_raw(write_dng(whole, ActiveArea=[3, 5, *whole.shape], MaskedAreas=areas))
    assert_array_equal(photo.black, np.full((2, 2), 64.0))


def test_both_illuminants_and_all_matrices_are_read(write_dng, mosaic):
    rng = np.random.default_rng(3)
    names = ["ColorMatrix2", "ForwardMatrix1", "ForwardMatrix2", "CameraCalibration1", "CameraCalibration2"]
    tags = {name: rng.uniform(-1, 1, 9).round(4) for name in names}
    path = write_dng(
        mosaic, CalibrationIlluminant1=17, CalibrationIlluminant2=21, AnalogBalance=[1.5, 1, 1.25], **tags
    )
    colour = open_raw(path).colour
    found = [
        colour.colour_matrix_2,
        colour.forward_matrix_1,
        colour.forward_matrix_2,
        colour.calibration_1,
        colour.calibration_2,
    ]
    for name, matrix in zip(names, found, strict=True):
        assert_allclose(matrix.ravel(), tags[name], err_msg=name)
    assert (colour.illuminant_1_k, colour.illuminant_2_k) == (2856.0, 6504.0)
    assert colour.analog_balance.tolist() == [1.5, 1.0, 1.25]


def test_calibration_of_another_profile_is_not_used(write_dng, mosaic):
    path = write_dng(
        mosaic, CameraCalibration1=np.diag([1.1, 1, 0.9]), CameraCalibrationSignature="Heron at the factory"
    )
    assert_array_equal(open_raw(path).colour.calibration_1, np.eye(3))


def test_as_shot_white_xy_stands_in_for_the_neutral(write_dng, mosaic):
    photo = open_raw(write_dng(mosaic, AsShotNeutral=None, AsShotWhiteXY=[0.3457, 0.3585]))
    assert_allclose(photo.as_shot_neutral, xy_to_neutral(photo.colour, [0.3457, 0.3585]), atol=1e-6)


def test_a_dng_without_a_neutral_has_none(write_dng, mosaic):
    assert open_raw(write_dng(mosaic, AsShotNeutral=None)).as_shot_neutral is None


def test_three_plane_dng_is_linear_camera_rgb(write_dng):
    pixels = np.zeros((32, 48, 3), np.uint16)
    pixels[:] = [1000, 2000, 3000]
    pixels[:, 24:] = 4095
    path = write_dng(pixels, photometric=LINEAR_RAW, BlackLevel=None)
    photo = open_raw(path)
    assert isinstance(photo, LinearPhoto)
    level = photo.linear[photo.rgb]
    assert level.shape == (32, 48, 3)
    assert_allclose(level[8, 8], np.array([1000, 2000, 3000]) / 4095, atol=1e-4)
    assert_allclose(level[8, 40], 1.0, atol=1e-4)
    assert photo.colour is not None and photo.as_shot_neutral == (0.5, 1.0, 0.625)


@pytest.mark.parametrize("order", ["II", "MM"])
def test_sixteen_bits_are_taken_from_the_file_as_libraw_takes_them(tmp_path, mosaic, order):
    path = tmp_path / "plain.dng"
    tifffile.imwrite(path, mosaic, byteorder="<" if order == "II" else ">", rowsperstrip=7)
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        parts = Parts(mosaic.shape, (7, mosaic.shape[1]), page.dataoffsets, page.databytecounts)
    data = path.read_bytes()
    assert_array_equal(plain_mosaic(data, parts), mosaic)
    assert plain_mosaic(data[: parts.offsets[-1] + 1], parts) is None
    swapped = replace(parts, offsets=parts.offsets[::-1])
    assert plain_mosaic(data, swapped) is None
    assert plain_mosaic(b"??" + data[2:], parts) is None


def test_a_plain_dng_is_the_same_by_its_tags_and_by_libraw(write_dng, mosaic):
    path = write_dng(mosaic)
    with rawpy.imread(str(path)) as raw:
        assert_array_equal(open_raw(path).mosaic, raw.raw_image_visible)


@pytest.mark.parametrize("kept", [0.02, 0.3, 0.99])
def test_a_torn_dng_costs_one_sentence(write_dng, mosaic, kept):
    path = write_dng(mosaic)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * kept)])
    with pytest.raises(PhotoError, match=r"^heron_0001\.dng .*torn.*") as caught:
        open_raw(path)
    assert "\n" not in str(caught.value)


def test_a_text_file_named_dng_is_refused(tmp_path):
    path = tmp_path / "notes.dng"
    path.write_text("wind from the sea\n" * 100)
    with pytest.raises(PhotoError, match=r"^notes\.dng "):
        open_raw(path)


def test_an_absent_file_is_named(tmp_path):
    with pytest.raises(PhotoError, match=r"^gone\.dng cannot be read"):
        open_raw(tmp_path / "gone.dng")


def test_a_camera_without_known_colour_is_refused(write_dng, mosaic):
    with pytest.raises(PhotoError, match="colour LibRaw does not know"):
        open_raw(write_dng(mosaic, ColorMatrix1=None))


def test_black_at_white_is_refused(write_dng, mosaic):
    with pytest.raises(PhotoError, match="no level between black and white"):
        open_raw(write_dng(mosaic, BlackLevel=[4095]))


@pytest.mark.parametrize("neutral", [(0.45, 1.0, 0.7), (0.8, 1.0, 0.35)])
def test_one_libraw_matrix_acts_the_same_in_every_light(neutral):
    colour = libraw_colour(np.reshape(COLOUR_MATRIX, (3, 3)))
    balanced = camera_to_xyz_d50(colour, neutral) * np.array(neutral)
    assert_allclose(balanced, camera_to_xyz_d50(colour, (1, 1, 1)), atol=1e-12)


def test_a_six_by_six_mosaic_is_developed_by_libraw_without_scaling(write_dng):
    """The arrangement is the common 6×6 one (from memory); LibRaw wants 512 px a side; levels invented."""
    pattern = np.array(
        [
            [1, 1, 0, 1, 1, 2],
            [1, 1, 2, 1, 1, 0],
            [2, 0, 1, 0, 2, 1],
            [1, 1, 2, 1, 1, 0],
            [1, 1, 0, 1, 1, 2],
            [0, 2, 1, 2, 0, 1],
        ]
    )
    levels = np.array([500, 1000, 800], np.uint16)
    photo = open_raw(
        write_dng(
            levels[np.tile(pattern, (86, 88))],
            CFARepeatPatternDim=[6, 6],
            CFAPattern=pattern,
            BlackLevel=[64],
        )
    )
    assert isinstance(photo, LinearPhoto)
    assert_allclose(photo.linear[photo.rgb][150, 150], (levels - 64) / (4095 - 64), rtol=2e-3)
    assert photo.as_shot_neutral == (0.5, 1.0, 0.625)
