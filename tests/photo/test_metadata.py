"""Facts of one photo, from files written on the spot."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime
from pathlib import Path

import exiv2
import pytest
import tifffile

from pipeline.errors import PhotoError
from pipeline.photo.metadata import read_facts
from pipeline.photo.structure import structure_trouble
from tests.small_photos import NAMESPACE, tag, write_dng, write_jpeg


def test_facts_of_a_dng_read_back(tmp_path: Path) -> None:
    path = write_dng(
        tmp_path / "HRN_0001.DNG",
        900.25,
        digits=2,
        exif={
            "Exif.Photo.OffsetTimeOriginal": "+02:00",
            "Exif.Photo.LensModel": "8.8 mm F2.8",
            "Exif.Photo.BodySerialNumber": "invented-17",
            "Exif.GPSInfo.GPSLatitude": "54/1 30/1 3600/100",
            "Exif.GPSInfo.GPSLatitudeRef": "S",
            "Exif.GPSInfo.GPSLongitude": "3/1 15/1 0/1",
            "Exif.GPSInfo.GPSLongitudeRef": "W",
            "Exif.GPSInfo.GPSAltitude": "1205/10",
            "Exif.GPSInfo.GPSAltitudeRef": "0",
        },
        xmp={"GimbalYawDegree": "+12.5", "GimbalPitchDegree": "-90.0", "GimbalRollDegree": "0.3"},
    )
    facts = read_facts(path)
    assert facts.kind == "raw"
    assert (facts.camera, facts.serial, facts.lens) == ("Testcam Heron", "invented-17", "8.8 mm F2.8")
    assert (facts.width, facts.height, facts.orientation) == (24, 18, 1)
    assert facts.clock_s == pytest.approx(datetime(2026, 5, 1, 8, 15, 0, 250_000, UTC).timestamp(), abs=1e-6)
    assert (facts.clock_step_s, facts.zone_s) == (pytest.approx(0.01), 7200.0)
    assert facts.shutter_s == pytest.approx(1 / 60)
    assert (facts.aperture, facts.iso, facts.focal_mm, facts.focal_35mm_mm) == (2.8, 100.0, 8.8, 24.0)
    assert facts.latitude_deg == pytest.approx(-(54.5 + 36 / 3600))
    assert facts.longitude_deg == pytest.approx(-3.25)
    assert facts.altitude_m == pytest.approx(120.5)
    assert (facts.yaw_deg, facts.pitch_deg, facts.roll_deg) == (12.5, -90.0, 0.3)
    assert facts.as_shot_neutral == pytest.approx((0.5, 1.0, 0.6))
    assert structure_trouble(path) is None


def test_size_is_the_active_area_made_even_and_upright(tmp_path: Path) -> None:
    area = [(50829, "I", 4, (2, 3, 17, 24), True)]  # top, left, bottom, right: 21 × 15
    facts = read_facts(write_dng(tmp_path / "a.dng", 0, more=area, exif={"Exif.Image.Orientation": "6"}))
    assert (facts.width, facts.height) == (14, 20)


def test_size_is_that_of_the_raw_and_not_of_its_preview(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "plain.dng", 0)
    with tifffile.TiffFile(path) as file:
        mosaic = file.pages[0].asarray()
    nested = tmp_path / "nested.dng"
    with tifffile.TiffWriter(nested) as writer:
        preview = mosaic[:6, :8].astype("uint8")
        writer.write(preview, photometric="minisblack", subfiletype=1, subifds=1, metadata=None)
        version = [(50706, "B", 4, bytes([1, 4, 0, 0]), True)]
        writer.write(mosaic, photometric=32803, subfiletype=0, metadata=None, extratags=version)
    facts = read_facts(nested)
    assert (facts.kind, facts.width, facts.height) == ("raw", 24, 18)


def test_focal_length_in_pixels_follows_a_reduced_picture(tmp_path: Path) -> None:
    plane = {
        "Exif.Photo.FocalPlaneXResolution": "4000/1",  # per cm: 400 px/mm
        "Exif.Photo.FocalPlaneResolutionUnit": "3",
    }
    full = read_facts(write_jpeg(tmp_path / "full.jpg", 0, exif=plane))
    assert full.focal_px == pytest.approx(8.8 * 400)
    reduced = {**plane, "Exif.Photo.PixelXDimension": "48", "Exif.Photo.PixelYDimension": "36"}
    assert read_facts(write_jpeg(tmp_path / "half.jpg", 0, exif=reduced)).focal_px == pytest.approx(8.8 * 200)
    cropped = {**plane, "Exif.Photo.PixelXDimension": "24", "Exif.Photo.PixelYDimension": "36"}
    assert read_facts(write_jpeg(tmp_path / "crop.jpg", 0, exif=cropped)).focal_px is None


@pytest.mark.parametrize(
    ("tags", "field"),
    [
        ({"Exif.Photo.ExposureTime": "0/1000000"}, "shutter_s"),
        ({"Exif.Photo.ExposureTime": "1/0"}, "shutter_s"),
        ({"Exif.Photo.FNumber": "0/10"}, "aperture"),
        ({"Exif.Photo.ISOSpeedRatings": "0"}, "iso"),
        ({"Exif.Photo.FocalLength": "0/0"}, "focal_mm"),
        ({"Exif.Photo.FocalLengthIn35mmFilm": "0"}, "focal_35mm_mm"),
        ({"Exif.Photo.DateTimeOriginal": "0000:00:00 00:00:00"}, "clock_s"),
        ({"Exif.Photo.DateTimeOriginal": "                   "}, "clock_s"),
        ({"Exif.Photo.DateTimeOriginal": "2026:13:41 10:00:00"}, "clock_s"),
        ({"Exif.Photo.OffsetTimeOriginal": "   :  "}, "zone_s"),
        ({"Exif.Photo.OffsetTimeOriginal": "+99:00"}, "zone_s"),
        (
            {"Exif.GPSInfo.GPSLatitude": "0/1 0/1 0/1", "Exif.GPSInfo.GPSLongitude": "0/1 0/1 0/1"},
            "latitude_deg",
        ),
        (
            {"Exif.GPSInfo.GPSLatitude": "95/1 0/1 0/1", "Exif.GPSInfo.GPSLongitude": "1/1 0/1 0/1"},
            "latitude_deg",
        ),
        (
            {"Exif.GPSInfo.GPSLatitude": "0/0 0/0 0/0", "Exif.GPSInfo.GPSLongitude": "1/1 0/1 0/1"},
            "latitude_deg",
        ),
    ],
)
def test_blank_and_absurd_values_are_none(tmp_path: Path, tags: dict[str, str], field: str) -> None:
    assert getattr(read_facts(write_jpeg(tmp_path / "a.jpg", 0, exif=tags)), field) is None


@pytest.mark.parametrize(("reference", "sign"), [("0", 1.0), ("1", -1.0), ("2", 1.0), ("3", -1.0)])
def test_a_place_below_the_sea_has_a_negative_altitude(tmp_path: Path, reference: str, sign: float) -> None:
    place = {
        "Exif.GPSInfo.GPSLatitude": "54/1 0/1 0/1",
        "Exif.GPSInfo.GPSLongitude": "3/1 0/1 0/1",
        "Exif.GPSInfo.GPSAltitude": "45/10",
        "Exif.GPSInfo.GPSAltitudeRef": reference,  # 1 and 3 are below (Exif 3.0, from memory)
    }
    facts = read_facts(write_jpeg(tmp_path / "a.jpg", 0, exif=place))
    assert facts.altitude_m == sign * 4.5


def test_sub_seconds_that_are_no_number_are_left_out(tmp_path: Path) -> None:
    facts = read_facts(write_jpeg(tmp_path / "a.jpg", 5, exif={"Exif.Photo.SubSecTimeOriginal": "  "}))
    assert facts.clock_s == datetime(2026, 5, 1, 10, 0, 5, tzinfo=UTC).timestamp()
    assert facts.clock_step_s == 1.0


@pytest.mark.parametrize(
    ("properties", "angles"),
    [
        ({"FlightYawDegree": "200", "FlightRollDegree": "15", "GimbalYawDegree": "10"}, (10.0, None, None)),
        (
            {"FlightYawDegree": "200", "FlightPitchDegree": "-3", "FlightRollDegree": "15"},
            (200.0, -3.0, 15.0),
        ),
        ({"Yaw": "7", "Pitch": "-45", "Roll": "1/2"}, (7.0, -45.0, 0.5)),
        ({"GimbalYawDegree": "nan", "GimbalPitchDegree": "1e9", "YawSpeed": "3"}, (None, None, None)),
    ],
)
def test_attitude_is_found_by_property_name(
    tmp_path: Path, properties: dict[str, str], angles: tuple[float | None, ...]
) -> None:
    facts = read_facts(write_jpeg(tmp_path / "a.jpg", 0, xmp=properties))
    assert (facts.yaw_deg, facts.pitch_deg, facts.roll_deg) == angles


def test_apex_values_stand_in_for_absent_ones(tmp_path: Path) -> None:
    path = write_jpeg(tmp_path / "a.jpg", 0)
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    image.exifData().clear()
    image.writeMetadata()
    tag(path, {"Exif.Photo.ShutterSpeedValue": "6/1", "Exif.Photo.ApertureValue": "3/1"})
    facts = read_facts(path)
    assert facts.shutter_s == pytest.approx(1 / 64)
    assert facts.aperture == pytest.approx(math.sqrt(8.0))
    assert facts.camera == "unknown camera"


def test_torn_files_are_told(tmp_path: Path) -> None:
    whole = write_dng(tmp_path / "whole.dng", 0, size=(240, 180))
    jpeg = write_jpeg(tmp_path / "whole.jpg", 0, size=(240, 180))
    assert structure_trouble(whole) is None
    assert structure_trouble(jpeg) is None
    cases = {
        "empty.dng": b"",
        "short.dng": whole.read_bytes()[:-1000],
        "header.dng": whole.read_bytes()[:100],
        "short.jpg": jpeg.read_bytes()[:-1000],
        "zeros.dng": whole.read_bytes()[:-70000] + bytes(70000),
        "text.jpg": b"harbour wall, reed marsh, lantern hill",
    }
    for name, content in cases.items():
        path = tmp_path / name
        path.write_bytes(content)
        assert structure_trouble(path), name
    assert "1000 bytes shorter" in str(structure_trouble(tmp_path / "short.dng"))


def test_data_after_the_end_of_a_jpeg_is_no_trouble(tmp_path: Path) -> None:
    path = write_jpeg(tmp_path / "a.jpg", 0)
    path.write_bytes(path.read_bytes() + b"appended by the camera" * 50)
    assert structure_trouble(path) is None


def test_a_thumbnail_does_not_hide_a_torn_jpeg(tmp_path: Path) -> None:
    thumbnail, whole = write_jpeg(tmp_path / "t.jpg", 0), write_jpeg(tmp_path / "w.jpg", 0, size=(240, 180))
    image = exiv2.ImageFactory.open(str(whole))
    image.readMetadata()
    exiv2.ExifThumb(image.exifData()).setJpegThumbnail(thumbnail.read_bytes())
    image.writeMetadata()
    assert structure_trouble(whole) is None
    whole.write_bytes(whole.read_bytes()[:-500])
    assert structure_trouble(whole) is not None


def test_garbage_raises_photo_error_and_nothing_else(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    sources = [
        write_dng(tmp_path / "a.dng", 0, xmp={"GimbalYawDegree": "1"}).read_bytes(),
        write_jpeg(tmp_path / "a.jpg", 0).read_bytes(),
    ]
    rng = random.Random(3)
    refused = 0
    for trial in range(200):
        content = bytearray(rng.choice(sources)[: rng.choice([0, 40, 400, 4000])])
        for _ in range(rng.choice([0, 1, 20])):
            if content:
                content[rng.randrange(len(content))] = rng.randrange(256)
        path = tmp_path / f"garbage{trial % 3}{rng.choice(['.dng', '.jpg', '.nef', '.tif'])}"
        path.write_bytes(content)
        structure_trouble(path)
        try:
            read_facts(path)
        except PhotoError as error:
            refused += 1
            assert path.name in str(error)
    assert 20 < refused < 200
    assert capfd.readouterr().err == ""


def test_real_raw_without_a_dng_header(data_dir: Path) -> None:
    facts = read_facts(data_dir / "raw_singles" / "s40_0101.crw")
    # size as LibRaw gives it, ISO from LibRaw, the rest from EXIF
    assert (facts.kind, facts.width, facts.height, facts.iso) == ("raw", 2312, 1720, 50.0)
    assert facts.shutter_s == pytest.approx(1 / 103)


def test_real_dng_with_blank_exif(data_dir: Path) -> None:
    facts = read_facts(data_dir / "raw_singles" / "chart_crop.dng")
    assert (facts.width, facts.height) == (1734, 1156)  # its ActiveArea
    assert (facts.clock_s, facts.shutter_s, facts.aperture, facts.iso, facts.focal_mm) == (None,) * 5
    assert facts.as_shot_neutral == pytest.approx((1000 / 2477, 1.0, 1462 / 2477))


def _with_xmp(jpeg: bytes, packet: bytes) -> bytes:
    """The JPEG with an XMP packet as its first APP1 segment (XMP specification part 3, from memory)."""
    body = b"http://ns.adobe.com/xap/1.0/\0" + packet
    return jpeg[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + jpeg[2:]


@pytest.mark.parametrize(
    ("doctype", "angle", "yaw_deg"),
    [
        ("", "12", 12.0),
        (
            '<!ENTITY e0 "1212121212">'
            + "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10)),
            "&e9;",  # ten thousand million digits
            None,
        ),
        ('<!ENTITY outside SYSTEM "SECRET">', "&outside;", None),
    ],
    ids=["plain", "growing entities", "an entity from elsewhere"],
)
def test_entities_in_xmp_are_not_followed(
    tmp_path: Path, doctype: str, angle: str, yaw_deg: float | None
) -> None:
    (tmp_path / "secret.txt").write_text("12", encoding="utf-8")
    doctype = doctype.replace("SECRET", (tmp_path / "secret.txt").as_uri())
    packet = (
        (f"<!DOCTYPE x [{doctype}]>" if doctype else "")
        + '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        + f'<rdf:Description rdf:about="" xmlns:s="{NAMESPACE}"><s:GimbalYawDegree>{angle}'
        + "</s:GimbalYawDegree></rdf:Description></rdf:RDF></x:xmpmeta>"
    )
    path = write_jpeg(tmp_path / "a.jpg", 0)
    path.write_bytes(_with_xmp(path.read_bytes(), packet.encode()))
    facts = read_facts(path)
    assert facts.yaw_deg == yaw_deg
    assert facts.shutter_s == pytest.approx(1 / 60)
