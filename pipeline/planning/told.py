"""The plan in words: rows for the table and the page, and plain facts for scripts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pipeline.planning.exposure import filter_name, shutter_angle_deg, shutter_text
from pipeline.planning.figures import Motion, Plan
from pipeline.planning.remarks import CAUTIONS, OBSTACLES
from pipeline.planning.seen import FAR_HEIGHTS


@dataclass(frozen=True)
class Line:
    """One line of the plan: what, how much, and what to know about it."""

    section: str
    what: str
    value: str
    note: str = ""


def lines(plan: Plan) -> list[Line]:
    """Return the plan's lines, section by section."""
    return [*_clip(plan), *_flight(plan), *_exposure(plan), *_ground(plan), *_course(plan), *_sun(plan)]


def _clip(plan: Plan) -> list[Line]:
    times, wishes = plan.timing, plan.wishes
    return [
        Line("Clip", "photos", str(times.photos), f"{times.clip_s:.1f} s of video at {wishes.fps:g} fps"),
        Line("Clip", "interval", f"{times.interval_s:.3g} s"),
        Line(
            "Clip",
            "card space",
            f"{plan.card_mb / 1000:.1f} GB",
            f"{wishes.photo_mb:g} MB a photo",
        ),
    ]


def _flight(plan: Plan) -> list[Line]:
    flight, wishes, times = plan.flight, plan.wishes, plan.timing
    found = [
        Line("Flight", "photographing", _minutes(flight.shooting_s)),
        Line(
            "Flight",
            "whole flight",
            _minutes(flight.total_s),
            f"with {flight.climb_s:.0f} s for take-off and "
            f"landing and {flight.transit_s:.0f} s of transit; in still air: wind is not included",
        ),
    ]
    if flight.usable_s is not None and wishes.battery_min is not None:
        left = 1.0 - flight.total_s / (wishes.battery_min * 60.0)
        found.append(
            Line(
                "Flight",
                "battery left",
                f"{max(left, 0.0):.0%}",
                f"of {wishes.battery_min:g} min; land with {wishes.reserve:.0%} or more (common practice)",
            )
        )
    if times.speed_m_s is not None and times.distance_m is not None:
        found += [
            Line(
                "Flight", "distance", f"{times.distance_m:.0f} m", f"{times.step_m:.2f} m from photo to photo"
            ),
            Line("Flight", "speed", f"{times.speed_m_s:.2f} m/s", f"{times.speed_m_s * 3.6:.1f} km/h"),
        ]
    return found


def _exposure(plan: Plan) -> list[Line]:
    exposure, interval = plan.exposure, plan.timing.interval_s
    practice = "common practice, no source" if plan.wishes.busy_s is None else "interval less --busy"
    found = [
        Line(
            "Exposure", "longest shutter", shutter_text(exposure.longest_s), f"{practice}, for this interval"
        ),
        Line(
            "Exposure",
            "light",
            "unknown" if exposure.ev100 is None else f"EV {exposure.ev100:.1f} at ISO 100",
            exposure.ev_from,
        ),
    ]
    settings = f"f/{exposure.aperture:g}, ISO {exposure.iso:g}"
    if exposure.chosen is None:
        found.append(Line("Exposure", "shutter wished", shutter_text(exposure.wished_s), settings))
    else:
        chosen = exposure.chosen
        found += [
            Line("Exposure", "filter", filter_name(chosen.factor), f"{chosen.stops:.1f} stops"),
            Line(
                "Exposure",
                "shutter",
                shutter_text(chosen.shutter_s),
                f"{settings}; {shutter_text(exposure.wished_s)} was wished",
            ),
        ]
    angle = shutter_angle_deg(exposure.shutter_s, interval)
    found.append(
        Line(
            "Exposure", "shutter angle", f"{angle:.0f}°", "180° moves as the eye is used to: common practice"
        )
    )
    return found


def _ground(plan: Plan) -> list[Line]:
    if plan.motion is None:
        return []
    notes = {
        "near": "at the bottom edge, the ground taken as level with take-off",
        "middle": "in the middle",
        "far": f"at the top edge, or {FAR_HEIGHTS:g} heights away where it looks higher",
    }
    found = [
        Line("Ground in the video", f"{where} motion", _motion(motion), notes[where])
        for where, motion in plan.motion.items()
    ]
    if plan.path is not None and plan.path.turns:
        found.append(
            Line(
                "Ground in the video",
                "fastest turn",
                f"{plan.turn_motion_px:.1f} px a frame",
                "on top of the motion",
            )
        )
    return found


