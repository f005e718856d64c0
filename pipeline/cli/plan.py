"""The command that plans the next flight."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.common import JsonOption, MovedOption, app, plain_errors


@app.command()
@plain_errors()
def plan(
    clip: Annotated[float | None, typer.Option("--clip", metavar="S", help="Seconds of video (10).")] = None,
    fps: Annotated[float | None, typer.Option("--fps", help="Frames per second of video (30).")] = None,
    interval: Annotated[
        float | None, typer.Option("--interval", metavar="S", help="Seconds from photo to photo (2).")
    ] = None,
    shutter: Annotated[
        str | None,
        typer.Option("--shutter", metavar="S", help="Wished shutter, as in 1/2 (half the interval)."),
    ] = None,
    busy: Annotated[
        float | None,
        typer.Option(
            "--busy", metavar="S", help="Seconds the camera needs between photos (common practice)."
        ),
    ] = None,
    speed: Annotated[float | None, typer.Option("--speed", metavar="M/S", help="Ground speed.")] = None,
    waypoints: Annotated[
        Path | None,
        typer.Option(
            "--waypoints",
            metavar="FILE",
            help="Course: a GeoJSON LineString, or CSV of latitude, longitude, height, heading, pitch.",
        ),
    ] = None,
    from_: Annotated[
        Path | None,
        typer.Option("--from", metavar="OUT/ID", help="Start from a finished flight and mend it."),
    ] = None,
    card: MovedOption = None,
    height: Annotated[
        float | None, typer.Option("--height", metavar="M", help="Height where the waypoints tell none (50).")
    ] = None,
    pitch: Annotated[float | None, typer.Option("--pitch", metavar="DEG", help="Camera tilt (-15).")] = None,
    fov: Annotated[
        float | None, typer.Option("--fov", metavar="DEG", help="Horizontal field of view (73).")
    ] = None,
    width: Annotated[
        int | None, typer.Option("--width", metavar="PX", help="Width of the video (1920).")
    ] = None,
    aperture: Annotated[float | None, typer.Option("--aperture", help="f-number to fly with (2.8).")] = None,
    iso: Annotated[float | None, typer.Option("--iso", help="ISO to fly with (100).")] = None,
    metered: Annotated[
        str | None,
        typer.Option(
            "--metered", metavar="S,F,ISO", help="Exposure metered without a filter: 1/500,2.8,100."
        ),
    ] = None,
    sky: Annotated[str | None, typer.Option("--sky", help="clear, partly or overcast (clear).")] = None,
    when: Annotated[
        str | None, typer.Option("--when", metavar="TIME", help="Start, as in 2026-06-21T20:30+02:00.")
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="LAT,LON", help="Place of the flight, for the sun.")
    ] = None,
    battery: Annotated[
        float | None, typer.Option("--battery", metavar="MIN", help="Flying time of a full battery.")
    ] = None,
    reserve: Annotated[
        float | None, typer.Option("--reserve", help="Share of the battery to land with (0.3, at least 0.2).")
    ] = None,
    climb: Annotated[
        float | None, typer.Option("--climb", metavar="S", help="Seconds for take-off and landing (60).")
    ] = None,
    transit: Annotated[
        float | None,
        typer.Option("--transit", metavar="S", help="Seconds to the first photo and back (120)."),
    ] = None,
    photo_mb: Annotated[float | None, typer.Option("--photo-mb", help="Megabytes of a photo (25).")] = None,
    max_deviation: Annotated[
        float | None,
        typer.Option(
            "--max-deviation", metavar="M", help="How far the course may leave the straight legs (5)."
        ),
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--page", metavar="FILE", help="Write the plan as a page, too.")
    ] = None,
    course: Annotated[
        Path | None,
        typer.Option("--course", metavar="FILE", help="Write the course as GeoJSON, with its positions."),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Work out the next flight: time, exposure, course, turns. Photographic numbers, no clearance to fly."""
    from pipeline.console.plan import print_plan
    from pipeline.console.terminal import print_json
    from pipeline.planning.told import facts
    from pipeline.run.plan import plan_for

    planned, origin = plan_for(
        waypoints,
        from_,
        card,
        course,
        {
            "clip_s": clip,
            "fps": fps,
            "interval_s": interval,
            "shutter_s": shutter,
            "busy_s": busy,
            "speed_m_s": speed,
            "height_m": height,
            "pitch_deg": pitch,
            "fov_deg": fov,
            "width_px": width,
            "aperture": aperture,
            "iso": iso,
            "metered": metered,
            "sky": sky,
            "start": when,
            "place": at,
            "battery_min": battery,
            "reserve": reserve,
            "climb_s": climb,
            "transit_s": transit,
            "photo_mb": photo_mb,
            "max_deviation_m": max_deviation,
        },
    )
    if page is not None:
        from pipeline.planning.page import plan_page
        from pipeline.report.schema import write_text

        write_text(page, plan_page(planned))
    if course is not None:
        from pipeline.planning.geojson import course_geojson
        from pipeline.report.schema import write_text

        write_text(course, course_geojson(planned, origin))
    if json:
        print_json(facts(planned))
    else:
        print_plan(planned)
