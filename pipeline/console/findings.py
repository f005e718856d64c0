"""What `evenflight diagnose` prints: the verdict, a table of findings, and what would help."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.console.terminal import say, spans
from pipeline.report.pages import amount

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.report.diagnose import Diagnosis
    from pipeline.report.findings.finding import Finding

_MOST_SPANS = 24


def diagnosis_facts(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis in the types of JSON, as `diagnosis.json` holds it."""
    return diagnosis.model_dump(mode="json", by_alias=True)


def print_diagnosis(diagnosis: Diagnosis, page: Path | None, *, rendered: bool) -> None:
    """Print the verdict, the findings and their remedies; `page` is the report, if there is one."""
    console = Console()
    say(console, f"{diagnosis.id}")
    say(console, diagnosis.verdict)
    if diagnosis.findings:
        console.print(_table(diagnosis.findings, rendered))
        for number, finding in enumerate(diagnosis.findings, 1):
            say(console, f"{number}. {finding.seen}: {finding.why}.")
            held = f"{amount(finding.measured, finding.unit)}, the limit is {finding.limit:.3g}"
            say(console, f"   measured: {held}")
            for where, remedy in (("in the air", finding.remedy.air), ("at the desk", finding.remedy.desk)):
                if remedy is not None:
                    say(console, f"   {where}: {remedy}")
    for absent in diagnosis.not_measured:
        say(console, f"Not measured: {absent}")
    if any(finding.remedy.air for finding in diagnosis.findings):
        say(console, f"Caution: {diagnosis.caution}")
    if page is not None:
        say(console, f"Plots and pictures: {page}")


def _table(findings: list[Finding], rendered: bool) -> Table:
    table = Table(box=SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    for heading in ("", "cause", "frames", "seconds", "measured", "limit", "left", "severity"):
        right = heading in ("", "measured", "limit", "left")
        whole = heading in ("cause", "seconds", "limit", "left")
        table.add_column(heading, justify="right" if right else "left", overflow="fold", no_wrap=whole)
    for number, finding in enumerate(findings, 1):
        frames = spans(finding.frames)
        if len(frames) > _MOST_SPANS:
            frames = f"{frames[:_MOST_SPANS].rsplit(',', 1)[0]} … ({len(finding.frames)})"
        mended = ("mended" if rendered else "run mends it") if finding.mended else finding.severity
        row = (
            str(number),
            finding.cause,
            frames or "-",
            f"{finding.seconds[0]:.2f}-{finding.seconds[1]:.2f}",
            f"{finding.measured:.3g}",
            f"{finding.limit:.3g}",
            "-" if finding.left is None else f"{finding.left:.3g}",
            mended,
        )
        table.add_row(*(Text(cell) for cell in row))
    return table


def print_frame(facts: dict[str, Any], pictures: dict[str, Path]) -> None:
    """Print everything known of one frame, and where its pictures were written."""
    console = Console()
    say(console, str(facts["label"]))
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("", "what", "value"):
        table.add_column(heading, overflow="fold")
    for section, values in facts.items():
        if not isinstance(values, dict):
            continue
        for place, (key, value) in enumerate(values.items()):
            table.add_row(Text(section if place == 0 else ""), Text(key), Text(_short(value)))
    console.print(table)
    say(console, f"Findings: {', '.join(facts['findings']) or 'none'}")
    for name, path in pictures.items():
        say(console, f"{name}: {path}")


def _short(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list | tuple):
        return ", ".join(_short(item) for item in value)
    return "-" if value is None else str(value)
