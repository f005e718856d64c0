"""The commands: parse, call, print. What a command does not use it does not import."""

from __future__ import annotations

import errno
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from pipeline.planning.figures import Plan
    from pipeline.settings import Configured
    from pipeline.workshop import Outcome

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Turn the photographs of a drone's hyperlapse into a steady, even video.",
    epilog="Exit status: 0 done; 1 the work could not be done; 2 wrong usage; 3 videos were made, but with "
    "photos left out, which are named.",
)

CardArgument = Annotated[Path, typer.Argument(metavar="CARD", help="Folder of photographs; only read.")]
FlightArgument = Annotated[Path, typer.Argument(metavar="OUT/ID", help="Output folder of one sequence.")]
OutOption = Annotated[Path, typer.Option("-o", "--out", metavar="OUT", help="Folder for the results.")]
SequenceOption = Annotated[
    str | None, typer.Option("--sequence", metavar="ID", help="Only this sequence, as `list` names it.")
]
ConfigOption = Annotated[
    str | None, typer.Option("--config", metavar="FILE|NAME", help="A TOML file of settings, or its name.")
]
SetOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="SECTION.KEY=VALUE", help="Set one setting; may be repeated."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print facts as JSON on stdout.")]
WorkersOption = Annotated[
    int | None, typer.Option("--workers", min=1, metavar="N", help="Photos worked on at once [all cores].")
]
ExecutorOption = Annotated[
    str | None,
    typer.Option(
        "--executor",
        metavar="dask://HOST:PORT",
        help="Work on a Dask cluster that sees the same folders. Only on a network you trust.",
    ),
]
MovedOption = Annotated[
    Path | None, typer.Option("--card", metavar="CARD", help="Where the photographs are now, if they moved.")
]


