"""Progress on stderr, facts on stdout, and the short forms of numbers."""

from __future__ import annotations

import json
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

if TYPE_CHECKING:
    from collections.abc import Iterable


class Terminal:
    """Progress of a job on stderr (`pipeline.run.workshop.Progress`): one bar for each sequence and step."""

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
        say(self._console, text)


def print_json(facts: Any) -> None:
    """Print facts, and nothing else, on stdout."""
    print(json.dumps(facts, indent=1, sort_keys=True))


def say(console: Console, text: str) -> None:
    """Print text as it is, markup and wrapping aside."""
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
