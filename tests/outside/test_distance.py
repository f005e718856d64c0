"""Positions in metres against GeographicLib's published WGS84 lines."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from pipeline.card.sequencing import positions_m
from pipeline.sequence import PhotoFacts


def photo(latitude: float, longitude: float, altitude: float | None = None) -> PhotoFacts:
    return PhotoFacts(
        kind="raw",
        camera="Testcam Heron",
        width=40,
        height=30,
        latitude_deg=latitude,
        longitude_deg=longitude,
        altitude_m=altitude,
    )


def test_published_lines(data_dir: Path) -> None:
    # Source: GeographicLib's test lines for WGS84 (Karney 2013), in the data folder; s12 in m, azi1 in deg
    with (data_dir / "tables" / "geodesic" / "geodesic_wgs84_20.csv").open(newline="") as file:
        lines = list(csv.DictReader(file))
    assert len(lines) == 20
    for line in lines:
        start = photo(float(line["lat1"]), float(line["lon1"]))
        end = photo(float(line["lat2"]), float(line["lon2"]))
        first, second = positions_m([start, end])
        assert first == (0.0, 0.0, 0.0)
        assert second is not None
        east, north, _ = second
        assert math.hypot(east, north) == pytest.approx(float(line["s12_m"]), abs=1e-4)
        bearing = math.degrees(math.atan2(east, north)) - float(line["azi1"])
        assert (bearing + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("latitude", [-89.0, -54.0, 0.0, 27.0, 54.0, 80.0])
def test_the_way_over_an_island_is_the_geodesic(latitude: float) -> None:
    """Source: GeographicLib (Karney 2013), across the sphere's seam, up to and beyond 10 km."""
    chance = np.random.default_rng(3)
    reach_m = 10.0 ** chance.uniform(-1.0, 4.3, 200)
    lines = [
        Geodesic.WGS84.Direct(latitude, 179.99, float(azimuth), float(reach))
        for azimuth, reach in zip(chance.uniform(-180.0, 180.0, 200), reach_m, strict=True)
    ]
    places = positions_m([photo(latitude, 179.99), *(photo(line["lat2"], line["lon2"]) for line in lines)])
    azimuths = np.radians([line["azi1"] for line in lines])
    true = reach_m[:, None] * np.column_stack([np.sin(azimuths), np.cos(azimuths)])
    assert max(reach_m) > 15_000.0
    assert np.array(places[1:])[:, :2] == pytest.approx(true, abs=1e-4)


def test_one_minute_of_latitude_is_about_a_nautical_mile() -> None:
    # 1 nautical mile = 1852 m (international, 1929); a minute of latitude is that at about 45°
    _, second = positions_m([photo(45.0, 3.0, 100.0), photo(45.0 + 1 / 60, 3.0, 130.0)])
    assert second == pytest.approx((0.0, 1852.0, 30.0), abs=1.0)


def test_photos_without_position_are_skipped_and_the_first_with_one_is_the_origin() -> None:
    places = positions_m([None, photo(54.0, 3.0), photo(54.0, 3.001)])
    assert places[0] is None
    assert places[1] == (0.0, 0.0, 0.0)
    assert places[2] is not None
    # a degree of longitude: pi/180 N cos(latitude), N = a / sqrt(1 - e² sin²) with WGS84's a and f
    a, f, latitude = 6378137.0, 1 / 298.257223563, np.radians(54.0)
    normal = a / np.sqrt(1 - f * (2 - f) * np.sin(latitude) ** 2)
    assert places[2][0] == pytest.approx(np.radians(0.001) * normal * np.cos(latitude), abs=1e-3)
    assert places[2][2] == 0.0
