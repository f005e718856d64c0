"""The smooth path: through the waypoints, near the legs, and never below them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.planning.course import bearings_deg, smooth_course
from pipeline.planning.turns import (
    eased,
    spread_knots,
    spread_photos,
    turn_limits,
    turns_of,
    unwrapped_deg,
)

LIMITS = turn_limits(73.0, 30.0, 1 / 7, 0.1)
CORNER = np.array([[0.0, 0.0, 0.0], [0.0, 100.0, 0.0], [80.0, 100.0, 20.0], [160.0, 60.0, 20.0]])


def test_the_path_goes_through_the_waypoints() -> None:
    course = smooth_course(CORNER, 5.0)
    assert course.places(course.at_m) == pytest.approx(CORNER, abs=1e-9)
    assert course.legs_m == pytest.approx([100.0, math.hypot(80.0, 20.0), math.hypot(80.0, 40.0)])
    assert course.length_m >= course.legs_m.sum()


@pytest.mark.parametrize("limit_m", [0.0, 0.5, 5.0, 30.0])
def test_the_path_stays_as_near_as_it_is_told(limit_m: float) -> None:
    course = smooth_course(CORNER, limit_m)
    assert course.sideways_m.max() <= limit_m + 1e-9
    assert course.height_off_m.max() <= limit_m + 1e-9
    if limit_m == 0.0:
        assert course.length_m == pytest.approx(course.legs_m.sum())
    if limit_m == 0.5:
        assert course.sideways_m.max() == pytest.approx(0.5, abs=1e-3), "what is allowed is used"


def test_deviations_are_those_of_the_points_drawn() -> None:
    course = smooth_course(CORNER, 5.0)
    first = course.points_m[course.along_m <= course.at_m[1]]
    assert course.sideways_m[0] == pytest.approx(abs(first[:, 0]).max(), abs=1e-9)


def test_the_path_is_smooth_at_the_waypoints() -> None:
    course = smooth_course(CORNER, 30.0)
    steps = np.diff(course.points_m, axis=0)
    directions = steps / np.linalg.norm(steps, axis=1)[:, None]
    bend = np.degrees(np.arccos(np.clip((directions[1:] * directions[:-1]).sum(axis=1), -1.0, 1.0)))
    assert bend.max() < 4.0, "a corner of 90 degrees is spread over the samples of its legs"


def test_the_path_never_sinks_below_its_legs_nor_rises_above() -> None:
    heights = np.array([50.0, 50.0, 90.0, 40.0, 40.0])
    places = np.stack([np.arange(5) * 60.0, np.zeros(5), heights], axis=1)
    course = smooth_course(places, 1000.0)
    assert course.points_m[:, 2].min() >= 40.0 - 1e-9 and course.points_m[:, 2].max() <= 90.0 + 1e-9
    assert course.sideways_m.max() == pytest.approx(0.0, abs=1e-12)


def test_a_climb_at_one_place_has_a_length_and_no_bearing_of_its_own() -> None:
    places = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 30.0], [40.0, 0.0, 30.0], [40.0, 0.0, 60.0]])
    assert smooth_course(places, 0.0).length_m == pytest.approx(100.0)
    assert bearings_deg(places) == pytest.approx([90.0, 90.0, 90.0])
    assert bearings_deg(places[:2]) == pytest.approx([0.0])


def test_the_limit_of_a_turn() -> None:
    # design: 0.35° a photo at 73° and 30 fps (common practice, no source)
    assert LIMITS.turn_deg == pytest.approx(0.348, abs=0.001)


@pytest.mark.parametrize("turn", [2.0, 4.0, -30.0, 170.0])
def test_the_spread_makes_a_turn_smooth_and_a_fifth_less_does_not(turn: float) -> None:
    spread = spread_photos(turn, LIMITS)

    def judged(photos: int) -> bool:
        knots, values = np.array([0.0, 10.0, 10.0 + photos, 40.0 + photos]), np.array([0.0, 0.0, turn, turn])
        angle = eased(knots, values, photos + 41)
        (found,) = turns_of(knots, values, [1, 2, 3], angle, LIMITS)
        assert found.spread == spread and found.waypoint == 2
        return found.jerky

    assert not judged(spread)
    assert judged(math.floor(spread * 0.8))


def test_headings_turn_the_short_way_round() -> None:
    assert unwrapped_deg([350.0, 10.0, 350.0]) == pytest.approx([350.0, 370.0, 350.0])


def test_turns_at_waypoints_share_the_legs() -> None:
    knots, values = spread_knots(np.array([0.0, 30.0, 50.0, 200.0]), np.array([0.0, 45.0, 90.0]), LIMITS)
    assert knots[1:3].mean() == pytest.approx(30.0) and knots[3:5].mean() == pytest.approx(50.0)
    assert (np.diff(knots) >= 0.0).all(), "the turns do not run into each other"
    assert values.tolist() == [0.0, 0.0, 45.0, 45.0, 90.0, 90.0]
    alone, _ = spread_knots(np.array([0.0, 300.0, 600.0]), np.array([0.0, 45.0]), LIMITS)
    assert alone[2] - alone[1] == pytest.approx(spread_photos(45.0, LIMITS))
