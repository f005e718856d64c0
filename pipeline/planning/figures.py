"""The figures of a plan, as the table, the page and scripts take them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.planning.course import Course
from pipeline.planning.exposure import FilterChoice
from pipeline.planning.seen import Where
from pipeline.planning.sun import Light
from pipeline.planning.turns import Turn, TurnLimits
from pipeline.planning.wishes import Timing, Wishes

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    """Ground motion and blur in px per frame; None where no ground is seen there."""

    motion_px: float | None
    blur_px: float | None


@dataclass(frozen=True)
class ExposurePlan:
    """The shutter to fly with. `ev100` is of the light, None where it is unknown; `ev_from` tells whence."""

    longest_s: float
    wished_s: float
    ev100: float | None
    ev_from: str
    aperture: float
    iso: float
    chosen: FilterChoice | None

    @property
    def shutter_s(self) -> float:
        """The shutter that comes out, or the wished one where the light is unknown."""
        return self.chosen.shutter_s if self.chosen else self.wished_s


@dataclass(frozen=True)
class Flight:
    """Seconds of flight; `usable_s` is the battery's less the reserve, None where it is unknown."""

    shooting_s: float
    climb_s: float
    transit_s: float
    usable_s: float | None

    @property
    def total_s(self) -> float:
        """Take-off to landing, in still air."""
        return self.shooting_s + self.climb_s + self.transit_s


@dataclass(frozen=True)
class Path:
    """The course photo by photo: places (photos, 3), heading and pitch (photos,), and the turns.

    `start_height_m` is the height of the first waypoint, from which places count, above take-off.
    """

    course: Course
    start_height_m: float
    places_m: Floats
    heading_deg: Floats
    pitch_deg: Floats
    turns: list[Turn]
    tilts: list[Turn]


@dataclass(frozen=True)
class Plan:
    """Everything there is to say of the next flight."""

    wishes: Wishes
    timing: Timing
    exposure: ExposurePlan
    flight: Flight
    limits: TurnLimits
    motion: dict[Where, Motion] | None
    turn_motion_px: float
    path: Path | None
    light: Light | None
    card_mb: float
    warnings: list[str]
    notes: list[str]
