"""`evenflight diagnose`: of a finished sequence, or of photographs on their card."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.console.findings import diagnosis_facts, print_diagnosis, print_frame
from pipeline.console.terminal import Terminal, print_json, say

if TYPE_CHECKING:
    from pipeline.run.onsite import OnSite
    from pipeline.settings import Configured


def diagnose_folder_here(
    place: Path, configured: Configured, frame: int | None, to: Path | None, card: Path | None, json: bool
) -> None:
    """Print the diagnosis of a finished sequence, or everything known of one frame of it."""
    from pipeline.errors import UsageError
    from pipeline.report.diagnose import diagnose
    from pipeline.run.commands import settings_now
    from pipeline.run.diagnosing import evidence_of, frame_facts, frame_pictures
    from pipeline.run.outputs import Folder, card_of

    folder = Folder(place)
    settings = settings_now(folder, configured).settings
    evidence = evidence_of(folder, settings)
    diagnosis = diagnose(evidence)
    if frame is not None:
        facts = frame_facts(evidence, diagnosis, frame)
        if card is None:
            try:
                card = card_of(folder)
            except UsageError:
                card = None  # the photos are gone; the video may still be there
        pictures = frame_pictures(folder, evidence, frame, to or place, card, settings)
        _told(facts, pictures, json)
    elif json:
        print_json(diagnosis_facts(diagnosis))
    else:
        page = place / "report.html"
        print_diagnosis(diagnosis, page if page.is_file() else None, rendered=evidence.rendered)


def diagnose_card_here(
    card: Path,
    configured: Configured,
    sequence: str | None,
    frame: int | None,
    to: Path | None,
    json: bool,
    workers: int | None,
) -> bool:
    """Print the diagnoses of the sequences on a card; return whether one of them could not be diagnosed."""
    from rich.console import Console

    from pipeline.errors import UsageError
    from pipeline.run.onsite import diagnosed_card

    with (
        Terminal() as progress,
        diagnosed_card(card, configured, sequence=sequence, progress=progress, workers=workers) as (
            done,
            failed,
        ),
    ):
        if frame is not None:
            if len(done) != 1:
                named = ", ".join(one.diagnosis.id for one in done)
                raise UsageError(f"--frame needs one sequence: name it with --sequence, of {named}")
            _frame_on_site(card, done[0], configured, frame, to or Path(), json)
        elif json:
            told = [diagnosis_facts(one.diagnosis) for one in done]
            print_json(told[0] if len(told) == 1 else {"diagnoses": told})
        else:
            for one in done:
                print_diagnosis(one.diagnosis, None, rendered=False)
        for id, why in failed:
            say(Console(stderr=True), f"{id}: {why}")
        return bool(failed)


def _frame_on_site(card: Path, one: OnSite, configured: Configured, frame: int, to: Path, json: bool) -> None:
    from pipeline.run.commands import refuse_on_card
    from pipeline.run.diagnosing import frame_facts, frame_pictures

    facts = frame_facts(one.evidence, one.diagnosis, frame)
    refuse_on_card(to, card)
    pictures = frame_pictures(one.folder, one.evidence, frame, to, card, configured.settings, one.corrections)
    _told(facts, pictures, json)


def _told(facts: dict[str, Any], pictures: dict[str, Path], json: bool) -> None:
    if json:
        print_json({**facts, "pictures": {name: str(path) for name, path in pictures.items()}})
    else:
        print_frame(facts, pictures)
