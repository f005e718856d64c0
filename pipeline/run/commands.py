"""The work of each command: all sequences of a card, one stage again, or another grade."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from shutil import disk_usage
from typing import Any

from pipeline.card.scan import scan_card
from pipeline.cluster import workplace
from pipeline.colour.cdl import CDL_FORMS, cdl_text
from pipeline.errors import EvenflightError, UsageError
from pipeline.parallel import default_workers
from pipeline.render.delivery import Delivery, load_deliveries
from pipeline.render.grades import load_grade, load_grading
from pipeline.report.html import write_page
from pipeline.report.schema import STAGES, read_report, write_text
from pipeline.run.diagnosing import write_diagnosis
from pipeline.run.job import LEAST_PHOTOS, run_sequence
from pipeline.run.outputs import Folder, card_of, locked, read_corrections
from pipeline.run.proofs import compare_grades, write_preview
from pipeline.run.rendering import refuse_enlarging, render
from pipeline.run.workshop import Outcome, Progress, Workshop
from pipeline.sequence import Sequence
from pipeline.settings import Configured, nearest

__all__ = ["Outcome", "Progress", "expectation", "regrade", "run_card", "run_stage"]


def expectation(
    sequences: list[Sequence], deliveries: list[Delivery], workers: int | None = None
) -> tuple[float, float]:
    """Return the minutes and bytes that a run over `sequences` is expected to take.

    Fitted to runs of 48 photos of 2 Mpx and of 24 and 72 of 12 Mpx, half of them compressed, on two cores:
    the time of one core for a photo, and the bytes of thumbnails, measurements, video and page.
    """
    cores = workers or default_workers()
    seconds, size = 0.0, 0.0
    for sequence in sequences:
        megapixels = sequence.width * sequence.height / 1e6
        photos = len(sequence.photos)
        seconds += 3.0 + photos * (0.45 + 0.03 * megapixels) / cores
        # A video is no larger than the part of the photo that is left of its shape.
        videos = sum(one.bytes_per_px * min(0.6e6 * megapixels, one.width * one.height) for one in deliveries)
        size += 6e6 + photos * 0.15e6 + len(sequence.frames) * videos
    return seconds / 60.0, size


def run_card(
    card: Path,
    out: Path,
    configured: Configured,
    *,
    sequence: str | None,
    progress: Progress,
    workers: int | None = None,
    executor: str | None = None,
) -> list[Outcome]:
    """Make the video and reports of every sequence on `card`, or of the one called `sequence`.

    A sequence that fails costs itself alone: its outcome has no video. Raises UsageError where the
    card, a name or a setting is wrong, EvenflightError where no sequence could be done.
    """
    refuse_on_card(out, card)
    deliveries = [delivery for _, delivery in load_deliveries(configured.settings.encode.delivery)]
    load_grading(configured.settings.encode)
    contents = scan_card(card, configured.settings.load)
    chosen = choose(contents.sequences, contents.singles, sequence, card)
    refuse_enlarging(chosen, configured)
    minutes, size = expectation(chosen, deliveries, workers)
    progress.say(
        f"{len(chosen)} sequence{'s' if len(chosen) != 1 else ''}, "
        f"{sum(len(s.photos) for s in chosen)} photos: about {minutes:.1f} minutes and {size / 1e6:.0f} MB"
    )
    _refuse_full_disk(out, chosen, size)
    outcomes = []
    if executor is not None:
        card, out = card.resolve(), out.resolve()  # other machines stand in other folders
    with ExitStack() as held, workplace(executor, workers) as (pool, count):
        for one in chosen:  # all at once, so that of two runs the second stops before it has begun
            held.enter_context(locked(Folder(out / one.id)))
        shop = Workshop(card, configured, pool, count, progress)
        for one in chosen:
            folder = Folder(out / one.id)
            try:
                outcomes.append(run_sequence(one, folder, shop, STAGES))
            except UsageError:
                raise
            except EvenflightError as error:
                outcomes.append(Outcome(one.id, folder.path, left_out=[(one.id, str(error))]))
    if not any(outcome.videos for outcome in outcomes):
        raise EvenflightError("; ".join(why for outcome in outcomes for _, why in outcome.left_out))
    named = {file for outcome in outcomes for file, _ in outcome.left_out}
    outcomes[0].left_out += [
        (aside.file, aside.why) for aside in contents.left_aside if aside.trouble and aside.file not in named
    ]
    return outcomes


def refuse_on_card(out: Path, card: Path) -> None:
    """Raise UsageError where the output folder lies on the card."""
    inside, whole = out.resolve(), card.resolve()
    if inside == whole or whole in inside.parents:
        raise UsageError(
            f"the output folder {out} lies on the card {card}, which is only read; choose a folder elsewhere"
        )


def _refuse_full_disk(out: Path, sequences: list[Sequence], size: float) -> None:
    """Raise EvenflightError where the disk has less room than the results still to be made will take."""
    there = next(place for place in (out, *out.resolve().parents) if place.is_dir())
    room = disk_usage(there).free
    made = sum(
        path.stat().st_size
        for one in sequences
        for path in (out / one.id).rglob("*")
        if path.is_file() and not path.is_symlink()
    )
    if room < size - made:
        raise EvenflightError(
            f"the results take about {(size - made) / 1e6:.0f} MB more, and the disk of {out} has "
            f"{room / 1e6:.0f} MB free: make room, choose another folder, or one flight with --sequence"
        )


def choose(
    sequences: list[Sequence], singles: list[Sequence], wanted: str | None, card: Path
) -> list[Sequence]:
    if wanted is None:
        if not sequences:
            raise EvenflightError(
                f"no sequence of 10 photos or more in {card}: `evenflight list` shows what is there, "
                f"and --sequence takes one of {LEAST_PHOTOS} or more"
            )
        return sequences
    named = {one.id: one for one in sequences + singles}
    if wanted not in named:
        raise UsageError(f"no sequence '{wanted}' in {card}{nearest(wanted, named)}")
    if len(named[wanted].photos) < LEAST_PHOTOS:
        raise UsageError(
            f"the sequence {wanted} has {len(named[wanted].photos)} photos, and a video needs {LEAST_PHOTOS}"
        )
    return [named[wanted]]


def run_stage(
    folder: Path,
    name: str,
    configured: Configured,
    *,
    card: Path | None,
    progress: Progress,
    workers: int | None = None,
    executor: str | None = None,
) -> Outcome:
    """Do one stage of a finished sequence again, with the settings it had and those set now.

    A solving stage renews the corrections; `encode` renders them. Raises UsageError for an unknown
    stage or a folder without results.
    """
    wanted = tuple(stage for stage in STAGES if stage == name)
    if not wanted:
        raise UsageError(f"unknown stage '{name}'{nearest(name, STAGES)}")
    place = Folder(folder)
    photos = card or card_of(place)  # also tells whether the folder holds results
    settled = settings_now(place, configured)
    sequence = _sequence_of(place, photos, settled)
    if executor is not None:
        place, photos = Folder(folder.resolve()), photos.resolve()
    with locked(place), workplace(executor, workers) as (pool, count):
        return run_sequence(sequence, place, Workshop(photos, settled, pool, count, progress), wanted)


def regrade(
    folder: Path,
    configured: Configured,
    *,
    card: Path | None,
    progress: Progress,
    workers: int | None = None,
    executor: str | None = None,
) -> Outcome:
    """Render a finished sequence again from its corrections, without measuring or solving."""
    place = Folder(folder)
    corrections = read_corrections(place.corrections)
    photos = card or card_of(place)
    outcome = Outcome(corrections.id, folder)
    if executor is not None:
        place, photos = Folder(folder.resolve()), photos.resolve()
    with locked(place), workplace(executor, workers) as (pool, count):
        shop = Workshop(photos, settings_now(place, configured), pool, count, progress)
        render(corrections, place, shop, outcome)
    write_diagnosis(place, settings_now(place, configured).settings)
    write_page(folder)
    return outcome


def proof(
    folder: Path,
    configured: Configured,
    *,
    card: Path | None,
    progress: Progress,
    compare: str | None = None,
    frames: int = 10,
    workers: int | None = None,
) -> Path:
    """Write a contact sheet of the grades `compare`, or else a quick preview, and return its path."""
    place = Folder(folder)
    corrections = read_corrections(place.corrections)
    photos = card_of(place) if compare is not None and card is None else card or folder
    with workplace(None, workers) as (pool, count):
        shop = Workshop(photos, settings_now(place, configured), pool, count, progress)
        if compare is not None:
            return compare_grades(corrections, place, shop, compare, frames)
        return write_preview(corrections, place, shop)


def write_cdl(folder: Path, configured: Configured, path: Path) -> Path:
    """Write the CDL of the grade that a sequence is rendered with, and return the path.

    Exposure, temperature, contrast, table and shoulder are no part of a CDL and are not in it. Raises
    UsageError for a name that does not end in .cc, .ccc or .cdl.
    """
    settings = settings_now(Folder(folder), configured).settings.encode
    form = path.suffix.lower().removeprefix(".")
    if form not in CDL_FORMS:
        raise UsageError(f"{path.name} is no name of a CDL file: it ends in .cc, .ccc or .cdl")
    text = cdl_text(load_grade(settings.grade).cdl, Path(settings.grade).stem, CDL_FORMS[form])
    write_text(path, text)
    return path


def settings_now(folder: Folder, configured: Configured) -> Configured:
    """Return the settings that made `folder`, overlaid with those set now."""
    merged: dict[str, dict[str, Any]] = {}
    origins: dict[str, str] = {}
    for stage in STAGES:
        if folder.report(stage).is_file():
            for name, told in read_report(folder.report(stage)).settings.items():
                section, _, key = name.partition(".")
                merged.setdefault(section, {})[key] = told.value
                origins[name] = told.origin
    values = configured.settings.model_dump(mode="json")
    for name, origin in configured.origins.items():
        if origin != "default.toml" or name not in origins:
            section, _, key = name.partition(".")
            merged.setdefault(section, {})[key] = values[section][key]
            origins[name] = origin
    return Configured(settings=type(configured.settings).model_validate(merged), origins=origins)


def _sequence_of(folder: Folder, card: Path, configured: Configured) -> Sequence:
    """Return the sequence of a folder as it was measured, or as found on the card again."""
    try:
        return Sequence.model_validate_json(folder.sequence.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        contents = scan_card(card, configured.settings.load)
        wanted = read_corrections(folder.corrections).id
        return choose(contents.sequences, contents.singles, wanted, card)[0]
