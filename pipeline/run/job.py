"""One sequence on its way through the stages, each skipped where nothing it rests on has changed."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

from pipeline.cluster import near
from pipeline.errors import EvenflightError
from pipeline.fingerprint import fingerprint, photos_fingerprint
from pipeline.measure import store
from pipeline.measure.highpass import FILTER_VERSION
from pipeline.measure.hot import HotTally
from pipeline.measure.look import Look, PairFigures, look_and_compare
from pipeline.measure.pairs import BASELINES
from pipeline.measure.store import Measurements
from pipeline.measure.turning import shown_frames
from pipeline.memory import give_back
from pipeline.parallel import single_threaded
from pipeline.render.timing import photos_per_second
from pipeline.report.html import write_page
from pipeline.report.schema import Stage, write_report, write_text
from pipeline.run.diagnosing import write_diagnosis
from pipeline.run.outputs import (
    Folder,
    finished,
    read_corrections,
    relative_card,
)
from pipeline.run.rendering import looked_at_thumbnails, render
from pipeline.run.solution import Solution, told_lens, view_of
from pipeline.run.workshop import SOLVE_VERSION, Outcome, Workshop
from pipeline.sequence import Sequence
from pipeline.stages.load import load
from pipeline.stages.posing import PosesBegun
from pipeline.stages.result import StageResult
from pipeline.stages.thumbnails import Thumbnails

LEAST_PHOTOS = 3
SOLVING: tuple[Stage, ...] = ("balance", "deflicker", "stabilise")


def run_sequence(sequence: Sequence, folder: Folder, shop: Workshop, stages: tuple[Stage, ...]) -> Outcome:
    """Do `stages` of one sequence in order and write its page.

    Raises EvenflightError where too few photos can be opened or the video cannot be made.
    """
    # The solves, too: from stored measurements they must come out as just after measuring, to the bit.
    single_threaded()
    outcome = Outcome(sequence.id, folder.path)
    folder.thumbnails.mkdir(parents=True, exist_ok=True)
    sequence, thumbnails = _measured_and_solved(sequence, folder, shop, stages, outcome)
    if "encode" in stages:
        give_back()
        render(read_corrections(folder.corrections), folder, shop, outcome, thumbnails)
    outcome.left_out += [(str(f.file), str(f.why)) for f in sequence.frames if f.state == "torn"]
    outcome.left_out += [(aside.file, aside.why) for aside in sequence.left_aside if aside.trouble]
    write_diagnosis(folder, shop.configured.settings)
    write_page(folder.path)
    return outcome


def _measured_and_solved(
    sequence: Sequence, folder: Folder, shop: Workshop, stages: tuple[Stage, ...], outcome: Outcome
) -> tuple[Sequence, Thumbnails | None]:
    """Do the stages before the render and return the sequence as the opened photos told it.

    Its thumbnails, too, where there is to be a video: a worker looks at them while the main thread solves,
    and another stores the measurements. These, some 0.2 MB a frame, are let go of before the render takes
    its memory.
    """
    mark = fingerprint(photos_fingerprint(sequence), store.MEASUREMENTS_VERSION)
    measured, begun, stored = store.load(folder.measurements, mark), None, None
    if measured is None:
        started = time.monotonic()
        measured, begun = take_measurements(sequence, folder.thumbnails, shop)
        outcome.seconds["measure"] = time.monotonic() - started
        stored = near(shop.executor).submit(store.save, folder.measurements, measured, mark)
    sequence = amended(sequence, measured)
    thumbnails = looked_at_thumbnails(folder, shown_frames(sequence), shop) if "encode" in stages else None
    write_text(folder.sequence, sequence.model_dump_json())
    if "load" in stages:
        _reported("load", fingerprint(mark, "load"), lambda: load(sequence), folder, shop, outcome)
    if set(SOLVING) & set(stages):
        _solve(sequence, measured, begun, mark, folder, shop, outcome)
    if stored is not None:
        stored.result()
    return sequence, thumbnails


def amended(sequence: Sequence, measured: Measurements) -> Sequence:
    """Return the sequence with what only opening the photos could tell.

    Frames that could not be opened, or whose picture has another size than most, become torn; the size
    and the neutrals are those of the opened photos. Raises EvenflightError where too few are left.
    """
    figures = {f.frame: f for f in measured.frames}
    sizes = Counter((f.width, f.height) for f in figures.values())
    width, height = sizes.most_common(1)[0][0] if sizes else (sequence.width, sequence.height)
    frames = []
    for frame in sequence.frames:
        seen = figures.get(frame.frame)
        if frame.frame in measured.trouble:
            frame = frame.model_copy(update={"state": "torn", "why": measured.trouble[frame.frame]})
        elif seen is not None and (seen.width, seen.height) != (width, height):
            why = f"{frame.file} is {seen.width}×{seen.height} px, the others {width}×{height}: left out"
            frame = frame.model_copy(update={"state": "torn", "why": why})
        elif seen is not None and frame.as_shot_neutral is None:
            frame = frame.model_copy(update={"as_shot_neutral": seen.as_shot_neutral})
        frames.append(frame)
    changed = sequence.model_copy(update={"frames": tuple(frames), "width": width, "height": height})
    if len(changed.photos) < LEAST_PHOTOS:
        raise EvenflightError(
            f"{sequence.id} has {len(changed.photos)} photos that can be opened, and a video needs "
            f"{LEAST_PHOTOS}: copy the card again"
        )
    return changed


def take_measurements(
    sequence: Sequence, thumbnails: Path, shop: Workshop, baselines: tuple[int, ...] = BASELINES
) -> tuple[Measurements, PosesBegun]:
    """Look at each photo once, compare those `baselines` apart, write small pictures to `thumbnails`.

    As soon as a pair is measured a worker begins to look for its poses.
    """
    begun = PosesBegun(sequence, told_lens(sequence, shop), near(shop.executor))
    shop.progress.begin(sequence.id, "measure", len(sequence.photos))
    looks: list[Look] = []
    hot = HotTally()
    pairs: list[PairFigures] = []
    for seen in look_and_compare(
        sequence, shop.card, thumbnails, shop.executor, shop.workers, shop.progress.advance, baselines
    ):
        if isinstance(seen, Look):
            looks.append(seen)
            if seen.standing_out is not None:
                hot.add(seen.standing_out)
        elif seen is not None:
            pairs.append(seen)
            begun.begin(seen)
    shop.progress.end()
    figures = [look.figures for look in looks if look.figures is not None]
    photosites = max((f.width * f.height for f in figures), default=0)
    measured = Measurements(
        figures,
        pairs,
        next((look.colour for look in looks if look.colour is not None), None),
        {look.frame: look.trouble for look in looks if look.trouble is not None},
        hot.hot(photosites),
    )
    return measured, begun


def _reported(
    stage: Stage,
    mark: str,
    solve: Callable[[], StageResult],
    folder: Folder,
    shop: Workshop,
    outcome: Outcome,
) -> None:
    """Write the report of a stage, unless one made from the same is there."""
    before = finished(folder, stage, mark)
    if before is not None:
        outcome.warnings += before.warnings
        return
    started = time.monotonic()
    result = solve()
    seconds = time.monotonic() - started
    settings = shop.configured.effective(stage)
    write_report(folder.report(stage), stage, result, seconds=seconds, fingerprint=mark, settings=settings)
    outcome.seconds[stage] = seconds
    outcome.warnings += result.warnings


def _solve(
    sequence: Sequence,
    measured: Measurements,
    begun: PosesBegun | None,
    mark: str,
    folder: Folder,
    shop: Workshop,
    outcome: Outcome,
) -> None:
    """Do the three solving stages and write the corrections, unless all are unchanged."""
    settings = shop.configured.settings
    view = view_of(sequence, settings)
    rate = photos_per_second(len(sequence.frames), settings.encode)
    common = (mark, SOLVE_VERSION, FILTER_VERSION, rate, settings.deflicker)
    marks: dict[Stage, str] = {
        "balance": fingerprint(common, settings.balance),
        "deflicker": fingerprint(common, "deflicker"),
        "stabilise": fingerprint(common, settings.stabilise, view),
    }
    reports = [finished(folder, stage, mark) for stage, mark in marks.items()]
    if folder.corrections.is_file() and all(reports):
        outcome.warnings += [warning for report in reports if report for warning in report.warnings]
        return
    shop.progress.begin(sequence.id, "solve", 4)
    solution = Solution(sequence, measured, shop, view, rate, begun)
    shop.progress.advance()
    for stage, stage_mark in marks.items():
        _reported(stage, stage_mark, partial(solution.result, stage), folder, shop, outcome)
        shop.progress.advance()
    shop.progress.end()
    corrections = solution.corrections(relative_card(shop.card, folder))
    write_text(folder.corrections, corrections.model_dump_json(indent=1, by_alias=True) + "\n")
