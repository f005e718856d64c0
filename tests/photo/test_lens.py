"""Distortion told by opcodes built by hand, and by a lens database of an invented camera."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from pipeline.corrections import LensDistortion
from pipeline.geometry.lens import Lens
from pipeline.photo.lens import database_lens, fitted, opcode_lens, parse_opcodes, told_lens, upright

GREEN = (1.01, -0.05, 0.02, 0.0, 0.001, -0.002)

# A database of invented glass in Lensfun's format. poly3: r_d = r (1 - k1 + k1 r²), r = 1 at half the
# shorter side (Lensfun's documentation of its lens calibration models).
DATABASE = """<lensdatabase version="1">
  <mount><name>heronFixed</name></mount>
  <camera><maker>Testcam</maker><model>Heron</model><mount>heronFixed</mount>
    <cropfactor>2.7</cropfactor></camera>
  <lens><maker>Testcam</maker><model>Heron fixed lens</model><mount>heronFixed</mount>
    <cropfactor>2.7</cropfactor><aspect-ratio>3:2</aspect-ratio>
    <calibration><distortion model="poly3" focal="8.8" k1="-0.03"/></calibration></lens>
</lensdatabase>"""


def opcodes(planes: list[tuple[float, ...]], centre: tuple[float, float] = (0.5, 0.48)) -> bytes:
    """A list of two opcodes, the second WarpRectilinear; the first is skipped by its length."""
    warp = struct.pack(">I", len(planes)) + b"".join(struct.pack(">6d", *plane) for plane in planes)
    warp += struct.pack(">2d", *centre)
    other = struct.pack(">4I", 3, 0x01030000, 1, 24) + bytes(24)
    return struct.pack(">I", 2) + other + struct.pack(">4I", 1, 0x01030000, 1, len(warp)) + warp


@pytest.mark.parametrize("planes", [[GREEN], [(9.0,) * 6, GREEN, (8.0,) * 6]])
def test_warp_rectilinear_is_read(planes: list[tuple[float, ...]]) -> None:
    told = parse_opcodes(opcodes(planes))
    assert told is not None
    assert told.radial == GREEN[:4] and told.tangential == GREEN[4:] and told.centre == (0.5, 0.48)
    assert told.told_by == "DNG opcodes"


@pytest.mark.parametrize("data", [b"", b"\0\0\0\1", opcodes([GREEN])[:-5], struct.pack(">I", 0)])
def test_a_list_without_a_warp_or_torn_tells_nothing(data: bytes) -> None:
    assert parse_opcodes(data) is None


def test_planes_other_than_one_or_three_tell_nothing() -> None:
    assert parse_opcodes(opcodes([GREEN, GREEN])) is None
    assert parse_opcodes(opcodes([(np.nan, *GREEN[1:])])) is None


@pytest.mark.parametrize(("orientation", "turns"), [(1, 0), (3, 2), (6, 3), (8, 1)])
def test_the_upright_picture_is_bent_like_the_sensor_s(orientation: int, turns: int) -> None:
    # numpy.rot90 turns anticlockwise; EXIF 6 is a quarter clockwise
    told = LensDistortion(radial=GREEN[:4], tangential=GREEN[4:], centre=(0.47, 0.52), told_by="invented")
    high, wide = 30, 40
    y, x = np.mgrid[0:high, 0:wide].astype(float)
    places = np.stack([x, y], axis=-1)
    moved = Lens(told.radial, told.tangential, told.centre).bend(places, wide, high) - places
    turned = np.rot90(moved, turns)
    for _ in range(turns):  # a quarter anticlockwise takes (x, y) to (y, -x)
        turned = np.stack([turned[..., 1], -turned[..., 0]], axis=-1)
    stood = upright(told, orientation)
    assert stood is not None
    new_high, new_wide = turned.shape[:2]
    y, x = np.mgrid[0:new_high, 0:new_wide].astype(float)
    places = np.stack([x, y], axis=-1)
    bent = Lens(stood.radial, stood.tangential, stood.centre).bend(places, new_wide, new_high)
    assert bent - places == pytest.approx(turned, abs=1e-9)


def test_a_mirrored_picture_is_left_as_it_is() -> None:
    assert upright(LensDistortion(radial=GREEN[:4], told_by="invented"), 2) is None


def test_opcodes_inside_a_dng(tmp_path: Path) -> None:
    import tifffile

    path = tmp_path / "heron_0001.dng"
    extra = [(50706, "B", 4, b"\1\4\0\0", True), (51022, "B", len(opcodes([GREEN])), opcodes([GREEN]), True)]
    tifffile.imwrite(path, np.zeros((8, 8), np.uint16), photometric=32803, extratags=extra, metadata=None)
    told = opcode_lens(path)
    assert told is not None and told.radial == GREEN[:4]
    assert told_lens(path, "raw", "Testcam Heron", None, None, None, (8, 8)) == told
    assert told_lens(path, "display-referred", "Testcam Heron", None, 8.8, None, (8, 8)) is None


def test_the_lens_database() -> None:
    lensfunpy = pytest.importorskip("lensfunpy")
    database = lensfunpy.Database(xml=DATABASE, load_common=False, load_bundled=False)
    told = database_lens("Testcam Heron", None, 8.8, 2.8, (1500, 1000), database)
    assert told is not None and told.told_by == "Lensfun: Heron fixed lens"
    # the published model written out, at places of a 3:2 picture
    wide, high = 1500, 1000
    lens = Lens(told.radial, told.tangential, told.centre)
    for x, y in ((0.0, 0.0), (1499.0, 500.0), (300.0, 700.0)):
        place = np.array([x - 749.5, y - 499.5])
        radius = np.hypot(*place) / (high / 2.0)
        expected = place * (1.0 + 0.03 - 0.03 * radius**2)
        found = lens.bend(np.array([x, y]), wide, high) - [749.5, 499.5]
        assert found == pytest.approx(expected, abs=0.5)
    assert database_lens("Testcam Gull", None, 8.8, 2.8, (1500, 1000), database) is None
    assert database_lens("Testcam Heron", None, None, 2.8, (1500, 1000), database) is None


def test_a_map_that_moves_nothing_is_no_lens() -> None:
    y, x = np.mgrid[0:41, 0:61].astype(float)
    assert fitted(np.stack([x, y], axis=-1), "invented") is None
