"""One sequence on its way through the stages, each skipped where nothing it rests on has changed."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.colour.display import srgb_camera
from pipeline.colour.highlights import common_white
from pipeline.corrections import Corrections, FrameCorrection, LensDistortion
from pipeline.errors import EvenflightError
from pipeline.fingerprint import fingerprint, photos_fingerprint
from pipeline.geometry.framing import view_shape
from pipeline.measure import store
from pipeline.measure.grey import grey_neutral
from pipeline.measure.highpass import FILTER_VERSION
from pipeline.measure.hot import HotTally
from pipeline.measure.lighting import Ground, solve_lighting
from pipeline.measure.look import Look, PairFigures, look_and_compare
from pipeline.measure.pairs import BASELINES
from pipeline.measure.store import Measurements
from pipeline.measure.turning import shown_frames
from pipeline.parallel import single_threaded
from pipeline.photo.lens import sequence_lens
from pipeline.render.delivery import Delivery, load_deliveries
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
from pipeline.run.rendering import render, thumbnails_of
from pipeline.run.workshop import SOLVE_VERSION, Outcome, Workshop
from pipeline.sequence import Sequence
from pipeline.settings import Settings
from pipeline.stages.balance import Balanced, balance, usual_neutral
from pipeline.stages.deflicker import Deflickered, deflicker
from pipeline.stages.encode import output_size
from pipeline.stages.load import load
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, stabilise
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

    Its thumbnails, too, where there is to be a video: a worker looks at them while the main thread solves.
    The measurements, some 0.2 MB a frame, are let go of before the render takes its memory.
    """
    measured, mark = _measured(sequence, folder, shop, outcome)
    sequence = amended(sequence, measured)
    thumbnails = thumbnails_of(folder, shown_frames(sequence), shop) if "encode" in stages else None
    write_text(folder.sequence, sequence.model_dump_json())
    if "load" in stages:
        _reported("load", fingerprint(mark, "load"), lambda: load(sequence), folder, shop, outcome)
    if set(SOLVING) & set(stages):
        _solve(sequence, measured, mark, folder, shop, outcome)
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


def _measured(
    sequence: Sequence, folder: Folder, shop: Workshop, outcome: Outcome
) -> tuple[Measurements, str]:
    """Return the measurements of a sequence, stored or taken now, and what they were taken from."""
    mark = fingerprint(photos_fingerprint(sequence), store.MEASUREMENTS_VERSION)
    kept = store.load(folder.measurements, mark)
    if kept is not None:
        return kept, mark
    started = time.monotonic()
    measured = take_measurements(sequence, folder.thumbnails, shop)
    store.save(folder.measurements, measured, mark)
    outcome.seconds["measure"] = time.monotonic() - started
    return measured, mark


def take_measurements(
    sequence: Sequence, thumbnails: Path, shop: Workshop, baselines: tuple[int, ...] = BASELINES
) -> Measurements:
    """Look at each photo once, compare those `baselines` apart, write small pictures to `thumbnails`."""
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
    shop.progress.end()
    figures = [look.figures for look in looks if look.figures is not None]
    photosites = max((f.width * f.height for f in figures), default=0)
    return Measurements(
        figures,
        pairs,
        next((look.colour for look in looks if look.colour is not None), None),
        {look.frame: look.trouble for look in looks if look.trouble is not None},
        hot.hot(photosites),
    )


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
    sequence: Sequence, measured: Measurements, mark: str, folder: Folder, shop: Workshop, outcome: Outcome
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
    solution = Solution(sequence, measured, shop, view, rate)
    shop.progress.advance()
    for stage, stage_mark in marks.items():
        _reported(stage, stage_mark, partial(solution.result, stage), folder, shop, outcome)
        shop.progress.advance()
    shop.progress.end()
    corrections = solution.corrections(relative_card(shop.card, folder))
    write_text(folder.corrections, corrections.model_dump_json(indent=1, by_alias=True) + "\n")


@dataclass(frozen=True)
class View:
    """What the steady camera shows: its shape, and the delivery whose px the jitter is told in."""

    shape: tuple[int, int]
    anchor: tuple[float, float]
    delivery: Delivery


def view_of(sequence: Sequence, settings: Settings) -> View:
    """Return the view that holds every delivery the settings name, where the anchor places it."""
    deliveries = [delivery for _, delivery in load_deliveries(settings.encode.delivery)]
    anchor = settings.encode.anchor
    shapes = [(delivery.width, delivery.height) for delivery in deliveries]
    return View(view_shape(sequence.width, sequence.height, shapes, anchor), anchor, deliveries[0])