def _course(plan: Plan) -> list[Line]:
    path = plan.path
    if path is None:
        return []
    course, turns = path.course, [*path.turns, *path.tilts]
    worst = max((turn.worst_deg for turn in turns), default=0.0)
    i, j = int(course.sideways_m.argmax()), int(course.height_off_m.argmax())
    return [
        Line("Course", "length", f"{course.length_m:.1f} m", f"straight legs {course.legs_m.sum():.1f} m"),
        Line(
            "Course",
            "fastest turn",
            f"{worst:.2f}° a photo",
            f"looks jerky beyond {plan.limits.turn_deg:.2f}°",
        ),
        Line("Course", "strays sideways", f"{course.sideways_m[i]:.1f} m", f"on leg {i + 1}: {OBSTACLES}"),
        Line("Course", "strays in height", f"{course.height_off_m[j]:.1f} m", f"on leg {j + 1}: {OBSTACLES}"),
    ]


def _sun(plan: Plan) -> list[Line]:
    light = plan.light
    if light is None:
        return []
    change = "unknown" if light.change_ev is None else f"{light.change_ev:+.2f} stops"
    found = [
        Line("Sun", "height", f"{light.start_height_deg:.1f}° to {light.end_height_deg:.1f}°"),
        Line(
            "Sun",
            "change of light",
            change,
            "from clear-sky daylight over the sun's height, an approximation",
        ),
    ]
    for name, when in (("sunrise", light.sunrise), ("sunset", light.sunset)):
        if when is not None:
            found.append(Line("Sun", name, f"{when:%H:%M}", "in the zone of --when"))
    return found


def _minutes(seconds: float) -> str:
    return f"{int(seconds // 60)} min {seconds % 60:02.0f} s"


def _motion(motion: Motion) -> str:
    if motion.motion_px is None or motion.blur_px is None:
        return "no ground seen"
    return f"{motion.motion_px:.1f} px a frame, blur {motion.blur_px:.1f} px"


def facts(plan: Plan) -> dict[str, Any]:
    """Return the plan's figures in the types of JSON, positions in metres from the first waypoint."""
    times, exposure, flight = plan.timing, plan.exposure, plan.flight
    chosen = exposure.chosen
    return {
        "photos": times.photos,
        "clip_s": times.clip_s,
        "fps": plan.wishes.fps,
        "interval_s": times.interval_s,
        "speed_m_s": times.speed_m_s,
        "distance_m": times.distance_m,
        "card_mb": plan.card_mb,
        "flight": {
            "shooting_s": flight.shooting_s,
            "total_s": flight.total_s,
            "usable_s": flight.usable_s,
            "reserve": plan.wishes.reserve,
            "wind_included": False,
        },
        "exposure": {
            "longest_shutter_s": exposure.longest_s,
            "wished_shutter_s": exposure.wished_s,
            "shutter_s": exposure.shutter_s,
            "shutter_angle_deg": shutter_angle_deg(exposure.shutter_s, times.interval_s),
            "ev100": exposure.ev100,
            "ev_from": exposure.ev_from,
            "aperture": exposure.aperture,
            "iso": exposure.iso,
            "filter_factor": chosen.factor if chosen else None,
            "filter_stops": chosen.stops if chosen else None,
            "off_ev": chosen.off_ev if chosen else None,
        },
        "ground": plan.motion
        and {
            where: {"motion_px": motion.motion_px, "blur_px": motion.blur_px}
            for where, motion in plan.motion.items()
        },
        "turn_limit_deg": plan.limits.turn_deg,
        "course": _course_facts(plan),
        "sun": _sun_facts(plan),
        "warnings": plan.warnings,
        "notes": plan.notes,
        "cautions": list(CAUTIONS),
    }


def _course_facts(plan: Plan) -> dict[str, Any] | None:
    path = plan.path
    if path is None:
        return None
    course = path.course
    return {
        "length_m": course.length_m,
        "legs_m": course.legs_m.tolist(),
        "sideways_m": course.sideways_m.tolist(),
        "height_off_m": course.height_off_m.tolist(),
        "waypoints_m": course.waypoints_m.tolist(),
        "start_height_m": path.start_height_m,
        "turns": [
            {
                "kind": kind,
                "waypoint": turn.waypoint,
                "first_photo": turn.first,
                "last_photo": turn.last,
                "turn_deg": turn.turn_deg,
                "worst_deg": turn.worst_deg,
                "worst_change_deg": turn.worst_change_deg,
                "spread_photos": turn.spread,
                "jerky": turn.jerky,
            }
            for kind, turns in (("heading", path.turns), ("tilt", path.tilts))
            for turn in turns
        ],
        "photos": [
            {"photo": i, "place_m": place, "heading_deg": heading % 360.0, "pitch_deg": pitch}
            for i, (place, heading, pitch) in enumerate(
                zip(path.places_m.tolist(), path.heading_deg.tolist(), path.pitch_deg.tolist(), strict=True)
            )
        ],
    }


def _sun_facts(plan: Plan) -> dict[str, Any] | None:
    light = plan.light
    if light is None:
        return None
    return {
        "start_height_deg": light.start_height_deg,
        "end_height_deg": light.end_height_deg,
        "start_ev100": light.start_ev100,
        "end_ev100": light.end_ev100,
        "change_ev": light.change_ev,
        "sunrise": light.sunrise.isoformat() if light.sunrise else None,
        "sunset": light.sunset.isoformat() if light.sunset else None,
    }
