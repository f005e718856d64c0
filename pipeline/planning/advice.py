"""The plan of a flight, worked out from what the pilot wishes and where the course leads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.planning.course import Course, bearings_deg, course_over, smooth_course
from pipeline.planning.exposure import (
    Exposure,
    choose_filter,
    longest_shutter_s,
)
from pipeline.planning.figures import ExposurePlan, Flight, Motion, Path, Plan
from pipeline.planning.flown import Flown, course_of, mended
from pipeline.planning.remarks import mending, warnings
from pipeline.planning.seen import View, Where, ground_motion_px
from pipeline.planning.sun import Light, light_during
from pipeline.planning.turns import TurnLimits, eased, spread_knots, turn_limits, turns_of, unwrapped_deg
from pipeline.planning.waypoints import Waypoint
from pipeline.planning.wishes import Timing, Wishes, timing

Floats = NDArray[np.float64]

_WHERE: tuple[Where, ...] = ("near", "middle", "far")
_DEFAULT_APERTURE, _DEFAULT_ISO = 2.8, 100.0


def plan_flight(
    wishes: Wishes, waypoints: tuple[Waypoint, ...] | None = None, flown: Flown | None = None
) -> Plan:
    """Work out the plan of a flight along `waypoints`, or along the mended course of a `flown` one.

    Without either, the numbers that need no course. Raises UsageError where the wishes cannot be met.
    """
    limits = turn_limits(wishes.fov_deg, wishes.fps, wishes.turn_fields_per_s, wishes.turn_change_deg)
    course = None
    if waypoints is not None:
        course = course_over(waypoints, wishes.max_deviation_m)
    elif flown is not None:
        course = smooth_course(course_of(flown), wishes.max_deviation_m)
    times = timing(wishes, course.length_m if course else None)
    path = None
    if course is not None and waypoints is not None:
        path = _path_along(course, waypoints, times.photos, wishes, limits)
    elif course is not None and flown is not None:
        path = _path_mended(course, flown, times.photos, wishes, limits)
    light = _light(wishes, waypoints, times)
    exposure = _exposure(wishes, times, light)
    usable = None if wishes.battery_min is None else wishes.battery_min * 60.0 * (1.0 - wishes.reserve)
    worst_turn = max((turn.worst_deg for turn in path.turns), default=0.0) if path else 0.0
    focal_px = _view(wishes, wishes.height_m, wishes.pitch_deg, 0.0).focal_px
    plan = Plan(
        wishes=wishes,
        timing=times,
        exposure=exposure,
        flight=Flight(times.shooting_s, wishes.climb_s, wishes.transit_s, usable),
        limits=limits,
        motion=_motion(wishes, times, path, exposure.shutter_s),
        turn_motion_px=focal_px * float(np.tan(np.radians(worst_turn))),
        path=path,
        light=light,
        card_mb=times.photos * wishes.photo_mb,
        warnings=[],
        notes=[] if flown is None or path is None else mending(flown, path),
    )
    plan.warnings.extend(warnings(plan))
    return plan


def _path_along(
    course: Course, waypoints: tuple[Waypoint, ...], photos: int, wishes: Wishes, limits: TurnLimits
) -> Path:
    """Lead the camera along the headings that the waypoints tell; without any, along the legs."""
    at_photo = course.at_m / course.length_m * (photos - 1)
    headings = [w.heading_deg for w in waypoints]
    if all(heading is None for heading in headings):
        knots, values = spread_knots(at_photo, bearings_deg(course.waypoints_m), limits)
        numbers = [1 + (i + 1) // 2 for i in range(len(knots) - 1)]
    else:
        told = [i for i, heading in enumerate(headings) if heading is not None]
        knots = at_photo[told]
        values = unwrapped_deg([h for h in headings if h is not None])
        numbers = [i + 1 for i in told[:-1]]
    heading = eased(knots, values, photos)
    tilted = [i for i, w in enumerate(waypoints) if w.pitch_deg is not None]
    pitches = np.array([w.pitch_deg for w in waypoints if w.pitch_deg is not None])
    if not tilted:
        tilted, pitches = [0], np.array([wishes.pitch_deg])
    pitch = eased(at_photo[tilted], pitches, photos)
    return Path(
        course=course,
        start_height_m=wishes.height_m if waypoints[0].height_m is None else waypoints[0].height_m,
        places_m=course.places(np.linspace(0.0, course.length_m, photos)),
        heading_deg=heading,
        pitch_deg=pitch,
        turns=turns_of(knots, values, numbers, heading, limits),
        tilts=turns_of(at_photo[tilted], pitches, [i + 1 for i in tilted], pitch, limits),
    )


def _path_mended(course: Course, flown: Flown, photos: int, wishes: Wishes, limits: TurnLimits) -> Path:
    """Lead the camera as the flown one turned, each turn spread as the eye needs it."""
    scale = (photos - 1) / max(flown.frames - 1, 1)
    angles, turns = [], []
    at_waypoint = course.at_m / course.length_m * (photos - 1)
    for flown_deg in (flown.heading_deg, flown.pitch_deg):
        knots, values = mended(flown.photo * scale, flown_deg, photos, limits)
        angle = eased(knots, values, photos)
        middles = 0.5 * (knots[1:] + knots[:-1])
        numbers = [1 + int(np.argmin(np.abs(at_waypoint - middle))) for middle in middles]
        angles.append(angle)
        turns.append(turns_of(knots, values, numbers, angle, limits))
    return Path(
        course=course,
        start_height_m=wishes.height_m,
        places_m=course.places(np.linspace(0.0, course.length_m, photos)),
        heading_deg=angles[0],
        pitch_deg=angles[1],
        turns=turns[0],
        tilts=turns[1],
    )


def _light(wishes: Wishes, waypoints: tuple[Waypoint, ...] | None, times: Timing) -> Light | None:
    place = wishes.place
    if place is None and waypoints is not None:
        place = (waypoints[0].latitude_deg, waypoints[0].longitude_deg)
    if wishes.start is None or place is None:
        return None
    return light_during(*place, wishes.start, times.shooting_s, wishes.sky)


def _exposure(wishes: Wishes, times: Timing, light: Light | None) -> ExposurePlan:
    longest = longest_shutter_s(times.interval_s, wishes.busy_s)
    wish = wishes.shutter_s if wishes.shutter_s is not None else 0.5 * times.interval_s
    wish = min(wish, longest)
    ev100, ev_from = None, "unknown: give --metered, or --when and a place"
    aperture, iso = wishes.aperture, wishes.iso
    if wishes.metered is not None:
        metered = wishes.metered
        ev100 = Exposure(metered.shutter_s, metered.aperture, metered.iso).ev100
        ev_from = wishes.metered_from
        aperture, iso = aperture or metered.aperture, iso or metered.iso
    elif light is not None:
        ev100 = light.start_ev100
        ev_from = (
            f"the sun {light.start_height_deg:.0f}° high, sky {wishes.sky}: good to about a stop, so meter it"
        )
        if ev100 is None:
            ev_from = "unknown: the sun is more than 6° below the horizon, so meter it"
    aperture, iso = aperture or _DEFAULT_APERTURE, iso or _DEFAULT_ISO
    chosen = None if ev100 is None else choose_filter(ev100, aperture, iso, wish, longest)
    return ExposurePlan(longest, wish, ev100, ev_from, aperture, iso, chosen)


def _view(wishes: Wishes, height_m: float, pitch_deg: float, off_course_deg: float) -> View:
    return View(
        wishes.width_px,
        round(wishes.width_px / wishes.aspect),
        wishes.fov_deg,
        pitch_deg,
        height_m,
        off_course_deg,
    )


def _motion(wishes: Wishes, times: Timing, path: Path | None, shutter_s: float) -> dict[Where, Motion] | None:
    """Return the largest ground motion along the course, near, in the middle and far."""
    step = times.step_m
    if step is None:
        return None
    views = [_view(wishes, wishes.height_m, wishes.pitch_deg, 0.0)]
    if path is not None:
        ways = bearings_deg(path.places_m)
        chosen = np.unique(np.linspace(0, len(ways) - 1, min(len(ways), 200)).astype(int))
        views = [
            _view(
                wishes,
                max(1.0, path.start_height_m + float(path.places_m[i, 2])),
                float(path.pitch_deg[i]),
                float(path.heading_deg[i] - ways[i]),
            )
            for i in chosen
        ]
    found: dict[Where, Motion] = {}
    for where in _WHERE:
        motions = [m for m in (ground_motion_px(view, step, where) for view in views) if m is not None]
        worst = max(motions, default=None)
        found[where] = Motion(worst, None if worst is None else worst * shutter_s / times.interval_s)
    return found
