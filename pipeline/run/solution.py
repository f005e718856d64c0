"""The solving stages of one sequence, and the corrections that come of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from pipeline.colour.display import srgb_camera
from pipeline.colour.highlights import common_white
from pipeline.corrections import Corrections, FrameCorrection, LensDistortion
from pipeline.geometry.framing import view_shape
from pipeline.measure.grey import grey_neutral
from pipeline.measure.lighting import Ground, solve_lighting
from pipeline.measure.store import Measurements
from pipeline.measure.turning import shown_frames
from pipeline.photo.lens import sequence_lens
from pipeline.render.delivery import Delivery, load_deliveries
from pipeline.report.schema import Stage
from pipeline.run.workshop import Workshop
from pipeline.sequence import Sequence
from pipeline.settings import Settings
from pipeline.stages.balance import Balanced, balance, usual_neutral
from pipeline.stages.deflicker import Deflickered, deflicker
from pipeline.stages.encode import output_size
from pipeline.stages.posing import PosesBegun
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, stabilise


def told_lens(sequence: Sequence, shop: Workshop) -> LensDistortion | None:
    """Return how the first photo's lens distorts, None where untold or not to be corrected."""
    if not shop.configured.settings.stabilise.correct_lens:
        return None
    return sequence_lens(sequence, shop.card)


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
        self,
        sequence: Sequence,
        measured: Measurements,
        shop: Workshop,
        view: View,
        fps: float,
        begun: PosesBegun | None,
    ) -> None:
        self.sequence, self.view, self.shop, self.fps = sequence, view, shop, fps
        self.begun = begun
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
            self.sequence,
            self.pairs,
            settings.stabilise,
            self.view.shape,
            width,
            period,
            self.lens,
            self.begun,
        )

    @cached_property
    def lens(self) -> LensDistortion | None:
        """What is known of the lens."""
        return told_lens(self.sequence, self.shop)

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
