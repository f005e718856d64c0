"""What `evenflight list` prints about a card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from pipeline.console.terminal import say, spans

if TYPE_CHECKING:
    from pipeline.card.checksums import Verdict
    from pipeline.card.scan import CardContents
    from pipeline.sequence import Sequence


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
            say(console, f"{sequence.id}: {line}")
    if contents.singles:
        ids = ", ".join(f"{s.id} ({len(s.photos)})" for s in contents.singles)
        say(console, f"Single photos and panoramas, taken only where --sequence names them: {ids}")
    for aside in contents.left_aside:
        if aside.trouble:
            say(console, f"Left aside: {aside.file}: {aside.why}")


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


def print_verdict(verdict: Verdict) -> None:
    """Print whether a copy of a card is whole, naming the files that are not as they were."""
    console = Console()
    for name in verdict.different:
        say(console, f"different: {name}")
    for name in verdict.absent:
        say(console, f"absent: {name}")
    say(
        console,
        f"{len(verdict.same)} files are the same, {len(verdict.different)} differ, "
        f"{len(verdict.absent)} are absent, {len(verdict.unlisted)} are not on the list: "
        + ("the copy is whole" if verdict.whole else "the copy is NOT whole; copy the card again"),
    )
