"""Numbers of a plan against published lines, standards and worked examples."""

from __future__ import annotations

import csv
import math
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from pipeline.planning.course import course_over, local_m
from pipeline.planning.exposure import ND_FACTORS, Exposure, filter_stops, shutter_angle_deg, shutter_for
from pipeline.planning.seen import View, ground_motion_px
from pipeline.planning.sun import daylight_ev100, light_during, sun_height_deg
from pipeline.planning.turns import eased
from pipeline.planning.waypoints import Waypoint, geodesic_m


def test_distances_are_the_published_lines(data_dir: Path) -> None:
    # Source: GeographicLib's test lines for WGS84 (Karney 2013), in the data folder; s12 in m, azi1 in deg
    with (data_dir / "tables" / "geodesic" / "geodesic_wgs84_20.csv").open(newline="") as file:
        lines = list(csv.DictReader(file))
    assert len(lines) == 20
    for line in lines:
        ends = [Waypoint(float(line[f"lat{i}"]), float(line[f"lon{i}"])) for i in (1, 2)]
        assert geodesic_m(*ends) == pytest.approx(float(line["s12_m"]), abs=1e-4)
        east, north, up = local_m(ends)[1]
        assert math.hypot(east, north) == pytest.approx(float(line["s12_m"]), abs=1e-4)
        bearing = math.degrees(math.atan2(east, north)) - float(line["azi1"])
        assert (bearing + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)
        assert up == 0.0


def test_a_minute_of_latitude_is_about_a_nautical_mile() -> None:
    # 1 nautical mile = 1852 m (international, 1929); a minute of latitude is that at about 45°
    course = course_over([Waypoint(45.0, 179.9999, 60.0), Waypoint(45.0 + 1 / 60, 179.9999, 60.0)], 5.0)
    assert course.length_m == pytest.approx(1852.0, abs=1.0)


def test_apex_table() -> None:
    # Exif 3.0 (CIPA DC-008) annex C and ISO 2720, from memory: Ev = Av + Tv at ISO 100; Tv 5 = 1/32 s,
    # Tv 10 = 1/1024 s, Av 3 = f/2.83, Av 8 = f/16. ISO 400 at the same settings suits light 2 stops weaker.
    for tv, av in [(0, 0), (5, 3), (10, 8), (-2, 2)]:
        settings = Exposure(2.0**-tv, 2.0 ** (av / 2), 100.0)
        assert settings.ev100 == pytest.approx(av + tv, abs=1e-12)
        assert shutter_for(av + tv, settings.aperture, 100.0) == pytest.approx(settings.shutter_s)
    assert Exposure(1 / 32, 4.0, 400.0).ev100 == pytest.approx(5 + 4 - 2, abs=1e-12)


def test_bright_sun_rule() -> None:
    # common practice, no source: f/16 and one over ISO seconds in full sun, about Ev 15 at ISO 100. The
    # model of daylight (IES RP-21, from memory) is said to be good to about a stop.
    rule = Exposure(1 / 100, 16.0, 100.0).ev100
    assert rule == pytest.approx(14.64, abs=0.01)
    for height in (40.0, 60.0, 80.0):
        ev = daylight_ev100(height, "clear")
        assert ev is not None and abs(ev - rule) < 1.0


def test_daylight_against_round_illuminances() -> None:
    # Common round figures of daylight on level ground (lighting handbooks, from memory): about 100,000 lx in
    # high sun, 10,000 to 25,000 lx under an overcast sky at noon, 400 lx at sunrise, 3.4 lx at the end of
    # civil twilight. ISO 2720: E = 2.5 lx x 2^EV at ISO 100 for C = 250.
    def lux(height: float, sky: str) -> float:
        ev = daylight_ev100(height, sky)  # type: ignore[arg-type]
        assert ev is not None
        return 2.5 * 2.0**ev

    assert lux(60.0, "clear") == pytest.approx(100_000.0, rel=0.1)
    assert 10_000.0 <= lux(50.0, "overcast") <= 25_000.0
    assert 200.0 <= lux(0.0, "clear") <= 800.0
    assert lux(-6.0, "clear") == pytest.approx(3.4, rel=0.01)
    assert daylight_ev100(-6.5, "clear") is None


