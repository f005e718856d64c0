"""What the commands print: tables and facts on stdout; progress, remarks and errors on stderr."""

from __future__ import annotations

import json
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.card.scan import CardContents
    from pipeline.demo.check import Check
    from pipeline.job import Outcome
    from pipeline.sequence import Sequence


class Terminal:
    """Progress of a job on stderr (`pipeline.job.Progress`): one bar for each sequence and step."""

    def __init__(self) -> None:
        self._console = Console(stderr=True)
        self._bars = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(elapsed_when_finished=True),
            console=self._console,
        )
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bars.live.is_started:
            self._bars.stop()

    def begin(self, id: str, step: str, total: int) -> None:
        """Show a new bar for `step` of the sequence `id`, which counts to `total`."""
        self._bars.start()
        self._task = self._bars.add_task(f"{id}  {step}", total=total)

    def advance(self, count: int = 1) -> None:
        """Move the bar on by `count`."""
        if self._task is not None:
            self._bars.advance(self._task, count)

    def end(self) -> None:
        """Finish the bar, however far it had counted."""
        if self._task is not None:
            total = self._bars.tasks[self._bars.task_ids.index(self._task)].total
            self._bars.update(self._task, completed=total)
            self._task = None

    def say(self, text: str) -> None:
        """Print a remark above the bars."""
        _say(self._console, text)


def print_json(facts: Any) -> None:
    """Print facts, and nothing else, on stdout."""
    print(json.dumps(facts, indent=1, sort_keys=True))


def card_facts(contents: CardContents) -> dict[str, Any]:
    """Return what `evenflight list` tells about a card, in the types of JSON."""
    return {
        "sequences": [sequence_facts(sequence) for sequence in contents.sequences],
        "singles": [sequence_facts(sequence) for sequence in contents.singles],
        "left_aside": [aside.model_dump(mode="json") for aside in contents.left_aside],
    }


def sequence_facts(sequence: Sequence) -> dict[str, Any]:
    """Return the facts of one sequence; `frames` counts its timeline, missing photos included."""
    frames = len(sequence.frames)
    return {
        "id": sequence.id,
        "kind": sequence.kind,
        "camera": sequence.camera,
        "width": sequence.width,
        "height": sequence.height,
        "started_at": sequence.started_at,
        "interval_s": sequence.interval_s,
        "photos": len(sequence.photos),
        "frames": frames,
        "seconds_at_25": round(frames / 25, 2),
        "seconds_at_30": round(frames / 30, 2),
        "gaps": [frame.frame for frame in sequence.frames if frame.state == "missing"],
        "trouble": [
            {"frame": frame.frame, "file": frame.file, "why": frame.why or frame.state}
            for frame in sequence.frames
            if frame.state in ("torn", "left-out")
        ],
        "warnings": list(sequence.warnings),
    }


def print_card(contents: CardContents) -> None:
    """Print the sequences of a card as a table, then their troubles and what else lies there."""
    console = Console()
    if contents.sequences:
        console.print(_card_table(contents.sequences))
    for sequence in contents.sequences:
        facts = sequence_facts(sequence)
        lines = [f"frame {item['frame']} ({item['file']}): {item['why']}" for item in facts["trouble"]]
        for line in (*lines, *facts["warnings"]):
            _say(console, f"{sequence.id}: {line}")
    if contents.singles:
        ids = ", ".join(f"{s.id} ({len(s.photos)})" for s in contents.singles)
        _say(console, f"Single photos, too few for a sequence: {ids}")
    for aside in contents.left_aside:
        if aside.trouble:
            _say(console, f"Left aside: {aside.file}: {aside.why}")


def _card_table(sequences: list[Sequence]) -> Table:
    table = Table(title="Sequences on this card", box=SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    table.add_column("id", no_wrap=True)
    for heading in ("photos", "every", "25 fps", "30 fps"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("gaps", overflow="fold")
    table.add_column("trouble", no_wrap=True)
    for sequence in sequences:
        facts = sequence_facts(sequence)
        table.add_row(
            facts["id"],
            str(facts["photos"]),
            f"{facts['interval_s']:.2f} s",
            f"{facts['seconds_at_25']:.1f} s",
            f"{facts['seconds_at_30']:.1f} s",
            spans(facts["gaps"]) or "-",
            str(len(facts["trouble"])) if facts["trouble"] else "-",
        )
    return table


def _say(console: Console, text: str) -> None:
    console.print(text, markup=False, highlight=False, soft_wrap=True)


def spans(numbers: Iterable[int]) -> str:
    """Return whole numbers in ascending order as short text: 3, 5-7."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


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


def print_outcomes(outcomes: list[Outcome]) -> None:
    """Print the videos, then the warnings, and at the end the photos that were left out."""
    console = Console()
    for outcome in outcomes:
        for video in outcome.videos:
            _say(console, str(video))
    for outcome in outcomes:
        for warning in outcome.warnings:
            _say(console, f"{outcome.id}: {warning}")
    for outcome in outcomes:
        for file, why in outcome.left_out:
            _say(console, f"{outcome.id}: left out {file}: {why}")


def print_checks(checks: list[Check]) -> None:
    """Print what the demo found and left against its truth."""
    table = Table(title="The demo against its truth", box=SIMPLE_HEAD)
    for heading in ("flight", "what", "truth", "seen", ""):
        table.add_column(heading, overflow="fold", no_wrap=heading not in ("truth", "seen"))
    for check in checks:
        row = (check.flight, check.what, check.truth, check.seen, "ok" if check.ok else "WRONG")
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)
