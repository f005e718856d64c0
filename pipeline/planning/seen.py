"""How the ground moves through the picture as the drone flies on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

# Where the top of the picture looks above the horizon, the far ground is taken this many heights away.
FAR_HEIGHTS = 10.0

Where = Literal["near", "middle", "far"]


@dataclass(frozen=True)
class View:
    """A camera over level ground: video size in px, horizontal field of view, tilt and height.

    `pitch_deg` is up from the horizon, `off_course_deg` the angle from the course to the heading.
    """

    width_px: int
    height_px: int
    fov_deg: float
    pitch_deg: float
    height_m: float
    off_course_deg: float = 0.0

    @property
    def focal_px(self) -> float:
        """The focal length in px of the video."""
        return 0.5 * self.width_px / math.tan(math.radians(self.fov_deg) / 2.0)


def angle_below_horizon_deg(view: View, where: Where) -> float | None:
    """Return how far below the horizon the bottom edge, the middle or the top edge looks.

    A far edge above the line to ground `FAR_HEIGHTS` away is taken as that line. None where the bottom
    edge or the middle sees no ground.
    """
    half = math.degrees(math.atan(0.5 * view.height_px / view.focal_px))
    below = -view.pitch_deg + {"near": half, "middle": 0.0, "far": -half}[where]
    least = math.degrees(math.atan(1.0 / FAR_HEIGHTS))
    if where == "far":
        below = max(below, least)
        return below if below <= -view.pitch_deg + half else None
    return below if below >= least else None


def ground_motion_px(view: View, step_m: float, where: Where) -> float | None:
    """Return by how many px of the video the ground moves in one photo that the drone flies `step_m` in.

    On the middle column of the picture; near at the bottom edge, far at the top edge. Exact for a pinhole
    camera over level ground. None where no ground is seen there.
    """
    below = angle_below_horizon_deg(view, where)
    if below is None:
        return None
    ahead = view.height_m / math.tan(math.radians(below)) if below < 90.0 else 0.0
    if below > 90.0:  # looking past straight down
        ahead = -view.height_m / math.tan(math.radians(180.0 - below))
    course = math.radians(view.off_course_deg)
    ends = []
    for share in (-0.5, 0.5):
        right = share * step_m * math.sin(course)
        forward = ahead - share * step_m * math.cos(course)
        ends.append(_project(view, right, forward))
    if ends[0] is None or ends[1] is None:
        return None
    return math.dist(ends[0], ends[1])


def _project(view: View, right_m: float, forward_m: float) -> tuple[float, float] | None:
    """Return where level ground at that place is seen, px from the middle; None behind the camera."""
    pitch = math.radians(view.pitch_deg)
    depth = forward_m * math.cos(pitch) - view.height_m * math.sin(pitch)
    down = forward_m * math.sin(pitch) + view.height_m * math.cos(pitch)
    if depth <= 1e-6:
        return None
    return view.focal_px * right_m / depth, view.focal_px * down / depth