# A full, write-protected or closed disk: what a user can mend.
_DISK_TROUBLE = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Turn errors that a user can meet into one sentence on stderr and an exit status."""
    from pipeline.errors import EvenflightError, UsageError

    try:
        yield
    except EvenflightError as error:
        typer.echo(f"evenflight: {error}", err=True)
        raise typer.Exit(2 if isinstance(error, UsageError) else 1) from None
    except KeyboardInterrupt as interruption:
        typer.echo("evenflight: interrupted; the same command goes on from the finished parts", err=True)
        raise typer.Exit(143 if isinstance(interruption, _Terminated) else 130) from None
    except OSError as error:
        if error.errno not in _DISK_TROUBLE:
            raise
        where = f" ({error.filename})" if error.filename else ""
        typer.echo(
            f"evenflight: {error.strerror}{where}: make room or choose another output folder; the same "
            "command goes on from the finished parts",
            err=True,
        )
        raise typer.Exit(1) from None


class _Terminated(KeyboardInterrupt):
    """The system asked this process to end, which it does as after an interruption by the user."""


def _terminate(number: int, frame: object) -> None:
    raise _Terminated


@app.command("list")
@plain_errors()
def list_card(
    card: CardArgument,
    checksums: Annotated[
        Path | None,
        typer.Option("--checksums", metavar="FILE", help="Write SHA-256 sums of all files of CARD instead."),
    ] = None,
    verify: Annotated[
        Path | None,
        typer.Option("--verify", metavar="FILE", help="Hold the files of CARD against such sums instead."),
    ] = None,
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
) -> None:
    """Show the sequences on a card: photos, interval, length, gaps and trouble; or prove a copy whole."""
    if checksums is not None or verify is not None:
        _sums(card, checksums, verify, json)
        return
    from pipeline.card.scan import scan_card
    from pipeline.console.listing import card_facts, print_card
    from pipeline.console.terminal import print_json

    contents = scan_card(card, _configured(config, set_).settings.load)
    if json:
        print_json(card_facts(contents))
    else:
        print_card(contents)


@app.command()
@plain_errors()
def run(
    card: CardArgument,
    out: OutOption,
    sequence: SequenceOption = None,
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
    workers: WorkersOption = None,
    executor: ExecutorOption = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Fail, with exit status 1, where a photo is left out.")
    ] = False,
) -> None:
    """Make a video of every sequence on a card, with reports; a rerun repeats only what changed."""
    configured = _configured(config, set_)
    _finish(_run_card(card, out, configured, sequence, workers, executor), json, strict)


@app.command()
@plain_errors()
def regrade(
    folder: FlightArgument,
    grade: Annotated[
        str | None, typer.Option("--grade", metavar="NAME|FILE", help="Name of a grade, or its file.")
    ] = None,
    compare: Annotated[
        str | None,
        typer.Option("--compare", metavar="A,B,C", help="Only write a contact sheet of these grades."),
    ] = None,
    frames: Annotated[int, typer.Option("--frames", min=1, max=100, help="Photos on the sheet.")] = 10,
    preview: Annotated[
        bool, typer.Option("--preview", help="Only write a small quick video, from the thumbnails.")
    ] = False,
    write_cdl: Annotated[
        Path | None,
        typer.Option("--write-cdl", metavar="FILE", help="Only write the grade's CDL: .cc, .ccc or .cdl."),
    ] = None,
    card: MovedOption = None,
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
    workers: WorkersOption = None,
    executor: ExecutorOption = None,
) -> None:
    """Render a sequence again with another grade, from its corrections, without measuring."""
    from json import dumps

    from pipeline import run as job
    from pipeline.console.outcomes import print_file
    from pipeline.console.terminal import Terminal

    # A grade that is named holds for the whole video, whatever points an earlier render had.
    whole = [] if grade is None else ["encode.grade_points=[]"]
    chosen = [] if grade is None else [f"encode.grade={dumps(grade)}"]
    configured = _configured(config, [*whole, *(set_ or []), *chosen])
    if write_cdl is not None:
        print_file(job.write_cdl(folder, configured, write_cdl), json)
        return
    if compare is not None or preview:
        with Terminal() as progress:
            path = job.proof(
                folder,
                configured,
                card=card,
                progress=progress,
                compare=compare,
                frames=frames,
                workers=workers,
            )
        print_file(path, json)
        return
    with Terminal() as progress:
        outcome = job.regrade(
            folder, configured, card=card, progress=progress, workers=workers, executor=executor
        )
    _finish([outcome], json)


@app.command()
@plain_errors()
def stage(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="load, balance, deflicker, stabilise or encode.")
    ],
    folder: FlightArgument,
    card: MovedOption = None,
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
    workers: WorkersOption = None,
    executor: ExecutorOption = None,
) -> None:
    """Do one stage of a sequence again, with other settings."""
    from pipeline import run as job
    from pipeline.console.terminal import Terminal

    configured = _configured(config, set_)
    with Terminal() as progress:
        outcome = job.run_stage(
            folder, name, configured, card=card, progress=progress, workers=workers, executor=executor
        )
    _finish([outcome], json)


@app.command()
@plain_errors()
def plan(
    clip: Annotated[float | None, typer.Option("--clip", metavar="S", help="Seconds of video [10].")] = None,
    fps: Annotated[float | None, typer.Option("--fps", help="Frames per second of video [30].")] = None,
    interval: Annotated[
        float | None, typer.Option("--interval", metavar="S", help="Seconds from photo to photo [2].")
    ] = None,
    shutter: Annotated[
        str | None,
        typer.Option("--shutter", metavar="S", help="Wished shutter, as in 1/2 [half the interval]."),
    ] = None,
    busy: Annotated[
        float | None,
        typer.Option(
            "--busy", metavar="S", help="Seconds the camera needs between photos [common practice]."
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
        float | None, typer.Option("--height", metavar="M", help="Height where the waypoints tell none [50].")
    ] = None,
    pitch: Annotated[float | None, typer.Option("--pitch", metavar="DEG", help="Camera tilt [-15].")] = None,
    fov: Annotated[
        float | None, typer.Option("--fov", metavar="DEG", help="Horizontal field of view [73].")
    ] = None,
    width: Annotated[
        int | None, typer.Option("--width", metavar="PX", help="Width of the video [1920].")
    ] = None,
    aperture: Annotated[float | None, typer.Option("--aperture", help="f-number to fly with [2.8].")] = None,
    iso: Annotated[float | None, typer.Option("--iso", help="ISO to fly with [100].")] = None,
    metered: Annotated[
        str | None,
        typer.Option(
            "--metered", metavar="S,F,ISO", help="Exposure metered without a filter: 1/500,2.8,100."
        ),
    ] = None,
    sky: Annotated[str | None, typer.Option("--sky", help="clear, partly or overcast [clear].")] = None,
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
        float | None, typer.Option("--reserve", help="Share of the battery to land with [0.3; least 0.2].")
    ] = None,
    climb: Annotated[
        float | None, typer.Option("--climb", metavar="S", help="Seconds for take-off and landing [60].")
    ] = None,
    transit: Annotated[
        float | None,
        typer.Option("--transit", metavar="S", help="Seconds to the first photo and back [120]."),
    ] = None,
    photo_mb: Annotated[float | None, typer.Option("--photo-mb", help="Megabytes of a photo [25].")] = None,
    max_deviation: Annotated[
        float | None,
        typer.Option(
            "--max-deviation", metavar="M", help="How far the course may leave the straight legs [5]."
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

    planned, origin = _planned(
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


@app.command()
@plain_errors()
def diagnose(
    place: Annotated[
        Path, typer.Argument(metavar="OUT/ID|CARD", help="Output folder of one sequence, or photographs.")
    ],
    frame: Annotated[
        int | None, typer.Option("--frame", min=0, metavar="N", help="Everything known of this frame.")
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="DIR", help="Folder for the two pictures of --frame [OUT/ID, or here]."),
    ] = None,
    sequence: SequenceOption = None,
    card: MovedOption = None,
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
    workers: WorkersOption = None,
) -> None:
    """Tell what is wrong with a flight, frame by frame, and what would help; of photographs too."""
    from pipeline.console.diagnosing import diagnose_card_here, diagnose_folder_here

    configured = _configured(config, set_)
    if (place / "load.json").is_file():
        diagnose_folder_here(place, configured, frame, to, card, json)
    elif diagnose_card_here(place, configured, sequence, frame, to, json, workers):
        raise typer.Exit(3)


@app.command()
@plain_errors()
def demo(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for the card (DIR/card) and results.")
    ],
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
    workers: WorkersOption = None,
) -> None:
    """Write a synthetic card of two flights over an invented island, run the whole job, check the outcome."""
    from pipeline.console.outcomes import outcome_facts, print_checks, print_outcomes
    from pipeline.console.terminal import Terminal, print_json
    from pipeline.demo.card import write_demo
    from pipeline.demo.check import check_outcomes

    configured = _configured(config, set_)
    with Terminal() as progress:
        progress.begin("demo", "write the card", 180)
        written = write_demo(directory, workers=workers, advance=progress.advance)
        progress.end()
    outcomes = _run_card(written.card, directory / "out", configured, None, workers)
    checks = check_outcomes(written.truth, outcomes)
    if json:
        print_json({"outcomes": outcome_facts(outcomes), "checks": [check.as_json() for check in checks]})
    else:
        print_outcomes(outcomes)
        print_checks(checks)
    raise typer.Exit(0 if all(check.ok for check in checks) else 1)


def _sums(card: Path, checksums: Path | None, verify: Path | None, json: bool) -> None:
    from pipeline.card import checksums as sums
    from pipeline.console.listing import print_verdict
    from pipeline.console.terminal import Terminal, print_json
    from pipeline.errors import UsageError
    from pipeline.parallel import default_workers, local_executor

    if checksums is not None and verify is not None:
        raise UsageError("--checksums writes a list and --verify reads one: give one of them")
    with Terminal() as progress, local_executor(default_workers()) as executor:
        progress.begin(card.name, "sums", len(sums.files_of(card)))
        if checksums is not None:
            count = sums.write_sums(card, checksums, executor, progress.advance)
            progress.end()
            progress.say(f"the sums of {count} files are in {checksums}")
            return
        assert verify is not None
        verdict = sums.verify(card, verify, executor, progress.advance)
        progress.end()
    if json:
        print_json(vars(verdict) | {"whole": verdict.whole})
    else:
        print_verdict(verdict)
    if not verdict.whole:
        raise typer.Exit(1)


def _configured(config: str | None, assignments: list[str] | None) -> Configured:
    from pipeline.settings import load_settings

    return load_settings(config, assignments or [])


def _planned(
    waypoints: Path | None, flown: Path | None, card: Path | None, course: Path | None, told: dict[str, Any]
) -> tuple[Plan, tuple[float, float]]:
    """Return the plan for the options of `plan`, those not given filled from a flown flight.

    Also the latitude and longitude of its first waypoint, where `course` asks for them.
    """
    from pipeline.errors import UsageError
    from pipeline.plan import flown_place, read_flown, read_waypoints
    from pipeline.planning.advice import plan_flight
    from pipeline.planning.wishes import metered_of, place_of, seconds_of, wished
    from pipeline.report.metrics import load_limits

    if waypoints is not None and flown is not None:
        raise UsageError("--waypoints and --from both give a course: choose one")
    wishes: dict[str, Any] = {
        key: load_limits()[key].value for key in ("turn_fields_per_s", "turn_change_deg")
    }
    wishes |= {name: value for name, value in told.items() if value is not None}
    readers = {
        "shutter_s": lambda text: seconds_of(text, "--shutter"),
        "metered": metered_of,
        "place": place_of,
    }
    wishes.update({name: read(wishes[name]) for name, read in readers.items() if name in wishes})
    nowhere = (0.0, 0.0)
    if flown is None:
        points = read_waypoints(waypoints) if waypoints else None
        start = (points[0].latitude_deg, points[0].longitude_deg) if points else nowhere
        return plan_flight(wished(**wishes), points), start
    track, before = read_flown(flown)
    if "metered" in wishes:
        before.pop("metered_from", None)
    if "speed_m_s" in wishes:
        before.pop("clip_s")
    if course is not None and "height_m" not in wishes:
        raise UsageError("--course needs --height: photos do not tell how high above take-off they began")
    if (course is not None or "start" in wishes) and "place" not in wishes:
        wishes["place"] = flown_place(flown, card)
    return plan_flight(wished(**{**before, **wishes}), flown=track), wishes.get("place", nowhere)


def _run_card(
    card: Path,
    out: Path,
    configured: Configured,
    sequence: str | None,
    workers: int | None,
    executor: str | None = None,
) -> list[Outcome]:
    from pipeline import run as job
    from pipeline.console.terminal import Terminal

    with Terminal() as progress:
        return job.run_card(
            card, out, configured, sequence=sequence, progress=progress, workers=workers, executor=executor
        )


def _finish(outcomes: list[Outcome], json: bool, strict: bool = False) -> None:
    from pipeline.console.outcomes import outcome_facts, print_outcomes
    from pipeline.console.terminal import print_json

    if json:
        print_json({"outcomes": outcome_facts(outcomes)})
    else:
        print_outcomes(outcomes)
    if any(outcome.left_out for outcome in outcomes):
        raise typer.Exit(1 if strict else 3)


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGTERM, _terminate)
    app()
