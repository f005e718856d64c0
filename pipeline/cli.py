"""The commands: parse, call, print. What a command does not use it does not import."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from pipeline.job import Outcome
    from pipeline.settings import Configured

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
MovedOption = Annotated[
    Path | None, typer.Option("--card", metavar="CARD", help="Where the photographs are now, if they moved.")
]


@contextmanager
def plain_errors() -> Iterator[None]:
    """Turn errors that a user can meet into one sentence on stderr and an exit status."""
    from pipeline.errors import EvenflightError, UsageError

    try:
        yield
    except EvenflightError as error:
        typer.echo(f"evenflight: {error}", err=True)
        raise typer.Exit(2 if isinstance(error, UsageError) else 1) from None
    except KeyboardInterrupt:
        typer.echo("evenflight: interrupted; the same command goes on from the finished parts", err=True)
        raise typer.Exit(130) from None


@app.command("list")
@plain_errors()
def list_card(
    card: CardArgument, config: ConfigOption = None, set_: SetOption = None, json: JsonOption = False
) -> None:
    """Show the sequences on a card: photos, interval, length, gaps and trouble."""
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
) -> None:
    """Make a video of every sequence on a card, with reports; a rerun repeats only what changed."""
    configured = _configured(config, set_)
    _finish(_run_card(card, out, configured, sequence, workers), json)


@app.command()
@plain_errors()
def regrade(
    folder: FlightArgument,
    grade: Annotated[str, typer.Option("--grade", metavar="NAME|FILE", help="Name of a grade, or its file.")],
    card: MovedOption = None,
    config: ConfigOption = None,
    set_: SetOption = None,
    json: JsonOption = False,
    workers: WorkersOption = None,
) -> None:
    """Render a sequence again with another grade, from its corrections, without measuring."""
    from json import dumps

    from pipeline import run as job
    from pipeline.console.terminal import Terminal

    configured = _configured(config, [*(set_ or []), f"encode.grade={dumps(grade)}"])
    with Terminal() as progress:
        outcome = job.regrade(folder, configured, card=card, progress=progress, workers=workers)
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
) -> None:
    """Do one stage of a sequence again, with other settings."""
    from pipeline import run as job
    from pipeline.console.terminal import Terminal

    configured = _configured(config, set_)
    with Terminal() as progress:
        outcome = job.run_stage(folder, name, configured, card=card, progress=progress, workers=workers)
    _finish([outcome], json)


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


def _configured(config: str | None, assignments: list[str] | None) -> Configured:
    from pipeline.settings import load_settings

    return load_settings(config, assignments or [])


def _run_card(
    card: Path, out: Path, configured: Configured, sequence: str | None, workers: int | None
) -> list[Outcome]:
    from pipeline import run as job
    from pipeline.console.terminal import Terminal

    with Terminal() as progress:
        return job.run_card(card, out, configured, sequence=sequence, progress=progress, workers=workers)


def _finish(outcomes: list[Outcome], json: bool) -> None:
    from pipeline.console.outcomes import outcome_facts, print_outcomes
    from pipeline.console.terminal import print_json

    if json:
        print_json({"outcomes": outcome_facts(outcomes)})
    else:
        print_outcomes(outcomes)
    if any(outcome.left_out for outcome in outcomes):
        raise typer.Exit(3)


def main() -> None:
    """Run the command line."""
    app()
