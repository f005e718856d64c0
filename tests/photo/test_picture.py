"""Pictures are read as they were written, by a general library, whatever the name of their file."""

from __future__ import annotations

from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest

from pipeline.photo.picture import read_picture


@pytest.mark.parametrize(("name", "depth"), [("Hafenmauer größer ⛵.png", 8), ("plain.png", 16)])
def test_a_picture_is_read_as_imageio_wrote_it(tmp_path: Path, name: str, depth: int) -> None:
    picture = np.random.default_rng(2).integers(0, 2**depth, (9, 12, 3)).astype(f"uint{depth}")
    if depth == 8:
        iio.imwrite(tmp_path / name, picture)
    else:
        iio.imwrite(tmp_path / name, picture, plugin="opencv")  # Pillow writes no colours of 16 bits
    read = read_picture(tmp_path / name)
    assert read is not None and read.dtype == picture.dtype
    np.testing.assert_array_equal(read, picture)


@pytest.mark.parametrize("content", [None, b"", b"no picture"])
def test_what_is_no_picture_is_none(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "00001.jpg").write_bytes(content)
    assert read_picture(tmp_path / "00001.jpg") is None
