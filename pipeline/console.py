"""What the commands print: tables and facts on stdout; progress, remarks and errors on stderr."""

from __future__ import annotations

import json
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.card import CardContents
    from pipeline.demo.check import Check
    from pipeline.run import Outcome
    from pipeline.sequence import Sequence


class Terminal:
    """Progress of a job on stderr (`pipeline.run.Progress`): one bar for each sequence and step."""

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
        self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bars.stop()

    def begin(self, id: str, step: str, total: int) -> None:
        """Show a new bar for `step` of the sequence `id`, which counts to `total`."""
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
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)


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
    """Print the sequences of a card as a table, then what was left aside for a trouble."""
    table = Table(title="Sequences on this card")
    for heading in ("id", "photos", "interval s", "s at 25 fps", "s at 30 fps", "gaps", "trouble"):
        number = heading not in ("id", "gaps", "trouble")
        table.add_column(heading, justify="right" if number else "left", overflow="fold")
    for sequence in contents.sequences:
        facts = sequence_facts(sequence)
        trouble = [f"{item['file']}: {item['why']}" for item in facts["trouble"]]
        table.add_row(
            facts["id"],
            str(facts["photos"]),
            f"{facts['interval_s']:.2f}",
            f"{facts['seconds_at_25']:.1f}",
            f"{facts['seconds_at_30']:.1f}",
            spans(facts["gaps"]) or "-",
            _literal("\n".join([*trouble, *facts["warnings"]]) or "-"),
        )
    console = Console()
    console.print(table)
    if contents.singles:
        ids = ", ".join(f"{s.id} ({len(s.photos)})" for s in contents.singles)
        console.print(f"Single photos, too few for a sequence: {ids}", markup=False, highlight=False)
    for aside in contents.left_aside:
        if aside.trouble:
            console.print(f"Left aside: {aside.file}: {aside.why}", markup=False, highlight=False)


def spans(numbers: Iterable[int]) -> str:
    """Return whole numbers in ascending order as short text: 3, 5-7."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


def expectation_text(sequences: list[Sequence], minutes: float, size_bytes: float) -> str:
    """Return the sentence that is said before a job starts."""
    photos = sum(len(sequence.photos) for sequence in sequences)
    flights = "1 sequence" if len(sequences) == 1 else f"{len(sequences)} sequences"
    time = "less than a minute" if minutes < 1 else f"about {minutes:.0f} min"
    return f"{flights}, {photos} photos: expect {time} and {size_bytes / 1e9:.2f} GB in the output folder."


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
            console.print(str(video), markup=False, highlight=False, soft_wrap=True)
    for outcome in outcomes:
        for warning in outcome.warnings:
            console.print(f"{outcome.id}: {warning}", markup=False, highlight=False, soft_wrap=True)
    for outcome in outcomes:
        for file, why in outcome.left_out:
            line = f"{outcome.id}: left out {file}: {why}"
            console.print(line, markup=False, highlight=False, soft_wrap=True)


def print_checks(checks: list[Check]) -> None:
    """Print what the demo found and left against its truth."""
    table = Table(title="The demo against its truth")
    for heading in ("flight", "what", "truth", "seen", ""):
        table.add_column(heading, overflow="fold")
    for check in checks:
        table.add_row(
            check.id, check.what, _literal(check.truth), _literal(check.seen), "ok" if check.ok else "WRONG"
        )
    Console().print(table)


def _literal(text: str) -> str:
    from rich.markup import escape

    return escape(text)
