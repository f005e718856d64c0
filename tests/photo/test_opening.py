"""Any photo opens by what it is, not by what it is called."""

from __future__ import annotations

import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

from pipeline.errors import PhotoError
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.opening import open_photo
from pipeline.photo.raw import RawPhoto


def test_each_kind_opens(tmp_path, write_dng, mosaic):
    picture = np.full((16, 24, 3), 90, np.uint8)
    jpeg = tmp_path / "heron_0002.JPG"
    jpeg.write_bytes(iio.imwrite("<bytes>", picture, extension=".jpg"))
    tiff = tmp_path / "heron_0003.TIFF"
    tifffile.imwrite(tiff, picture, photometric="rgb")
    assert isinstance(open_photo(write_dng(mosaic)), RawPhoto)
    assert isinstance(open_photo(jpeg), LinearPhoto)
    assert isinstance(open_photo(tiff), LinearPhoto)


def test_a_jpeg_called_dng_opens_as_what_it_is(tmp_path):
    path = tmp_path / "heron_0004.dng"
    path.write_bytes(iio.imwrite("<bytes>", np.full((16, 24, 3), 90, np.uint8), extension=".jpg"))
    assert isinstance(open_photo(path), LinearPhoto)


def test_names_with_any_letters_open(write_dng, mosaic):
    assert isinstance(open_photo(write_dng(mosaic, name="hérön 岬.dng")), RawPhoto)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.dng", b"", "is empty"),
        ("notes.dng", b"wind from the sea\n" * 50, "no RAW type"),
        ("noise.jpg", b"\xff\xd8\xff" + bytes(100), "JPEG"),
        ("notes.tif", b"wind from the sea\n" * 50, "TIFF"),
    ],
)
def test_what_is_no_photo_is_refused_by_name(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(PhotoError, match=words) as caught:
        open_photo(path)
    assert str(caught.value).startswith(name)
    assert path.read_bytes() == content


def test_a_folder_is_refused(tmp_path):
    folder = tmp_path / "heron.dng"
    folder.mkdir()
    with pytest.raises(PhotoError, match=r"^heron\.dng cannot be read"):
        open_photo(folder)
