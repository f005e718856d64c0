"""Files that cannot hold the picture they claim (invented photographs, spoiled on purpose)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
import tifffile

from pipeline.errors import PhotoError
from pipeline.photo.opening import open_photo
from pipeline.photo.structure import structure_trouble
from tests.small_photos import write_dng, write_jpeg

resource = pytest.importorskip("resource", reason="Windows does not tell the memory of a process")


def claim(path: Path, width: int, height: int) -> None:
    """Overwrite the size that a DNG claims."""
    with tifffile.TiffFile(path) as tiff:
        order = tiff.byteorder
        places = [
            (tiff.pages.first.tags[name], value)
            for name, value in (("ImageWidth", width), ("ImageLength", height))
        ]
        found = [(tag.valueoffset, {3: "H", 4: "I"}[int(tag.dtype)], value) for tag, value in places]
    with path.open("r+b") as file:
        for offset, kind, value in found:
            file.seek(offset)
            file.write(struct.pack(order + kind, value))


@pytest.mark.parametrize(("width", "height"), [(60000, 60000), (24, 65000)])
def test_a_size_beyond_the_file_is_told_before_memory_is_asked_for(
    tmp_path: Path, width: int, height: int
) -> None:
    path = write_dng(tmp_path / "huge.dng", 0)
    assert structure_trouble(path) is None
    claim(path, width, height)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert f"claims {width}×{height} px" in str(structure_trouble(path))
    with pytest.raises(PhotoError, match=r"huge\.dng"):
        open_photo(path)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert after - before < 200_000  # KiB; the claimed mosaic alone would be 7 GB or more


def test_a_jpeg_that_claims_too_much_is_told(tmp_path: Path) -> None:
    path = write_jpeg(tmp_path / "huge.jpg", 0)
    data = bytearray(path.read_bytes())
    place = data.index(b"\xff\xc0") + 5  # the frame header of ITU-T T.81, B.2.2: height, then width
    data[place : place + 4] = struct.pack(">HH", 60000, 60000)
    path.write_bytes(data)
    assert "claims 60000×60000 px" in str(structure_trouble(path))
    with pytest.raises(PhotoError, match=r"huge\.jpg"):
        open_photo(path)


def test_a_black_picture_is_no_absurd_one(tmp_path: Path) -> None:
    import imageio.v3 as iio
    import numpy as np

    path = tmp_path / "black.jpg"
    iio.imwrite(path, np.zeros((1500, 2000, 3), np.uint8))
    assert structure_trouble(path) is None
