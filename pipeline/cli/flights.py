"""The commands for flown flights: list, run, regrade, stage, diagnose, demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.common import (
    CardArgument,
    ConfigOption,
    ExecutorOption,
    FlightArgument,
    JsonOption,
    MovedOption,
    OutOption,
    SequenceOption,
    SetOption,
    WorkersOption,
    app,
    configured_by,
    plain_errors,
)

if TYPE_CHECKING:
    from pipeline.run.workshop import Outcome
    from pipeline.settings import Configured


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

    contents = scan_card(card, configured_by(config, set_).settings.load)
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
    configured = configured_by(config, set_)
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

    from pipeline.console.outcomes import print_file
    from pipeline.console.terminal import Terminal
    from pipeline.run import commands as job

    # A grade that is named holds for the whole video, whatever points an earlier render had.
    whole = [] if grade is None else ["encode.grade_points=[]"]
    chosen = [] if grade is None else [f"encode.grade={dumps(grade)}"]
    configured = configured_by(config, [*whole, *(set_ or []), *chosen])
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
    from pipeline.console.terminal import Terminal
    from pipeline.run import commands as job

    configured = configured_by(config, set_)
    with Terminal() as progress:
        outcome = job.run_stage(
            folder, name, configured, card=card, progress=progress, workers=workers, executor=executor
        )
    _finish([outcome], json)


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
        typer.Option("--to", metavar="DIR", help="Folder for the two pictures of --frame (OUT/ID, or here)."),
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

    configured = configured_by(config, set_)
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

    configured = configured_by(config, set_)
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


def _run_card(
    card: Path,
    out: Path,
    configured: Configured,
    sequence: str | None,
    workers: int | None,
    executor: str | None = None,
) -> list[Outcome]:
    from pipeline.console.terminal import Terminal
    from pipeline.run import commands as job

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
