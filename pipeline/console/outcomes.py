"""What a job prints at its end: videos, warnings, photos left out, and the demo's checks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.console.terminal import print_json, say

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.demo.check import Check
    from pipeline.run.workshop import Outcome


def outcome_facts(outcomes: list[Outcome]) -> list[dict[str, Any]]:
    """Return what came of a job, in the types of JSON."""
    return [
        {
            "id": outcome.id,
            "folder": str(outcome.folder),
            "videos": [str(video) for video in outcome.videos],
            "left_out": [{"file": file, "why": why} for file, why in outcome.left_out],
            "warnings": outcome.warnings,
            "seconds": outcome.seconds,
        }
        for outcome in outcomes
    ]


def print_file(path: Path, json: bool) -> None:
    """Print the one file that a command has written."""
    if json:
        print_json({"file": str(path)})
    else:
        say(Console(), str(path))


def print_outcomes(outcomes: list[Outcome]) -> None:
    """Print the videos, then the warnings, and at the end the photos that were left out."""
    console = Console()
    for outcome in outcomes:
        for video in outcome.videos:
            say(console, str(video))
    for outcome in outcomes:
        for warning in outcome.warnings:
            say(console, f"{outcome.id}: {warning}")
    for outcome in outcomes:
        for file, why in outcome.left_out:
            say(console, f"{outcome.id}: left out {file}: {why}")


def print_checks(checks: list[Check]) -> None:
    """Print what the demo found and left against its truth."""
    table = Table(title="The demo against its truth", box=SIMPLE_HEAD)
    for heading in ("flight", "what", "truth", "seen", ""):
        table.add_column(heading, overflow="fold", no_wrap=heading not in ("truth", "seen"))
    for check in checks:
        row = (check.flight, check.what, check.truth, check.seen, "ok" if check.ok else "WRONG")
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)
