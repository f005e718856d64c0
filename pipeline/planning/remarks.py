"""What to mind in a plan: the cautions that go with every one, and the warnings of this one."""

from __future__ import annotations

import numpy as np

from pipeline.planning.figures import Path, Plan
from pipeline.planning.flown import Flown

CAUTIONS = (
    "These numbers are photographic, not a clearance to fly: local aviation law, no-fly zones and the "
    "maker's limits come first, and the pilot decides. Nothing here commands a drone.",
    "Keep the drone in sight, and mind the people below it.",
    "Land with the battery reserve. Wind is not included in the flight time; against it the way home can "
    "take twice as long.",
    "Check the whole course for obstacles (masts, wires, trees, rising ground), also as far beside, above "
    "and below the straight legs as the smooth path strays.",
)
OBSTACLES = "check for obstacles that far beside, above and below the straight leg"

# A change of light that a locked exposure shows plainly: common practice, no source.
_PLAIN_CHANGE_EV = 0.5


def warnings(plan: Plan) -> list[str]:
    """Return what would spoil the flight or its video, each with a remedy."""
    return [*_timing(plan), *_turning(plan), *_course(plan), *_light(plan)]


def mending(flown: Flown, path: Path) -> list[str]:
    """Return what the plan does otherwise than the flight it started from."""
    apart = np.diff(flown.photo)
    steps = np.linalg.norm(np.diff(flown.places_m, axis=0), axis=1) / apart
    turned = np.abs(np.diff(flown.heading_deg)) / apart
    worst = int(np.argmax(turned))
    planned = max((turn.worst_deg for turn in path.turns), default=0.0)
    speeds = np.percentile(steps, (5, 50, 95)) / flown.interval_s
    return [
        f"As flown the camera turned up to {turned[worst]:.1f}° from one photo to the next (frame "
        f"{int(flown.photo[worst + 1])}); here it turns at most {planned:.2f}°.",
        f"As flown the ground speed lay between {speeds[0]:.1f} and {speeds[2]:.1f} m/s for most photos, "
        f"{speeds[1]:.1f} in the middle; here it is even.",
    ]


def _timing(plan: Plan) -> list[str]:
    found = []
    flight, wishes, exposure = plan.flight, plan.wishes, plan.exposure
    if flight.usable_s is not None and flight.total_s > flight.usable_s:
        spare = flight.usable_s - wishes.climb_s - wishes.transit_s
        most = int(spare / plan.timing.interval_s) + 1 if spare > 0 else 0
        found.append(
            f"The flight takes {flight.total_s / 60:.1f} min, and {flight.usable_s / 60:.1f} min may be "
            f"flown with a reserve of {wishes.reserve:.0%}: take at most {most} photos, or land between and "
            "change the battery."
        )
    if wishes.shutter_s is not None and wishes.shutter_s > exposure.longest_s * 1.001:
        found.append(
            f"An interval of {plan.timing.interval_s:g} s allows a shutter of about "
            f"{exposure.longest_s:.2g} s, not {wishes.shutter_s:.2g} s: lengthen the interval, or give "
            "--busy if the camera is known to be faster."
        )
    near = plan.motion["near"].motion_px if plan.motion else None
    if near is not None and near * wishes.fps > wishes.width_px:
        found.append(
            f"Near ground moves {near:.0f} px a frame and crosses the picture in "
            f"{wishes.width_px / near / wishes.fps:.1f} s: fly higher or slower, tilt the camera up, or let "
            "a long shutter smear it."
        )
    return found


def _turning(plan: Plan) -> list[str]:
    if plan.path is None:
        return []
    return [
        f"Jerky: the {what} of {turn.turn_deg:+.0f}° at waypoint {turn.waypoint} takes {turn.room:.0f} "
        f"photos, up to {turn.worst_deg:.2f}° a photo (limit {plan.limits.turn_deg:.2f}°): spread it over "
        f"{turn.spread} photos, turn less, or fly slower; check obstacles and the rules along a moved course."
        for what, turns in (("turn", plan.path.turns), ("tilt", plan.path.tilts))
        for turn in turns
        if turn.jerky
    ]


def _course(plan: Plan) -> list[str]:
    if plan.path is None:
        return []
    lowest = plan.path.start_height_m + float(plan.path.places_m[:, 2].min())
    if lowest >= 0.0:
        return []
    return [
        f"The course comes down to {lowest:.0f} m against take-off: check the ground and obstacles there."
    ]


def _light(plan: Plan) -> list[str]:
    found = []
    chosen, light = plan.exposure.chosen, plan.light
    if chosen is not None and abs(chosen.off_ev) > 0.5:
        longer = chosen.off_ev > 0
        found.append(
            f"The nearest filter gives a shutter {abs(chosen.off_ev):.1f} stops "
            f"{'longer' if longer else 'shorter'} than wished: "
            f"{'open the aperture or raise the ISO' if longer else 'close the aperture or lower the ISO'}."
        )
    if light is not None and light.change_ev is None:
        found.append("Part of the flight lies beyond civil twilight: its light is not estimated.")
    elif light is not None and light.change_ev is not None and abs(light.change_ev) >= _PLAIN_CHANGE_EV:
        found.append(
            f"The light changes by about {light.change_ev:+.1f} stops during the flight: lock the exposure "
            "for the middle of it, and expect the ends brighter or darker; the video keeps a slow change."
        )
    return found
