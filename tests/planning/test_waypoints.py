"""Reading courses: what is understood, and that everything else is refused in one sentence."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UsageError
from pipeline.planning.advice import plan_flight
from pipeline.planning.waypoints import Waypoint, parse_waypoints
from pipeline.planning.wishes import wished

LINE = [[3.2, 54.5, 60.0], [3.201, 54.501, 65.0], [3.203, 54.501, 70.0]]


def geojson(coordinates: Any = LINE, kind: str = "LineString", **properties: Any) -> str:
    geometry = {"type": kind, "coordinates": coordinates}
    return json.dumps({"type": "Feature", "properties": properties, "geometry": geometry})


def test_geojson_is_longitude_first() -> None:
    first = parse_waypoints(geojson(headings=[10, 20, 30], pitches=[-15, -15, -20]), "a.geojson")[0]
    assert first == Waypoint(54.5, 3.2, 60.0, 10.0, -15.0)


@pytest.mark.parametrize("wrap", ["bare", "feature", "collection"])
def test_a_line_in_every_wrapping(wrap: str) -> None:
    feature = json.loads(geojson())
    point = {"type": "Feature", "properties": None, "geometry": {"type": "Point", "coordinates": [3.2, 54.5]}}
    document = {
        "bare": feature["geometry"],
        "feature": feature,
        "collection": {"type": "FeatureCollection", "features": [point, feature]},
    }[wrap]
    assert len(parse_waypoints("\ufeff" + json.dumps(document), "a")) == 3


def test_pieces_cut_at_the_antimeridian_are_one_course() -> None:
    # RFC 7946, section 3.1.9: a line that crosses the antimeridian is cut into two that meet there
    lines = [[[179.999, -17.0], [180.0, -17.0]], [[-180.0, -17.0], [-179.999, -17.0]]]
    course = parse_waypoints(geojson(lines, "MultiLineString"), "a")
    assert len(course) == 3
    plan = plan_flight(wished(clip_s=10.0), course)
    assert plan.path is not None
    assert plan.path.course.length_m == pytest.approx(0.002 * 111_319.5 * 0.9563, rel=0.002)
    with pytest.raises(UsageError, match="do not meet"):
        parse_waypoints(geojson([LINE[:2], [[4.0, 54.0], [4.1, 54.0]]], "MultiLineString"), "a")


@pytest.mark.parametrize(
    "text",
    [
        "54.5,3.2,60,20,-15\n54.501,3.2,60,25,-15\n",
        "latitude;longitude;height_m;heading_deg;pitch_deg\n54.5;3.2;60;20;-15\n54.501;3.2;60;25;-15\n",
        "Lon\tLat\tHeight (m)\tYaw\tPitch\n3.2\t54.5\t60\t20\t-15\n\n3.2\t54.501\t60\t25\t-15\n",
        "name,latitude,longitude,height above take-off,heading,tilt\r\n"
        "A,54.5,3.2,60,20,-15\r\nB,54.501,3.2,60,25,-15",
    ],
)
def test_csv_with_and_without_headings(text: str) -> None:
    assert parse_waypoints(text, "a.csv") == (
        Waypoint(54.5, 3.2, 60.0, 20.0, -15.0),
        Waypoint(54.501, 3.2, 60.0, 25.0, -15.0),
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        ("{", "is not JSON"),
        ("[1, 2]", "no LineString"),
        ('{"type": "Polygon", "coordinates": []}', "no LineString"),
        (geojson([[3.2, 54.5]]), "two or more"),
        (geojson([[3.2]]), "position 1: longitude and latitude are missing"),
        (geojson([[3.2, 54.5], [3.2, "north"]]), "position 2: the latitude is 'north'"),
        (geojson([[3.2, 54.5], [3.2, 91]]), "from -90 to 90"),
        ('{"type": "LineString", "coordinates": [[3.2, NaN], [3.2, 54.5]]}', "latitude is nan"),
        ('{"type": "LineString", "coordinates": [[3.2, 1e999], [3.2, 54.5]]}', "latitude is inf"),
        (geojson([[3.2, 54.5, 60], [3.2, 54.6]]), "waypoint 2 has no height"),
        (geojson([[3.2, 54.5, 1e7], [3.2, 54.6, 60]]), "height"),
        (geojson(headings=[1, 2]), "a list of 3 numbers"),
        (geojson(headings=[1, 2, True]), "heading is True"),
        (json.dumps({"type": "FeatureCollection", "features": [json.loads(geojson())] * 2}), "holds 2 lines"),
        ("latitude,height\n54.5,60\n", "one column must be called longitude"),
        ("54.5,3.2\n54.6\n", "row 2: the longitude is nothing"),
        ("54,5;3,2\n54,6;3,2\n", "row 1: the longitude is '5;3'"),
        ("54.5,3.2,60,10\n54.5,3.2,60,90\n", "a turn needs a way"),
        ("54.5,3.2\n54.5,3.2\n54.5,3.2\n", "holds 1 waypoint"),
        ("1,2\n" * 10_001, "at most 10000"),
        ("[" * 100_000, "is not JSON"),
    ],
)
def test_what_is_no_course_is_refused_in_one_sentence(text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told) as caught:
        parse_waypoints(text, "course.csv")
    assert "\n" not in str(caught.value)


def test_swapped_latitude_and_longitude_are_noticed() -> None:
    with pytest.raises(UsageError, match="swapped"):
        plan_flight(wished(), parse_waypoints("54.5,3.2\n3.2,54.5\n", "a"))


_numbers = st.one_of(st.floats(), st.integers(), st.none(), st.text(max_size=3), st.booleans())
_cells = st.one_of(st.floats(-95, 95).map(str), st.text(max_size=5))


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(
        st.text(max_size=80),
        st.lists(st.lists(_numbers, max_size=4), max_size=5).map(geojson),
        st.lists(st.lists(_cells, max_size=6).map(",".join), max_size=5).map("\n".join),
    )
)
def test_no_text_breaks_the_reader(text: str) -> None:
    try:
        course = parse_waypoints(text, "any")
    except UsageError:
        return
    assert len(course) >= 2


_places = st.tuples(st.floats(-0.01, 0.01), st.floats(-0.01, 0.01), st.floats(2.0, 120.0))
_looks = st.one_of(st.none(), st.floats(-360.0, 360.0))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(_places, _looks), min_size=2, max_size=7),
    st.sampled_from([(54.5, 3.2), (-89.9, 179.999), (0.0, -180.0)]),
)
def test_every_course_makes_a_plan(points: list[Any], origin: tuple[float, float]) -> None:
    rows = [
        f"{origin[0] + dy},{(origin[1] + dx + 180) % 360 - 180},{height},{'' if look is None else look}"
        for (dx, dy, height), look in points
    ]
    try:
        plan = plan_flight(wished(clip_s=2.0), parse_waypoints("\n".join(rows), "any"))
    except UsageError:
        return
    path = plan.path
    assert path is not None
    assert max(path.course.sideways_m.max(), path.course.height_off_m.max()) <= 5.0 + 1e-6
    assert plan.timing.speed_m_s is not None and plan.timing.speed_m_s > 0.0
    for values in (path.places_m, path.heading_deg, path.pitch_deg):
        assert len(values) == 60 and (abs(values) < 1e6).all()


def test_longitudes_counted_round_to_360_are_those_counted_from_minus_180() -> None:
    round_to_360 = parse_waypoints("latitude,longitude\n54.0,357.0\n54.0,357.01\n", "a.csv")
    from_minus_180 = parse_waypoints("latitude,longitude\n54.0,-3.0\n54.0,-2.99\n", "a.csv")
    assert [p.longitude_deg for p in round_to_360] == pytest.approx([p.longitude_deg for p in from_minus_180])
