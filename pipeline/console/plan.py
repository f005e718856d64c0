"""What `plan` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.console.terminal import say

if TYPE_CHECKING:
    from pipeline.planning.figures import Plan


def print_plan(plan: Plan) -> None:
    """Print the plan as a table, then what to mind and the cautions."""
    from pipeline.planning.remarks import CAUTIONS
    from pipeline.planning.told import lines

    console = Console()
    table = Table(box=SIMPLE_HEAD)
    for heading in ("", "what", "how much", "remark"):
        table.add_column(heading, overflow="fold")
    section = ""
    for line in lines(plan):
        table.add_row(
            Text("" if line.section == section else line.section),
            Text(line.what),
            Text(line.value),
            Text(line.note, style="dim"),
        )
        section = line.section
    console.print(table)
    for note in plan.notes:
        say(console, f"  {note}")
    for warning in plan.warnings:
        say(console, f"! {warning}")
    for caution in CAUTIONS:
        say(console, f"Caution: {caution}")
