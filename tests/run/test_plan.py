"""`evenflight plan`: files of waypoints, finished flights, and what is printed and written."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from pipeline.cli import app
from pipeline.corrections import Corrections
from pipeline.errors import UsageError
from pipeline.report.schema import write_text
from pipeline.run.plan import flown_place, read_flown, read_waypoints
from pipeline.stages.result import StageResult
from tests.report.invented import put
from tests.small_photos import tag, write_jpeg

FRAMES = 120


def evenflight(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def flight(tmp_path: Path) -> Path:
    """Reports of an invented flight: 1 m/s north, a heading step of 5° at frame 60, frame 40 missing."""
    folder = tmp_path / "out" / "20260501-100000_HERN0000"
    rows = [
        {
            "frame": n,
            "file": None if n == 40 else f"HERN{n:04}.JPG",
            "position_m": None if n == 40 else (0.0, 2.0 * n, 0.0),
            "shutter_s": 0.25,
            "aperture": 2.8,
            "iso": 100.0,
            "yaw_deg": 30.0,
            "pitch_deg": -20.0,
        }
        for n in range(FRAMES)
    ]
    load = StageResult(
        found={"interval_s": 2.0},
        left={"interval_s": 2.0},
        applied={"focal_px": 1100.0, "width": 1600},
        frames=rows,
    )
    turned = [{"frame": n, "file": None, "yaw_deg": 5.0 * (n >= 60), "pitch_deg": 0.0} for n in range(FRAMES)]
    put(folder, "load", load)
    put(folder, "stabilise", StageResult(frames=turned))
    put(folder, "encode", StageResult(applied={"outputs": [{"file": "x.mp4", "fps": "25"}]}))
    return folder


def test_a_plan_without_a_course_is_printed() -> None:
    result = evenflight("plan", "--speed", 3, "--shutter", "1/2", "--battery", 25)
    assert result.exit_code == 0, result.output
    for text in ("photos", "300", "2.5 s", "shutter angle", "72°", "Caution: ", "not a clearance to fly"):
        assert text in result.output


def test_json_holds_the_plan_and_nothing_else(tmp_path: Path) -> None:
    course = tmp_path / "course.csv"
    course.write_text("54.5,3.2,60\n54.501,3.2,60\n", "utf-8")
    result = evenflight("plan", "--waypoints", course, "--clip", 5, "--json")
    told = json.loads(result.stdout)
    assert told["photos"] == 150 and told["course"]["length_m"] == pytest.approx(111.3, abs=0.1)
    assert told["ground"]["near"]["motion_px"] > told["ground"]["far"]["motion_px"] > 0.0


def test_a_page_is_written(tmp_path: Path) -> None:
    result = evenflight("plan", "--page", tmp_path / "plan.html", "--metered", "1/800,2.8,100")
    assert result.exit_code == 0, result.output
    assert "Plan of a flight" in (tmp_path / "plan.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--waypoints", "none.csv"), "none.csv cannot be read"),
        (("--from", "nowhere"), "nowhere holds no load.json"),
        (("--from", "a", "--waypoints", "b"), "choose one"),
        (("--reserve", "0.1"), "reserve"),
        (("--shutter", "quick"), "--shutter is a time"),
        (("--speed", "nan"), "ground speed"),
        (("--when", "2026-06-21"), "zone"),
        (("--at", "1"), "--at is latitude and longitude"),
    ],
)
def test_wrong_usage_is_one_sentence(arguments: tuple[str, ...], told: str) -> None:
    result = evenflight("plan", *arguments)
    assert result.exit_code == 2
    assert told in result.stderr and len(result.stderr.strip().splitlines()) == 1


def test_a_flown_flight_is_planned_again(flight: Path) -> None:
    result = evenflight("plan", "--from", flight, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert (told["fps"], told["photos"], told["interval_s"]) == (25.0, FRAMES, 2.0)
    assert told["speed_m_s"] == pytest.approx(1.0, abs=1e-6)
    assert "turned up to 5.0° from one photo to the next (frame 60)" in told["notes"][0]
    worst = max(turn["worst_deg"] for turn in told["course"]["turns"])
    assert worst <= told["turn_limit_deg"], told["course"]["turns"]
    assert "a filter that was on" in told["exposure"]["ev_from"]
    assert told["course"]["photos"][0]["heading_deg"] == pytest.approx(30.0, abs=0.1)


def test_options_overrule_the_flown_flight(flight: Path) -> None:
    told = json.loads(
        evenflight(
            "plan", "--from", flight, "--clip", 8, "--interval", 3, "--metered", "1/100,4,100", "--json"
        ).stdout
    )
    assert (told["photos"], told["interval_s"], told["exposure"]["ev_from"]) == (200, 3.0, "metered")
    assert json.loads(evenflight("plan", "--from", flight, "--speed", 2, "--json").stdout)["photos"] == 60


def test_the_place_is_read_again_from_the_photos_or_asked_for(flight: Path, tmp_path: Path) -> None:
    when = "2026-05-01T12:00Z"
    asked = evenflight("plan", "--from", flight, "--when", when)
    assert asked.exit_code == 2 and "--at" in asked.stderr
    card = tmp_path / "card"
    write_jpeg(card / "HERN0001.JPG", 2.0)
    position = {
        "Latitude": "54/1 30/1 0/1",
        "LatitudeRef": "N",
        "Longitude": "3/1 12/1 0/1",
        "LongitudeRef": "E",
    }
    tag(card / "HERN0001.JPG", {f"Exif.GPSInfo.GPS{key}": value for key, value in position.items()})
    (card / "HERN0000.JPG").write_bytes(b"torn")
    assert flown_place(flight, card) == pytest.approx((54.5, 3.2))
    relative = Path(os.path.relpath(card, flight)).as_posix()
    corrections = Corrections(
        id="x",
        kind="raw",
        card=relative,
        width=40,
        height=30,
        focal_px=30.0,
        shape=(16, 9),
        crop_ratio=0.9,
        frames=[],
    )
    write_text(flight / "corrections.json", corrections.model_dump_json(by_alias=True))
    told = json.loads(evenflight("plan", "--from", flight, "--when", when, "--json").stdout)
    assert told["sun"]["start_height_deg"] == pytest.approx(50.0, abs=2.0)
    (card / "HERN0001.JPG").unlink()
    with pytest.raises(UsageError, match="give --at"):
        flown_place(flight, None)


def test_the_course_is_written_and_planned_with_again(tmp_path: Path) -> None:
    course, again = tmp_path / "course.csv", tmp_path / "again.geojson"
    course.write_text("54.5,3.2,60\n54.503,3.2,60\n54.503,3.206,80\n", "utf-8")
    first = json.loads(
        evenflight("plan", "--waypoints", course, "--clip", 30, "--json", "--course", again).stdout
    )
    second = json.loads(evenflight("plan", "--waypoints", again, "--clip", 30, "--json").stdout)
    assert second["course"]["length_m"] == pytest.approx(first["course"]["length_m"], rel=0.01)
    headings = [[photo["heading_deg"] for photo in plan["course"]["photos"]] for plan in (first, second)]
    assert headings[0] == pytest.approx(headings[1], abs=0.5)
    feature = json.loads(again.read_text("utf-8"))["features"][0]
    assert feature["geometry"]["coordinates"][0] == [3.2, 54.5, 60.0]
    assert feature["geometry"]["coordinates"][-1] == pytest.approx([3.206, 54.503, 80.0], abs=1e-6)
    assert "clearance" in feature["properties"]["caution"]


def test_a_flown_course_is_written_only_with_its_height_and_place(flight: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.geojson"
    refused = evenflight("plan", "--from", flight, "--course", again, "--at", "54.5,3.2")
    assert refused.exit_code == 2 and "--height" in refused.stderr
    assert evenflight("plan", "--from", flight, "--course", again, "--height", 40).exit_code == 2
    told = evenflight("plan", "--from", flight, "--course", again, "--height", 40, "--at", "54.5,3.2")
    assert told.exit_code == 0, told.output
    coordinates = json.loads(again.read_text("utf-8"))["features"][0]["geometry"]["coordinates"]
    assert coordinates[0] == [3.2, 54.5, 40.0] and coordinates[-1][1] == pytest.approx(54.50214, abs=1e-4)
    assert evenflight("plan", "--course", again).exit_code == 2


def test_a_flight_without_positions_asks_for_a_course(flight: Path) -> None:
    put(flight, "load", StageResult(frames=[{"frame": n, "file": "x", "position_m": None} for n in range(9)]))
    with pytest.raises(UsageError, match="give the next course with --waypoints"):
        read_flown(flight)


def test_files_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "course.csv"
    path.write_bytes(b"\xff\xfe5\x004\x00")
    with pytest.raises(UsageError, match="UTF-8"):
        read_waypoints(path)
    with pytest.raises(UsageError, match="cannot be read"):
        read_waypoints(tmp_path)
    with path.open("wb") as file:
        file.truncate(30_000_000)
    with pytest.raises(UsageError, match="too large"):
        read_waypoints(path)
