"""What a plan is made from: a file of waypoints, or the reports and photos of a finished flight."""

from __future__ import annotations

import math
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from pipeline.errors import EvenflightError, UsageError
from pipeline.photo.metadata import read_facts
from pipeline.planning.advice import plan_flight
from pipeline.planning.figures import Plan
from pipeline.planning.flown import Flown
from pipeline.planning.waypoints import Waypoint, parse_waypoints
from pipeline.planning.wishes import metered_of, place_of, seconds_of, wished
from pipeline.report.metrics import load_limits
from pipeline.report.schema import Report, read_report
from pipeline.report.shown import shown_video
from pipeline.run.outputs import Folder, card_of

_LARGEST_FILE = 20_000_000
_LEAST_PLACES = 3


def read_waypoints(path: Path) -> tuple[Waypoint, ...]:
    """Read a course from a GeoJSON or CSV file; raise UsageError that names what is wrong with it."""
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise UsageError(f"{path.name} is too large for a file of waypoints")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path.name} is not text in UTF-8: save it as GeoJSON or CSV") from error
    return parse_waypoints(text, path.name)


def read_flown(folder: Path) -> tuple[Flown, dict[str, Any]]:
    """Return a finished flight's track and angles, and the wishes that flying it again would have.

    Raises UsageError where the folder holds no finished flight, or its photos told no positions.
    """
    place = Folder(folder)
    load, steady = (_report(place, stage) for stage in ("load", "stabilise"))
    turned = {frame.frame: frame.model_extra or {} for frame in steady.frames}
    rows: list[tuple[float, ...]] = []
    first: dict[str, Any] = {}
    for frame in load.frames:
        told = frame.model_extra or {}
        angles = turned.get(frame.frame, {})
        position, yaw, pitch = told.get("position_m"), angles.get("yaw_deg"), angles.get("pitch_deg")
        if position is None or yaw is None or pitch is None:
            continue
        first = first or told
        rows.append((frame.frame, *position, yaw, pitch))
    if len(rows) < _LEAST_PLACES:
        raise UsageError(
            f"{folder.name} knows no positions of its photos: give the next course with --waypoints"
        )
    table = np.array(rows, dtype=np.float64)
    interval = load.found.get("interval_s") or 2.0
    flown = Flown(
        photo=table[:, 0],
        places_m=table[:, 1:4],
        heading_deg=table[:, 4] - table[0, 4] + (first.get("yaw_deg") or 0.0),
        pitch_deg=table[:, 5] - table[0, 5] + (first.get("pitch_deg") or 0.0),
        frames=len(load.frames),
        interval_s=float(interval),
    )
    return flown, _flown_wishes(load, _rate(place), first.get("pitch_deg"))


def flown_place(folder: Path, card: Path | None) -> tuple[float, float]:
    """Read again from its photos where a flight began: latitude and longitude in degrees.

    Raises UsageError where the photos are gone or tell no place.
    """
    place = Folder(folder)
    try:
        photos = card or card_of(place)
    except UsageError as error:
        raise UsageError(f"{error}, or give the place of the flight with --at") from error
    for frame in _report(place, "load").frames:
        if frame.file is None or not (photos / frame.file).is_file():
            continue
        try:
            facts = read_facts(photos / frame.file)
        except EvenflightError:
            continue
        if facts.latitude_deg is not None and facts.longitude_deg is not None:
            return facts.latitude_deg, facts.longitude_deg
    raise UsageError(f"the photos of {folder.name} do not tell where they were taken: give --at")


def _flown_wishes(load: Report, fps: float, pitch_deg: float | None) -> dict[str, Any]:
    wishes: dict[str, Any] = {"fps": fps, "clip_s": len(load.frames) / fps}
    wishes["interval_s"] = round(float(load.found.get("interval_s") or 2.0), 2)
    focal, width = load.applied.get("focal_px"), load.applied.get("width")
    if isinstance(focal, int | float) and isinstance(width, int | float) and focal > 0.0:
        wishes["fov_deg"] = math.degrees(2.0 * math.atan(0.5 * width / focal))
    if pitch_deg is not None:
        wishes["pitch_deg"] = pitch_deg
    settings = {
        key: [value for frame in load.frames if (value := (frame.model_extra or {}).get(key)) is not None]
        for key in ("shutter_s", "aperture", "iso")
    }
    if all(settings.values()):
        wishes["metered"] = {key: float(median(values)) for key, values in settings.items()}
        wishes["metered_from"] = "as flown: a filter that was on then comes on top of the one named here"
    return wishes


def _rate(folder: Folder) -> float:
    """Return the frame rate of the finished video, or 30."""
    told = folder.report("encode").is_file()
    return shown_video(folder.path, _report(folder, "encode") if told else None).fps


def _report(folder: Folder, stage: str) -> Report:
    if not folder.report(stage).is_file():
        raise UsageError(f"{folder.path} holds no {stage}.json: give the folder of a finished sequence")
    return read_report(folder.report(stage))


def plan_for(
    waypoints: Path | None, flown: Path | None, card: Path | None, course: Path | None, told: dict[str, Any]
) -> tuple[Plan, tuple[float, float]]:
    """Return the plan for the options of `plan`, those not given filled from a flown flight.

    Also the latitude and longitude of its first waypoint, where `course` asks for them.
    """
    if waypoints is not None and flown is not None:
        raise UsageError("--waypoints and --from both give a course: choose one")
    wishes: dict[str, Any] = {
        key: load_limits()[key].value for key in ("turn_fields_per_s", "turn_change_deg")
    }
    wishes |= {name: value for name, value in told.items() if value is not None}
    readers = {
        "shutter_s": lambda text: seconds_of(text, "--shutter"),
        "metered": metered_of,
        "place": place_of,
    }
    wishes.update({name: read(wishes[name]) for name, read in readers.items() if name in wishes})
    nowhere = (0.0, 0.0)
    if flown is None:
        points = read_waypoints(waypoints) if waypoints else None
        start = (points[0].latitude_deg, points[0].longitude_deg) if points else nowhere
        return plan_flight(wished(**wishes), points), start
    track, before = read_flown(flown)
    if "metered" in wishes:
        before.pop("metered_from", None)
    if "speed_m_s" in wishes:
        before.pop("clip_s")
    if course is not None and "height_m" not in wishes:
        raise UsageError("--course needs --height: photos do not tell how high above take-off they began")
    if (course is not None or "start" in wishes) and "place" not in wishes:
        wishes["place"] = flown_place(flown, card)
    return plan_flight(wished(**{**before, **wishes}), flown=track), wishes.get("place", nowhere)