class Solution:
    """The solving stages over one sequence. Each solves once, when its result is first asked for."""

    def __init__(
        self, sequence: Sequence, measured: Measurements, shop: Workshop, view: View, fps: float
    ) -> None:
        self.sequence, self.view, self.shop, self.fps = sequence, view, shop, fps
        self.colour = measured.colour
        self.hot = measured.hot
        self.black_shift = {f.frame: f.black_shift for f in measured.frames}
        self.ground = _triple(np.median([figures.median for figures in measured.frames], axis=0))
        usable = {f.frame for f in sequence.photos}
        self.pairs = [p for p in measured.pairs if p.i in usable and p.j in usable]
        medians = {f.frame: f.median for f in measured.frames if f.frame in usable}
        period = shop.configured.settings.deflicker.keep_slower_than_s * fps
        ground = Ground(self.colour or srgb_camera(), usual_neutral(sequence, self.colour), self.ground)
        aspect = sequence.width / sequence.height
        solved = solve_lighting(len(sequence.frames), self.pairs, medians, ground, aspect, period)
        self.parts, self.light, self.held_out = solved.parts, solved.light, solved.held_out
        self.airlight = solved.airlight

    def result(self, stage: Stage) -> StageResult:
        """Return what a stage tells, solved now where it was not yet."""
        if stage == "balance":
            return self.balanced[1]
        return self.even[1] if stage == "deflicker" else self.steady[1]

    @cached_property
    def balanced(self) -> tuple[Balanced, StageResult]:
        """The stage balance."""
        settings = self.shop.configured.settings
        period = settings.deflicker.keep_slower_than_s * self.fps
        chosen, grey = settings.balance, None
        if chosen.mode == "grey":
            grey = grey_neutral(self.sequence, self.shop.card, chosen.grey_frame, chosen.grey_box)
        balanced, result = balance(
            self.sequence, self.colour, self.light, self.held_out, chosen, period, self.ground, grey
        )
        result.applied["hot_photosites"] = len(self.hot)
        result.applied |= self.airlight.told()
        for row in result.frames:
            row["black_shift"] = list(self.black_shift.get(row["frame"], (0.0, 0.0, 0.0)))
        return balanced, result

    @cached_property
    def even(self) -> tuple[Deflickered, StageResult]:
        """The stage deflicker."""
        settings = self.shop.configured.settings.deflicker
        even, result = deflicker(self.sequence, self.light, self.held_out, settings, self.fps, self.parts)
        result.applied |= self.airlight.told()
        return even, result

    @cached_property
    def steady(self) -> tuple[Stabilised, StageResult]:
        """The stage stabilise, for the shape of the view."""
        settings = self.shop.configured.settings
        least = 1.0 - settings.stabilise.max_crop
        width = output_size(self.sequence.width, self.sequence.height, least, self.view.delivery)[0]
        period = settings.deflicker.keep_slower_than_s * self.fps
        return stabilise(
            self.sequence, self.pairs, settings.stabilise, self.view.shape, width, period, self.lens
        )

    @cached_property
    def lens(self) -> LensDistortion | None:
        """How the first photo's lens distorts, None where untold or not to be corrected."""
        if not self.shop.configured.settings.stabilise.correct_lens:
            return None
        return sequence_lens(self.sequence, self.shop.card)

    def corrections(self, card: str) -> Corrections:
        """Return the parameters of all stages; a frame without a photo takes those of the one it shows."""
        balanced, even, steady = self.balanced[0], self.even[0], self.steady[0]
        frames = []
        for frame, source in zip(self.sequence.frames, shown_frames(self.sequence), strict=True):
            gain = even.gain_ev[source]
            frames.append(
                FrameCorrection(
                    frame=frame.frame,
                    file=frame.file,
                    shown=source,
                    shown_file=str(self.sequence.frames[source].file),
                    time_s=frame.time_s,
                    gain_ev=float(gain) if np.isfinite(gain) else 0.0,
                    channel_gain_ev=_triple(balanced.channel_gain_ev[source]),
                    neutral=_triple(balanced.neutral[source]),
                    black_shift=self.black_shift.get(source, (0.0, 0.0, 0.0)),
                    rotation_rad=_triple(steady.rotation_rad[frame.frame]),
                    similarity=None if steady.similarity is None else tuple(steady.similarity[frame.frame]),
                    shutter_s=self.sequence.frames[source].shutter_s,
                    grid_gain_ev=self.parts.gain_ev(source),
                    ground_speed=_known(steady.ground_speed, frame.frame),
                    ground_motion=_known(steady.ground_motion, frame.frame),
                )
            )
        ceilings = np.array([f.channel_gain_ev - np.log2(f.neutral) for f in frames]).min(axis=1)
        white = common_white(np.array([f.gain_ev + f.lowest_field_ev for f in frames]), ceilings, even.white)
        return Corrections(
            id=self.sequence.id,
            kind=self.sequence.kind,
            card=card,
            started_at=self.sequence.started_at,
            interval_s=self.sequence.interval_s,
            width=self.sequence.width,
            height=self.sequence.height,
            focal_px=steady.focal_px,
            shape=self.view.shape,
            anchor=self.view.anchor,
            crop_ratio=steady.crop_ratio,
            lens=self.lens,
            white=white,
            highlights=self.shop.configured.settings.balance.highlights,
            hot_photosites=self.hot.tolist(),
            vignette=self.light.vignette,
            frames=frames,
        )


def _known(values: Any, place: int) -> float | None:
    """Return the value of the interval that begins at a frame, None where it is not known or is the last."""
    return float(values[place]) if place < len(values) and np.isfinite(values[place]) else None


def _triple(values: Any) -> tuple[float, float, float]:
    a, b, c = (float(value) for value in values)
    return (a, b, c)
