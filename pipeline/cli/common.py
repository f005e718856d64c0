"""What all commands share: the application, common options, errors as one sentence."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
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
    int | None, typer.Option("--workers", min=1, metavar="N", help="Photos worked on at once (all cores).")
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


def terminate(number: int, frame: object) -> None:
    """End as after an interruption: a handler of SIGTERM."""
    raise _Terminated


def configured_by(config: str | None, assignments: list[str] | None) -> Configured:
    """Return the settings of `--config` and `--set`."""
    from pipeline.settings import load_settings

    return load_settings(config, assignments or [])
