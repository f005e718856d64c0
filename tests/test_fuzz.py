"""Hostile input: whatever a file or an argument holds, a reader answers with a result or our own error.

Properties over inputs made by hypothesis; the photographs that are spoiled are invented.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError, PhotoError, UsageError
from pipeline.photo.metadata import read_facts
from pipeline.photo.opening import open_photo
from pipeline.photo.structure import structure_trouble
from pipeline.planning.waypoints import parse_waypoints
from pipeline.render.grades import load_grade, read_cdl
from pipeline.run.outputs import read_corrections
from pipeline.settings import load_settings
from tests.small_photos import write_dng, write_jpeg

# A run of them all stays within half a minute on two cores.
few = settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

# Bytes put over a file: places as shares of its length, so that they spread over any file.
spoilings = st.lists(
    st.tuples(st.floats(0.0, 1.0, exclude_max=True), st.binary(min_size=1, max_size=8)),
    min_size=1,
    max_size=12,
)
headers = st.lists(st.tuples(st.floats(0.0, 0.15), st.binary(min_size=1, max_size=4)), min_size=1, max_size=8)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole")
    angles = {"GimbalYawDegree": "10", "GimbalPitchDegree": "-20", "GimbalRollDegree": "0"}
    place = {
        "Exif.GPSInfo.GPSLatitude": "54/1 0/1 0/1",
        "Exif.GPSInfo.GPSLatitudeRef": "N",
        "Exif.GPSInfo.GPSLongitude": "3/1 0/1 0/1",
        "Exif.GPSInfo.GPSLongitudeRef": "E",
    }
    jpeg = write_jpeg(folder / "a.jpg", 1.0, digits=2, exif=place, xmp=angles)
    dng = write_dng(folder / "a.dng", 1.0, digits=2, exif=place, xmp=angles)
    return {".jpg": jpeg.read_bytes(), ".dng": dng.read_bytes()}


def spoiled(data: bytes, changes: list[tuple[float, bytes]], cut: float) -> bytes:
    changed = bytearray(data)
    for share, new in changes:
        start = int(share * len(changed))
        changed[start : start + len(new)] = new
    return bytes(changed[: int(len(changed) * cut)])


def read(path: Path) -> None:
    """Every reader of a photograph, each with a result or our own error."""
    structure_trouble(path)
    for reader in (read_facts, open_photo):
        try:
            reader(path)
        except PhotoError as error:
            assert path.name in str(error) and "\n" not in str(error)


@pytest.mark.parametrize("suffix", [".jpg", ".dng"])
@few
@given(changes=st.one_of(spoilings, headers), cut=st.one_of(st.just(1.0), st.floats(0.0, 1.0)))
def test_a_spoiled_photo_is_read_or_refused(
    suffix: str, changes: list[tuple[float, bytes]], cut: float, whole: dict[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / f"spoiled{suffix}"
    path.write_bytes(spoiled(whole[suffix], changes, cut))
    read(path)


@pytest.mark.parametrize("start", [b"", b"II*\0", b"MM\0*", b"\xff\xd8\xff\xe1", b"\0\0\0\x18ftypcrx "])
@pytest.mark.parametrize("suffix", [".dng", ".cr3", ".tif", ".jpg"])
@settings(few, max_examples=12)
@given(data=st.binary(max_size=300))
def test_bytes_of_any_kind_are_no_photo(start: bytes, suffix: str, data: bytes, tmp_path: Path) -> None:
    path = tmp_path / f"bytes{suffix}"
    path.write_bytes(start + data)
    read(path)


@settings(few, max_examples=200)
@given(st.text())
def test_any_assignment_is_a_setting_or_wrong_usage(text: str) -> None:
    try:
        load_settings(None, [text])
    except UsageError as error:
        assert "\n" not in str(error) or "\n" in text


names = st.sampled_from(
    [
        "load.leave_out",
        "balance.mode",
        "deflicker.keep_slower_than_s",
        "stabilise.max_crop",
        "encode.fps",
        "encode.grade",
    ]
)
values = st.one_of(
    st.integers(), st.floats(), st.booleans(), st.text(), st.lists(st.integers() | st.text(), max_size=3)
)


@settings(few, max_examples=200)
@given(names, values)
def test_any_value_is_taken_or_refused(name: str, value: Any) -> None:
    try:
        load_settings(None, [f"{name}={json.dumps(value)}"])
    except UsageError as error:
        assert str(error)


@few
@given(
    content=st.one_of(
        st.binary(max_size=400), st.text(max_size=400).map(lambda text: text.encode("utf-8", "replace"))
    )
)
def test_any_configuration_file_is_read_or_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "some.toml"
    path.write_bytes(content)
    try:
        load_settings(str(path), [])
    except UsageError as error:
        assert str(error)


@pytest.fixture(scope="module")
def corrections() -> dict[str, Any]:
    frame = FrameCorrection(frame=0, file="a.dng", shown=0, shown_file="a.dng", time_s=0.0)
    told = Corrections(
        id="x", kind="raw", card="../card", width=24, height=18, focal_px=20.0, shape=(16, 9),
        crop_ratio=0.9, frames=[frame],
    )  # fmt: skip
    loaded: dict[str, Any] = json.loads(told.model_dump_json(by_alias=True))
    return loaded


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@settings(few, max_examples=150)
@given(data=st.data())
def test_edited_corrections_are_read_or_refused(
    data: st.DataObject, corrections: dict[str, Any], tmp_path: Path
) -> None:
    edited = json.loads(json.dumps(corrections))
    place = edited if data.draw(st.booleans()) else edited["frames"][0]
    key = data.draw(st.sampled_from(sorted(place)) | st.text(max_size=5))
    place[key] = data.draw(anything)
    path = tmp_path / "corrections.json"
    path.write_text(json.dumps(edited), encoding="utf-8")
    try:
        read_corrections(path)
    except EvenflightError as error:
        assert "corrections.json" in str(error) and "\n" not in str(error)


@few
@given(content=st.binary(max_size=300))
def test_any_bytes_are_corrections_or_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "corrections.json"
    path.write_bytes(content)
    try:
        read_corrections(path)
    except EvenflightError as error:
        assert "corrections.json" in str(error)


CDL = (
    '<?xml version="1.0" encoding="UTF-8"?><ColorDecisionList xmlns="urn:ASC:CDL:v1.01"><ColorDecision>'
    '<ColorCorrection id="a"><SOPNode><Slope>1 1 1</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power>'
    "</SOPNode><SatNode><Saturation>1</Saturation></SatNode></ColorCorrection></ColorDecision>"
    "</ColorDecisionList>"
)
CUBE = 'TITLE "a"\nLUT_3D_SIZE 2\n' + "".join(
    f"{r} {g} {b}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1)
)
LINE = '{"type": "LineString", "coordinates": [[3.0, 54.0, 60], [3.001, 54.0, 60], [3.002, 54.001, 70]]}'
TABLE = "latitude,longitude,height,heading,pitch\n54.0,3.0,60,90,-20\n54.001,3.001,60,95,-20\n"

text_changes = st.lists(
    st.tuples(st.floats(0.0, 1.0), st.integers(0, 12), st.text(max_size=6) | st.sampled_from(
        ["nan", "inf", "-1e999", "1e308", "<!ENTITY", "&a;", "[]", "{}", "null", '"', ",", "\n", "0"]
    )),
    min_size=1, max_size=5,
)  # fmt: skip


def edited(text: str, changes: list[tuple[float, int, str]]) -> str:
    for share, drop, new in changes:
        start = int(share * len(text))
        text = text[:start] + new + text[start + drop :]
    return text


@pytest.mark.parametrize("ending", ["cdl", "cc", "ccc"])
@few
@given(changes=text_changes)
def test_an_edited_cdl_file_is_read_or_refused(
    ending: str, changes: list[tuple[float, int, str]], tmp_path: Path
) -> None:
    path = tmp_path / f"edited.{ending}"
    path.write_text(edited(CDL, changes), encoding="utf-8", errors="replace")
    try:
        read_cdl(path)
    except UsageError as error:
        assert path.name in str(error) and "\n" not in str(error)


@settings(few, max_examples=100)
@given(changes=text_changes)
def test_an_edited_look_up_table_is_read_or_refused(
    changes: list[tuple[float, int, str]], tmp_path: Path
) -> None:
    (tmp_path / "edited.cube").write_text(edited(CUBE, changes), encoding="utf-8", errors="replace")
    grade = tmp_path / "grade.toml"
    grade.write_text('intent = "a trial"\n[lut]\nfile = "edited.cube"\n', encoding="utf-8")
    try:
        load_grade(str(grade))
    except UsageError as error:
        assert "edited.cube" in str(error) and "\n" not in str(error)


@pytest.mark.parametrize(("whole", "name"), [(LINE, "course.geojson"), (TABLE, "course.csv")])
@few
@given(changes=text_changes)
@example(changes=[(0.5625, 2, ""), (0.578125, 1, "")])  # a longitude beyond 180 degrees
def test_an_edited_course_is_read_or_refused(
    whole: str, name: str, changes: list[tuple[float, int, str]]
) -> None:
    try:
        points = parse_waypoints(edited(whole, changes), name)
    except UsageError as error:
        assert name in str(error)
    else:
        assert all(-90 <= p.latitude_deg <= 90 and -180 <= p.longitude_deg <= 180 for p in points)


def test_an_entity_from_elsewhere_is_refused(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("1 1 1", encoding="utf-8")
    path = tmp_path / "outside.cdl"
    head = f'<!DOCTYPE a [<!ENTITY x SYSTEM "{secret.as_uri()}">]>'
    path.write_text(CDL.replace("?>", f"?>{head}", 1).replace("<Slope>1 1 1", "<Slope>&x;"), encoding="utf-8")
    with pytest.raises(UsageError, match=r"outside\.cdl"):
        read_cdl(path)
