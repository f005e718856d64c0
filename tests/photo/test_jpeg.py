"""Opening JPEG and TIFF photos, against files written here (invented pictures)."""

from __future__ import annotations

import exiv2
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.errors import PhotoError
from pipeline.photo.jpeg import open_jpeg, open_tiff

UPRIGHT = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.rot90(a, 2).swapaxes(0, 1),
    8: np.rot90,
}


@pytest.fixture
def quarters():
    """A picture 32×48 of four flat colours, which JPEG keeps almost exactly."""
    picture = np.zeros((32, 48, 3), np.uint8)
    picture[:16, :24], picture[:16, 24:] = [200, 40, 60], [40, 180, 70]
    picture[16:, :24], picture[16:, 24:] = [50, 60, 190], [220, 220, 40]
    return picture


@pytest.fixture
def write_jpeg(tmp_path, quarters):
    def write(orientation=None):
        path = tmp_path / "heron_0001.jpg"
        path.write_bytes(iio.imwrite("<bytes>", quarters, extension=".jpg", quality=98, subsampling=0))
        if orientation is not None:
            image = exiv2.ImageFactory.open(str(path))
            image.readMetadata()
            image.exifData()["Exif.Image.Orientation"] = exiv2.UShortValue(orientation)
            image.writeMetadata()
        return path

    return write


@pytest.mark.parametrize("orientation", [None, *range(1, 9)])
def test_jpeg_orientation_is_applied_once(write_jpeg, quarters, orientation):
    photo = open_jpeg(write_jpeg(orientation))
    assert photo.rgb.dtype == np.uint8
    assert_allclose(photo.rgb, UPRIGHT[orientation or 1](quarters), atol=3)
    assert photo.colour is None and photo.as_shot_neutral is None


def test_levels_are_linear(write_jpeg):
    photo = open_jpeg(write_jpeg())
    assert photo.linear.dtype == np.float32 and photo.linear.shape == (256,)
    assert photo.linear[[0, 255]].tolist() == [0.0, 1.0]
    assert_allclose(photo.linear[118], 0.18, atol=0.002)  # sRGB code 118 is close to 18 % (IEC 61966-2-1)


@pytest.mark.parametrize("kept", [0.2, 0.6, 0.95, 0.999])
def test_a_torn_jpeg_is_refused(write_jpeg, kept):
    path = write_jpeg(1)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * kept)])
    with pytest.raises(PhotoError, match=r"^heron_0001\.jpg "):
        open_jpeg(path)


def test_the_end_of_a_thumbnail_does_not_hide_a_torn_picture(write_jpeg):
    path = write_jpeg()
    data = path.read_bytes()
    thumbnail = b"Exif\0\0" + data
    with_thumbnail = b"\xff\xd8\xff\xe1" + (len(thumbnail) + 2).to_bytes(2, "big") + thumbnail + data[2:]
    path.write_bytes(with_thumbnail)
    open_jpeg(path)
    path.write_bytes(with_thumbnail[:-200])
    with pytest.raises(PhotoError, match="torn"):
        open_jpeg(path)


def test_bytes_after_the_picture_do_no_harm(write_jpeg, quarters):
    path = write_jpeg()
    path.write_bytes(path.read_bytes() + b"\0" * 5000)
    assert_allclose(open_jpeg(path).rgb, quarters, atol=3)


def test_a_grey_jpeg_has_three_equal_planes(tmp_path):
    path = tmp_path / "grey.jpg"
    path.write_bytes(iio.imwrite("<bytes>", np.full((16, 24), 90, np.uint8), extension=".jpg"))
    assert (open_jpeg(path).rgb == 90).all()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_tiff_of_8_and_16_bits_is_exact_and_upright(tmp_path, dtype, orientation):
    picture = np.random.default_rng(2).integers(0, np.iinfo(dtype).max, (20, 30, 3)).astype(dtype)
    path = tmp_path / "heron_0001.tif"
    tags = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(path, picture, photometric="rgb", compression="zlib", extratags=tags)
    photo = open_tiff(path)
    assert_array_equal(photo.rgb, UPRIGHT[orientation](picture))
    assert len(photo.linear) == np.iinfo(dtype).max + 1


@pytest.mark.parametrize(
    ("shape", "options"),
    [
        ((20, 30), {"photometric": "minisblack"}),
        ((3, 20, 30), {"photometric": "rgb", "planarconfig": "separate"}),
        ((20, 30, 4), {"photometric": "rgb", "extrasamples": ["unassalpha"]}),
    ],
)
def test_tiff_of_other_layouts_becomes_rgb(tmp_path, shape, options):
    picture = np.random.default_rng(2).integers(0, 65535, shape).astype(np.uint16)
    path = tmp_path / "heron_0001.tif"
    tifffile.imwrite(path, picture, **options)
    planes = {2: lambda: np.stack([picture] * 3, -1), 3: lambda: np.moveaxis(picture, 0, -1)}
    expected = picture[..., :3] if shape[-1] == 4 else planes[len(shape)]()
    assert_array_equal(open_tiff(path).rgb, expected)


def test_a_tiff_of_floats_or_negative_greys_is_refused(tmp_path):
    path = tmp_path / "heron_0001.tif"
    for picture, photometric in (
        (np.zeros((8, 8, 3), np.float32), "rgb"),
        (np.zeros((8, 8), np.uint8), "miniswhite"),
    ):
        tifffile.imwrite(path, picture, photometric=photometric)
        with pytest.raises(PhotoError, match="8 or 16 bits"):
            open_tiff(path)


def test_a_torn_tiff_is_refused(tmp_path):
    path = tmp_path / "heron_0001.tif"
    tifffile.imwrite(path, np.zeros((64, 64, 3), np.uint8), photometric="rgb")
    path.write_bytes(path.read_bytes()[:-500])
    with pytest.raises(PhotoError, match=r"^heron_0001\.tif "):
        open_tiff(path)