def test_names_of_filters() -> None:
    # design, section 8: ND512 = 9 stops, ND1000 = 9.97 stops
    assert filter_stops(512) == 9.0
    assert filter_stops(1000) == pytest.approx(9.97, abs=0.005)
    assert {512, 1000} <= set(ND_FACTORS)


def test_half_the_interval_is_half_a_turn_of_a_rotary_shutter() -> None:
    # 360° × shutter × frame rate: 1/48 s at 24 fps is the cinema's 180° (common trade fact)
    assert shutter_angle_deg(1 / 48, 1 / 24) == pytest.approx(180.0)


# The worked example of NREL's Solar Position Algorithm (Reda and Andreas, NREL/TP-560-34302, from memory):
# 17 October 2003, 12:30:30, zone -7 h, latitude 39.742476, longitude -105.1786; zenith 50.11162°, sunrise
# 06:12:43, sunset 17:20:19.
_ZONE = timezone(timedelta(hours=-7))
_WHEN = datetime(2003, 10, 17, 12, 30, 30, tzinfo=_ZONE)
_PLACE = (39.742476, -105.1786)


def test_the_sun_of_a_worked_example() -> None:
    assert sun_height_deg(*_PLACE, _WHEN) == pytest.approx(90.0 - 50.11162, abs=0.02)


def test_sunrise_and_sunset_of_the_worked_example() -> None:
    light = light_during(*_PLACE, _WHEN, 600.0, "clear")
    assert light.sunrise is not None and light.sunset is not None
    assert abs(light.sunrise - datetime(2003, 10, 17, 6, 12, 43, tzinfo=_ZONE)) < timedelta(minutes=2)
    assert abs(light.sunset - datetime(2003, 10, 17, 17, 20, 19, tzinfo=_ZONE)) < timedelta(minutes=2)


def test_ground_motion_is_what_a_projection_by_opencv_says() -> None:
    # Reference: cv2.projectPoints of a point on level ground before and after the drone moved
    import cv2

    view = View(
        width_px=1920, height_px=1080, fov_deg=73.0, pitch_deg=-25.0, height_m=60.0, off_course_deg=40.0
    )
    camera = np.array([[view.focal_px, 0.0, 0.0], [0.0, view.focal_px, 0.0], [0.0, 0.0, 1.0]])
    turn = np.array([-math.radians(view.pitch_deg), 0.0, 0.0])
    below = -view.pitch_deg + math.degrees(math.atan(540.0 / view.focal_px))
    ground = np.array([0.0, view.height_m, view.height_m / math.tan(math.radians(below))])
    course = math.radians(view.off_course_deg)
    step = 4.0 * np.array([math.sin(course), 0.0, math.cos(course)])
    seen = [
        cv2.projectPoints((ground - share * step)[None], turn, np.zeros(3), camera, None)[0].ravel()
        for share in (-0.5, 0.5)
    ]
    middle, _ = cv2.projectPoints(ground[None], turn, np.zeros(3), camera, None)
    assert middle.ravel() == pytest.approx((0.0, 540.0), abs=1e-6), "the point stands at the bottom edge"
    assert ground_motion_px(view, 4.0, "near") == pytest.approx(math.dist(*seen), rel=1e-9)


def test_an_eased_turn_between_two_held_headings_is_the_smoothstep() -> None:
    # PCHIP (Fritsch and Carlson 1980) between flat stretches is 3u² − 2u³: 1.5 times the mean rate at most
    heading = eased(np.array([0.0, 20.0, 60.0, 80.0]), np.array([10.0, 10.0, 50.0, 50.0]), 81)
    u = np.arange(41) / 40.0
    assert heading[20:61] == pytest.approx(10.0 + 40.0 * (3 * u**2 - 2 * u**3), abs=1e-9)
    assert np.diff(heading).max() == pytest.approx(1.5, abs=0.01)
