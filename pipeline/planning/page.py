"""The plan as a page: numbers, course seen from above, heights, turns and exposure."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.planning.exposure import (
    ND_FACTORS,
    filter_name,
    filter_stops,
    shutter_angle_deg,
    shutter_for,
    shutter_text,
)
from pipeline.planning.figures import Path, Plan
from pipeline.planning.remarks import CAUTIONS
from pipeline.planning.told import facts, lines
from pipeline.report.pages import render_page


def plan_page(plan: Plan) -> str:
    """Return the page of a plan as HTML: one file that works offline, places in metres only."""
    times = plan.timing
    summary = f"{times.photos} photos, one every {times.interval_s:.3g} s, for {times.clip_s:.1f} s of video"
    if times.speed_m_s is not None:
        summary += f"; {times.distance_m:.0f} m at {times.speed_m_s:.1f} m/s"
    return render_page(
        "plan.html.j2",
        summary=summary,
        cautions=CAUTIONS,
        warnings=plan.warnings,
        notes=plan.notes,
        lines=lines(plan),
        ladder=_ladder(plan),
        drawings=_drawings(plan),
        turns=_turns(plan),
    )


def _ladder(plan: Plan) -> list[dict[str, Any]]:
    """Return the shutter under each filter on sale, while it is not absurdly long."""
    exposure = plan.exposure
    if exposure.ev100 is None:
        return []
    bare = shutter_for(exposure.ev100, exposure.aperture, exposure.iso)
    return [
        {
            "name": filter_name(factor),
            "stops": filter_stops(factor),
            "shutter": shutter_text(bare * factor),
            "angle_deg": shutter_angle_deg(bare * factor, plan.timing.interval_s),
            "fits": bare * factor <= exposure.longest_s * 1.03,
            "chosen": exposure.chosen is not None and exposure.chosen.factor == factor,
        }
        for factor in (1, *ND_FACTORS)
        if bare * factor <= 4.0 * plan.timing.interval_s
    ]


def _turns(plan: Plan) -> list[dict[str, Any]]:
    """Return the turns, each also with the way flown at its start and end."""
    course = facts(plan)["course"]
    step = plan.timing.step_m
    if course is None or step is None:
        return []
    return [
        {**turn, "first_m": turn["first_photo"] * step, "last_m": turn["last_photo"] * step}
        for turn in course["turns"]
    ]


def _drawings(plan: Plan) -> list[dict[str, Any]]:
    path = plan.path
    if path is None:
        return []
    photos = list(range(plan.timing.photos))
    return [
        _from_above(plan, path),
        _drawing(
            "height",
            "Height profile",
            "Height above take-off along the way flown. The dashed line joins the waypoints straight; the "
            "ground below is not known here.",
            ("way flown (m)", "height (m)", "m"),
            [
                _series("waypoints", "kept", path.course.at_m, _up(path, path.course.waypoints_m)),
                _series(
                    "smooth path",
                    "after",
                    path.course.along_m[::8],
                    _up(path, path.course.points_m[::8]),
                ),
            ],
        ),
        _drawing(
            "turn",
            "Turn rate",
            "Turn of the camera from photo to photo. Beyond the dotted lines a pan looks jerky; a corner in "
            "the line is a jerk of its own.",
            ("photo", "degrees a photo", "°"),
            [
                _series("heading", "after", photos[1:], np.diff(path.heading_deg)),
                _series("tilt", "before", photos[1:], np.diff(path.pitch_deg)),
            ],
            limits=[-plan.limits.turn_deg, plan.limits.turn_deg],
        ),
        _drawing(
            "heading",
            "Heading",
            "Where the camera looks, clockwise from north, eased through every turn.",
            ("photo", "degrees", "°"),
            [_series("heading", "after", photos, path.heading_deg)],
        ),
    ]


def _from_above(plan: Plan, path: Path) -> dict[str, Any]:
    course = path.course
    jerky = sorted(
        {
            photo
            for turn in (*path.turns, *path.tilts)
            if turn.jerky
            for photo in range(round(turn.first), round(turn.last) + 1)
        }
    )
    places = path.places_m[[photo for photo in jerky if photo < len(path.places_m)]]
    series = [
        _series("straight legs", "kept", course.waypoints_m[:, 0], course.waypoints_m[:, 1]),
        _series("smooth path", "after", course.points_m[::4, 0], course.points_m[::4, 1]),
    ]
    if len(places):
        series.append(_series("jerky turns", "bad", places[:, 0], places[:, 1]) | {"marks": True})
    return _drawing(
        "course",
        "Course from above",
        f"Metres east and north of the first waypoint. The smooth path leaves the straight legs by up to "
        f"{course.sideways_m.max():.1f} m: check for obstacles there.",
        ("metres east", "metres north", "m"),
        series,
        equal=True,
    )


def _up(path: Path, places: Any) -> Any:
    return path.start_height_m + places[:, 2]


def _series(name: str, role: str, across: Any, up: Any) -> dict[str, Any]:
    x, y = (np.round(np.asarray(values, dtype=np.float64), 4).tolist() for values in (across, up))
    return {"name": name, "role": role, "x": x, "y": y, "text": [f"at {value:g}" for value in x]}


def _drawing(
    key: str,
    title: str,
    caption: str,
    axes: tuple[str, str, str],
    series: list[dict[str, Any]],
    *,
    limits: list[float] | None = None,
    equal: bool = False,
) -> dict[str, Any]:
    return {
        "key": key,
        "title": title,
        "caption": caption,
        "across": axes[0],
        "up": axes[1],
        "unit": axes[2],
        "series": series,
        "limits": limits or [],
        "equal": equal,
    }
