"""Lossless JPEG of DNGs: the same as by LibRaw, and never trusted before its header is checked."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.demo.dng import write_dng
from pipeline.errors import PhotoError
from pipeline.photo.lossless import Parts, is_sound, unpack
from pipeline.photo.raw import RawPhoto, open_raw

Mosaic = NDArray[np.uint16]


def mosaic_of(height: int, width: int) -> Mosaic:
    rng = np.random.default_rng(4)
    return (600 + 10 * np.arange(width) + rng.integers(0, 3000, (height, width))).astype(np.uint16)


def coded(mosaic: Mosaic, components: int = 1, tables: int = 1) -> bytes:
    """A lossless JPEG (ITU-T T.81, annex H) written here: predictor 1, all categories in codes of 5 bits."""
    height, width = mosaic.shape
    samples = mosaic.reshape(height, width // components, components).astype(int)
    expected = np.full_like(samples, 1 << 13)
    expected[:, 1:] = samples[:, :-1]
    expected[1:, 0] = samples[:-1, 0]
    bits = ""
    for difference in (samples - expected).ravel().tolist():
        category = abs(difference).bit_length()
        bits += format(category, "05b")
        if category:
            value = difference if difference > 0 else difference + (1 << category) - 1
            bits += format(value, f"0{category}b")
    bits += "1" * (-len(bits) % 8)
    scan = int(bits, 2).to_bytes(len(bits) // 8, "big").replace(b"\xff", b"\xff\x00")

    def segment(marker: int, content: bytes) -> bytes:
        return bytes([0xFF, marker]) + struct.pack(">H", len(content) + 2) + content

    codes = bytes([0] * 4 + [17] + [0] * 11) + bytes(range(17))
    frame = struct.pack(">BHHB", 14, height, width // components, components)
    frame += b"".join(bytes([k, 0x11, 0]) for k in range(components))
    of_scan = bytes([components]) + b"".join(bytes([k, 0]) for k in range(components)) + bytes([1, 0, 0])
    head = b"\xff\xd8" + b"".join(segment(0xC4, bytes([k]) + codes) for k in range(tables))
    return head + segment(0xC3, frame) + segment(0xDA, of_scan) + scan + b"\xff\xd9"


@pytest.mark.parametrize("components", [1, 2])
def test_strips_come_back(components: int) -> None:
    mosaic = mosaic_of(30, 48)
    strips = [coded(mosaic[top : top + 12], components) for top in (0, 12, 24)]
    offsets = np.cumsum([5, *(len(strip) for strip in strips)])[:-1]
    parts = Parts((30, 48), (12, 48), tuple(offsets.tolist()), tuple(len(strip) for strip in strips))
    seen = unpack(b"12345" + b"".join(strips), parts)
    assert seen is not None
    np.testing.assert_array_equal(seen, mosaic)


def test_tiles_are_cut_off_at_the_edges() -> None:
    whole = mosaic_of(32, 64)
    tiles = [coded(whole[y : y + 16, x : x + 32]) for y in (0, 16) for x in (0, 32)]
    offsets = np.cumsum([0, *(len(tile) for tile in tiles)])[:-1]
    parts = Parts((30, 50), (16, 32), tuple(offsets.tolist()), tuple(len(tile) for tile in tiles))
    seen = unpack(b"".join(tiles), parts)
    assert seen is not None
    np.testing.assert_array_equal(seen, whole[:30, :50])


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_dng_opens_as_libraw_opens_it(
    tmp_path: Path, orientation: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "reed_marsh.dng"
    write_dng(
        path,
        mosaic_of(40, 60),
        pattern="GRBG",
        black=512,
        white=15_892,
        neutral=(0.5, 1.0, 0.6),
        lossless_jpeg=True,
        tags=None,
    )
    with tifffile.TiffFile(path, mode="r+") as tiff:
        tiff.pages.first.tags["Orientation"].overwrite(orientation)
    ours = open_raw(path)
    monkeypatch.setattr("pipeline.photo.raw.unpack", lambda data, parts: None)
    theirs = open_raw(path)
    assert isinstance(ours, RawPhoto)
    assert isinstance(theirs, RawPhoto)
    for name in ("mosaic", "pattern", "black"):
        np.testing.assert_array_equal(getattr(ours, name), getattr(theirs, name))
    assert (ours.white, ours.as_shot_neutral) == (theirs.white, theirs.as_shot_neutral)
    with rawpy.imread(io.BytesIO(path.read_bytes())) as raw:
        np.testing.assert_array_equal(np.sort(raw.raw_image.ravel()), np.sort(ours.mosaic.ravel()))


def test_what_is_unusual_is_left_to_libraw() -> None:
    mosaic = mosaic_of(8, 16)
    whole = coded(mosaic)
    assert is_sound(whole, 128)
    assert not is_sound(whole, 127)
    assert not is_sound(coded(mosaic, 2, tables=2), 128)  # the decoder would take one table for both
    assert not is_sound(b"", 128)
    assert unpack(whole[:-20], Parts((8, 16), (8, 16), (0,), (len(whole),))) is None
    assert unpack(whole[:-20], Parts((8, 16), (8, 16), (0,), (len(whole) - 20,))) is None
    assert unpack(whole, Parts((9000, 9000), (9000, 9000), (0,), (len(whole),))) is None


@settings(max_examples=300, deadline=None)
@given(
    st.integers(0, 2), st.lists(st.tuples(st.integers(0, 120), st.integers(0, 255)), min_size=1, max_size=4)
)
def test_spoiled_headers_do_no_harm(which: int, spoiled: list[tuple[int, int]]) -> None:
    """The decoder alone was seen to end the process on such; here the header is refused, or it decodes."""
    mosaic = mosaic_of(16, 32)
    file = bytearray(
        [coded(mosaic), coded(mosaic, 2), bytes(imagecodecs.ljpeg_encode(mosaic, bitspersample=14))][which]
    )
    for place, value in spoiled:
        file[place] = value
    seen = unpack(bytes(file), Parts((16, 32), (16, 32), (0,), (len(file),)))
    assert seen is None or seen.shape == (16, 32)


def test_a_torn_dng_is_told_as_before(tmp_path: Path) -> None:
    path = tmp_path / "torn.dng"
    write_dng(
        path,
        mosaic_of(200, 300),
        pattern="RGGB",
        black=512,
        white=15_892,
        neutral=(0.5, 1.0, 0.6),
        lossless_jpeg=True,
        tags=None,
    )
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(PhotoError, match="torn"):
        open_raw(path)


def test_a_torn_stream_is_left_to_libraw() -> None:
    """A sector of zeros, as a torn copy holds, or a marker in the middle, which no coded data hold."""
    whole = coded(mosaic_of(40, 60))
    assert is_sound(whole, 40 * 60)
    middle = len(whole) // 2
    zeros = whole[:middle] + bytes(512) + whole[middle + 512 :]
    assert not is_sound(zeros, 40 * 60)
    marker = whole[:middle] + b"\xff\xe1" + whole[middle + 2 :]
    assert not is_sound(marker, 40 * 60)
