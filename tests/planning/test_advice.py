"""Plans: what follows from what, the warnings, and the cautions."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.planning.advice import plan_flight
from pipeline.planning.flown import Flown, course_of, mended
from pipeline.planning.page import plan_page
from pipeline.planning.seen import View, ground_motion_px
from pipeline.planning.told import facts, lines
from pipeline.planning.turns import TurnLimits, eased
from pipeline.planning.waypoints import Waypoint, parse_waypoints
from pipeline.planning.wishes import metered_of, place_of, seconds_of, timing, wished

# Over the invented island Saltmere: 200 m north, then 200 m east.
COURSE = (
    Waypoint(54.5, 3.2, 60.0),
    Waypoint(54.501797, 3.2, 60.0),
    Waypoint(54.501797, 3.203086, 60.0),
)


def test_without_a_course_the_clip_makes_the_count() -> None:
    times = timing(wished(clip_s=12.0, fps=25.0, speed_m_s=2.0), None)
    assert (times.photos, times.interval_s) == (300, 2.0)
    assert times.distance_m == pytest.approx(2.0 * 2.0 * 299)
    assert times.shooting_s == 598.0


def test_a_course_with_a_clip_makes_the_speed_and_with_a_speed_the_clip() -> None:
    assert timing(wished(clip_s=10.0), 598.0).speed_m_s == pytest.approx(1.0)
    times = timing(wished(speed_m_s=2.0), 400.0)
    assert times.photos == 101 and times.speed_m_s == pytest.approx(2.0)
    assert timing(wished(speed_m_s=2.0, clip_s=101 / 30), 400.0).interval_s == pytest.approx(2.0)
    with pytest.raises(UsageError, match="leave one of them out"):
        timing(wished(speed_m_s=2.0, clip_s=10.0, interval_s=2.0), 400.0)


def test_a_wished_shutter_makes_the_interval() -> None:
    assert timing(wished(shutter_s=1.0), None).interval_s == 3.0


@pytest.mark.parametrize(
    ("told", "word"), [({"clip_s": 3600.0, "fps": 60.0}, "216000 photos"), ({"clip_s": 0.01}, "photos")]
)
def test_absurd_counts_are_refused(told: dict[str, Any], word: str) -> None:
    with pytest.raises(UsageError, match=word):
        timing(wished(**told), None)


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ({"reserve": 0.19}, "reserve"),
        ({"clip_s": float("nan")}, "clip_s"),
        ({"speed_m_s": -1.0}, "ground speed"),
        ({"sky": "purple"}, "sky"),
        ({"start": "2026-06-21T20:30"}, "zone"),
        ({"start": "tomorrow"}, "start"),
        ({"place": (91.0, 3.0)}, "place"),
        ({"metered": {"shutter_s": 0.0, "aperture": 2.8, "iso": 100}}, "metered.shutter_s"),
    ],
)
def test_wrong_wishes_are_named(told: dict[str, Any], word: str) -> None:
    with pytest.raises(UsageError, match=word):
        wished(**told)


def test_texts_of_shutter_metering_and_place() -> None:
    assert seconds_of("1/60", "--shutter") == pytest.approx(1 / 60)
    assert seconds_of(" 0.5 s", "--shutter") == 0.5
    assert metered_of("1/500, f/2.8, 100") == {"shutter_s": 1 / 500, "aperture": 2.8, "iso": 100.0}
    assert place_of("54.5, 3.2") == (54.5, 3.2)
    for text in ("1/0", "nan", "inf", "fast", "-1", ""):
        with pytest.raises(UsageError, match="--shutter"):
            seconds_of(text, "--shutter")
    for text in ("1/500", "1/500,x,100", "1/500,2.8,100,5"):
        with pytest.raises(UsageError, match="--metered"):
            metered_of(text)
    with pytest.raises(UsageError, match="--at"):
        place_of("Saltmere")


def test_the_battery_keeps_its_reserve() -> None:
    plan = plan_flight(wished(clip_s=10.0, battery_min=20.0))
    assert plan.flight.total_s == pytest.approx(598.0 + 60.0 + 120.0)
    assert plan.flight.usable_s == pytest.approx(20 * 60 * 0.7)
    assert plan.warnings == []
    short = plan_flight(wished(clip_s=10.0, battery_min=15.0))
    assert "at most 226 photos" in short.warnings[0]
    fitting = plan_flight(wished(clip_s=226 / 30, battery_min=15.0))
    assert fitting.timing.photos == 226 and fitting.warnings == []


def test_a_corner_is_turned_smoothly_where_there_is_room_and_named_where_not() -> None:
    roomy = plan_flight(wished(clip_s=30.0), COURSE)
    assert roomy.path is not None
    (turn,) = roomy.path.turns
    assert turn.turn_deg == pytest.approx(90.0, abs=0.1) and not turn.jerky and turn.waypoint == 2
    assert turn.room == pytest.approx(turn.spread, abs=1.0)
    assert roomy.path.heading_deg[0] == pytest.approx(0.0, abs=0.01)
    tight = plan_flight(wished(clip_s=5.0), COURSE)
    assert tight.path is not None and tight.path.turns[0].jerky
    (warning,) = [text for text in tight.warnings if text.startswith("Jerky")]
    assert "at waypoint 2" in warning and f"over {turn.spread} photos" in warning
    assert "check obstacles and the rules" in warning


def test_headings_of_the_waypoints_are_held() -> None:
    text = "54.5,3.2,60,350,-10\n54.501797,3.2,60,10,-10\n54.501797,3.203086,70,30,-30\n"
    plan = plan_flight(wished(clip_s=20.0), parse_waypoints(text, "a"))
    assert plan.path is not None
    heading, pitch = plan.path.heading_deg, plan.path.pitch_deg
    assert (heading[0], heading[-1]) == pytest.approx((350.0, 390.0))
    assert (pitch[0], pitch[-1]) == pytest.approx((-10.0, -30.0))
    assert (np.diff(heading) >= -1e-9).all()


def test_ground_motion_near_and_far() -> None:
    view = View(1920, 1080, 73.0, -90.0, 50.0)
    assert ground_motion_px(view, 5.0, "middle") == pytest.approx(view.focal_px * 5.0 / 50.0)
    level = View(1920, 1080, 73.0, 0.0, 50.0)
    near, far = ground_motion_px(level, 5.0, "near"), ground_motion_px(level, 5.0, "far")
    assert near is not None and far is not None and near > 5.0 * far
    assert ground_motion_px(level, 5.0, "middle") is None, "the middle looks at the horizon"
    assert ground_motion_px(View(1920, 1080, 73.0, 30.0, 50.0), 5.0, "near") is None


def test_the_exposure_is_metered_or_of_the_sun_or_unknown() -> None:
    metered = plan_flight(
        wished(interval_s=3.0, metered={"shutter_s": 1 / 800, "aperture": 2.8, "iso": 100.0})
    )
    assert metered.exposure.ev_from == "metered"
    assert metered.exposure.chosen is not None and metered.exposure.chosen.factor == 512
    sunny = plan_flight(wished(interval_s=3.0, start="2026-06-21T12:00Z", place=(54.5, 3.2)))
    assert sunny.exposure.ev100 == pytest.approx(15.2, abs=0.3) and "meter it" in sunny.exposure.ev_from
    night = plan_flight(wished(start="2026-12-21T23:00Z", place=(54.5, 3.2)))
    assert night.exposure.chosen is None and "civil twilight" in " ".join(night.warnings)
    assert plan_flight(wished()).exposure.chosen is None


@pytest.mark.parametrize(
    ("metered_s", "advice", "aperture"),
    [(1.0, "open the aperture", 2.0), (1 / 16000, "close the aperture", 5.6)],
)
def test_what_no_filter_gives_is_made_up_the_right_way(
    metered_s: float, advice: str, aperture: float
) -> None:
    """A shutter that comes out too long needs more light, one too short less; and doing so helps."""
    told: dict[str, Any] = {
        "interval_s": 4.0,
        "shutter_s": 0.25,
        "metered": {"shutter_s": metered_s, "aperture": 2.8, "iso": 100.0},
    }
    plan = plan_flight(wished(**told))
    assert plan.exposure.chosen is not None and abs(plan.exposure.chosen.off_ev) > 1.9
    assert any(advice in text for text in plan.warnings)
    helped = plan_flight(wished(**told, aperture=aperture)).exposure.chosen
    assert helped is not None and abs(helped.off_ev) < abs(plan.exposure.chosen.off_ev) - 0.9


def test_an_evening_changes_its_light() -> None:
    plan = plan_flight(wished(clip_s=20.0, start="2026-06-21T20:15Z", place=(54.5, 3.2)))
    assert plan.light is not None and plan.light.sunset is not None
    assert plan.light.change_ev is not None and plan.light.change_ev < -0.5
    assert any("lock the exposure" in text for text in plan.warnings)
    noon = plan_flight(wished(clip_s=20.0, start="2026-06-21T12:00Z", place=(54.5, 3.2)))
    assert noon.light is not None and abs(noon.light.change_ev or 9.0) < 0.05
    assert plan_flight(wished(start="2026-06-21T12:00Z", place=(89.0, 3.2))).light is not None


def flown(frames: int = 300) -> Flown:
    """A straight flight north at 1 m/s with gusts, which turned 6° in one photo at frame 150. Invented."""
    rng = np.random.default_rng(7)
    photo = np.arange(frames, dtype=np.float64)
    places = np.stack([rng.normal(0.0, 0.3, frames), 2.0 * photo, rng.normal(0.0, 0.2, frames)], axis=1)
    heading = np.where(photo < 150, 40.0, 46.0) + rng.normal(0.0, 0.15, frames)
    return Flown(photo, places, heading, np.full(frames, -15.0), frames, 2.0)


def test_a_flown_step_is_spread() -> None:
    knots, values = mended(flown().photo, flown().heading_deg, 300, TurnLimits(0.348, 0.1))
    angle = eased(knots, values, 300)
    assert abs(np.diff(angle)).max() <= 0.348
    assert angle[:100] == pytest.approx(40.0, abs=0.5) and angle[200:] == pytest.approx(46.0, abs=0.5)
    assert len(course_of(flown())) == 2


def test_a_flown_flight_is_mended() -> None:
    plan = plan_flight(wished(clip_s=10.0, interval_s=2.0), flown=flown())
    assert plan.timing.speed_m_s == pytest.approx(1.0, abs=0.01)
    assert "turned up to 5.8°" in plan.notes[0] and "(frame 150)" in plan.notes[0]
    assert [text for text in plan.warnings if text.startswith("Jerky")] == []


def test_a_flight_on_the_spot_has_no_course() -> None:
    still = Flown(np.arange(20.0), np.zeros((20, 3)), np.zeros(20), np.zeros(20), 20, 2.0)
    with pytest.raises(UsageError, match="hardly moved"):
        plan_flight(wished(), flown=still)


def test_facts_are_json_and_every_plan_carries_the_cautions() -> None:
    plan = plan_flight(wished(clip_s=5.0, battery_min=20.0, start="2026-06-21T12:00Z"), COURSE)
    told = json.loads(json.dumps(facts(plan), allow_nan=False))
    assert told["flight"]["wind_included"] is False and len(told["course"]["photos"]) == 150
    cautions = " ".join(told["cautions"])
    for word in (
        "aviation law",
        "no-fly zones",
        "in sight",
        "reserve",
        "people",
        "obstacles",
        "Wind",
        "clearance",
    ):
        assert word in cautions
    assert any("check for obstacles" in line.note for line in lines(plan) if line.what == "strays sideways")


def test_the_page_holds_the_plan_and_no_position() -> None:
    plan = plan_flight(
        wished(clip_s=5.0, metered={"shutter_s": 0.001, "aperture": 2.8, "iso": 100.0}), COURSE
    )
    page = plan_page(plan)
    for text in ("Course from above", "Height profile", "Turn rate", "ND", "No", "not a clearance to fly"):
        assert text in page
    assert "54.50" not in page and "3.203" not in page
    assert "https://" not in page.split("<script>")[0]
    assert "No course was given" in plan_page(plan_flight(wished()))


def test_a_turn_of_next_to_nothing_is_none() -> None:
    led = eased(np.array([0.0, 5.0, 10.0]), np.array([0.0, 1.1e-308, 0.0]), 11)
    assert np.array_equal(led, np.zeros(11))
