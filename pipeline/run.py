"""The order of the stages, reuse of what is unchanged, and the output folder, whose names only this knows."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from pipeline.card import scan_card
from pipeline.colour.grade import load_grade
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError, UsageError
from pipeline.fingerprint import fingerprint, photos_fingerprint
from pipeline.measure import store
from pipeline.measure.highpass import FILTER_VERSION
from pipeline.measure.levels import Levels, estimate_vignette, solve_levels
from pipeline.measure.look import Look, look_and_compare
from pipeline.measure.store import Measurements
from pipeline.parallel import default_workers, local_executor
from pipeline.render.delivery import exact_rate, load_delivery
from pipeline.report.html import write_page
from pipeline.report.schema import STAGES, Report, read_report, write_report
from pipeline.sequence import LeftAside, Sequence
from pipeline.settings import Configured, nearest
from pipeline.stages.balance import Balanced, balance
from pipeline.stages.deflicker import Deflickered, deflicker
from pipeline.stages.encode import encode, output_size
from pipeline.stages.load import load
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, shown_frames, stabilise

LEAST_PHOTOS = 3
SOLVE_VERSION = 1
"""Raised when a stage solves differently, so that reports of an older version are made anew."""


class Progress(Protocol):
    """What a run tells while it works."""

    def begin(self, id: str, step: str, total: int) -> None:
        """Start a step of a sequence that counts to `total`."""

    def advance(self, count: int = 1) -> None:
        """Count."""

    def end(self) -> None:
        """End the step."""

    def say(self, text: str) -> None:
        """Show a line of text."""


@dataclass
class Outcome:
    """What became of one sequence. `left_out` names photos that are not in the video, and why."""

    id: str
    folder: Path
    videos: list[Path] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Folder:
    """The names of files in the output folder of one sequence."""

    path: Path

    def report(self, stage: str) -> Path:
        """Return the path of a stage's report."""
        return self.path / f"{stage}.json"

    @property
    def corrections(self) -> Path:
        """The solved parameters."""
        return self.path / "corrections.json"

    @property
    def work(self) -> Path:
        """What may be deleted, costing only time."""
        return self.path / "work"

    @property
    def measurements(self) -> Path:
        """Measurements of frames and pairs."""
        return self.work / "measurements.npz"

    @property
    def thumbnails(self) -> Path:
        """8-bit pictures of the frames as the camera's own neutral shows them."""
        return self.work / "thumbs"

    @property
    def sequence(self) -> Path:
        """The sequence as it was found and measured."""
        return self.work / "sequence.json"


def write_text(path: Path, text: str) -> None:
    """Write a file under a temporary name and rename it, so that no half file is ever seen."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)


def expectation(sequences: list[Sequence], workers: int | None = None) -> tuple[float, float]:
    """Return the minutes and bytes that a run over `sequences` is expected to take.

    From times per megapixel and output frame on the two cores that the README's figures come from.
    """
    cores = workers or default_workers()
    seconds, size = 0.0, 0.0
    for sequence in sequences:
        megapixels = sequence.width * sequence.height / 1e6
        photos = len(sequence.photos)
        seconds += photos * (0.9 + 0.1 * megapixels) / cores
        size += photos * 0.3e6 + len(sequence.frames) * 0.45e6 * min(megapixels / 2.0, 1.0)
    return seconds / 60.0, size


def run_card(
    card: Path,
    out: Path,
    configured: Configured,
    *,
    sequence: str | None,
    progress: Progress,
    workers: int | None = None,
) -> list[Outcome]:
    """Make the video and reports of every sequence on `card`, or of the one called `sequence`.

    A sequence that fails costs itself alone. Raises UsageError where the card, a name or a setting is
    wrong, EvenflightError where no sequence could be done.
    """
    load_delivery(configured.settings.encode.delivery)
    load_grade(configured.settings.encode.grade)
    contents = scan_card(card, configured.settings.load)
    chosen = _choose(contents.sequences, contents.singles, sequence, card)
    minutes, size = expectation(chosen, workers)
    progress.say(
        f"{len(chosen)} sequence{'s' if len(chosen) != 1 else ''}, "
        f"{sum(len(s.photos) for s in chosen)} photos: about {minutes:.1f} minutes and {size / 1e6:.0f} MB"
    )
    outcomes, failures = [], []
    strays = [aside for aside in contents.left_aside if aside.trouble]
    with local_executor(workers or default_workers()) as executor:
        for one in chosen:
            job = Job(one, card, Folder(out / one.id), configured, executor, workers, progress)
            try:
                outcomes.append(job.run(STAGES))
            except UsageError:
                raise
            except EvenflightError as error:
                failures.append(str(error))
                progress.say(str(error))
    if not outcomes:
        raise EvenflightError("; ".join(failures))
    outcomes[0].left_out += [(aside.file, aside.why) for aside in strays]
    outcomes[0].left_out += [(one.id, why) for one, why in zip(chosen, failures, strict=False) if failures]
    return outcomes


def _choose(
    sequences: list[Sequence], singles: list[Sequence], wanted: str | None, card: Path
) -> list[Sequence]:
    if wanted is None:
        if not sequences:
            raise EvenflightError(
                f"no sequence of 10 photos or more in {card.name}: `evenflight list` shows what is there, "
                "and --sequence takes one of 3 or more"
            )
        return sequences
    named = {one.id: one for one in sequences + singles}
    if wanted not in named:
        raise UsageError(f"no sequence '{wanted}' in {card.name}{nearest(wanted, named)}")
    if len(named[wanted].photos) < LEAST_PHOTOS:
        raise UsageError(
            f"the sequence {wanted} has {len(named[wanted].photos)} photos, and a video needs {LEAST_PHOTOS}"
        )
    return [named[wanted]]


def _stored(folder: Folder, configured: Configured) -> Configured:
    """Return the settings that made `folder`, overlaid with those set now."""
    stored: dict[str, Any] = {}
    for stage in STAGES:
        if folder.report(stage).is_file():
            report = read_report(folder.report(stage))
            stored.update({name: told for name, told in report.settings.items() if told.origin != "default"})
    values = configured.settings.model_dump(mode="json")
    merged: dict[str, dict[str, Any]] = {}
    origins = dict(configured.origins)
    for name, told in stored.items():
        if origins.get(name, "default.toml") == "default.toml":
            section, _, key = name.partition(".")
            merged.setdefault(section, {})[key] = told.value
            origins[name] = told.origin
    for name in origins:
        section, _, key = name.partition(".")
        merged.setdefault(section, {}).setdefault(key, values[section][key])
    settings = type(configured.settings).model_validate(merged)
    return Configured(settings=settings, origins=origins)


def run_stage(
    folder: Path,
    name: str,
    configured: Configured,
    *,
    card: Path | None,
    progress: Progress,
    workers: int | None = None,
) -> Outcome:
    """Do one stage of a finished sequence again, with the settings it had and those set now.

    A solving stage renews the corrections; `encode` renders them. Raises UsageError for an unknown
    stage or a folder without results.
    """
    if name not in STAGES:
        raise UsageError(f"unknown stage '{name}'{nearest(name, STAGES)}")
    place = Folder(folder)
    photos = card or _card_of(place)
    settled = _stored(place, configured)
    with local_executor(workers or default_workers()) as executor:
        sequence = _sequence_of(place, photos, settled)
        return Job(sequence, photos, place, settled, executor, workers, progress).run((name,))


def regrade(
    folder: Path,
    configured: Configured,
    *,
    card: Path | None,
    progress: Progress,
    workers: int | None = None,
) -> Outcome:
    """Render a finished sequence again from its corrections, without measuring or solving."""
    place = Folder(folder)
    corrections = read_corrections(place.corrections)
    photos = card or _card_of(place)
    settled = _stored(place, configured)
    outcome = Outcome(corrections.id, folder)
    with local_executor(workers or default_workers()) as executor:
        render(place, photos, corrections, settled, executor, workers, progress, outcome)
    write_page(folder)
    return outcome


def read_corrections(path: Path) -> Corrections:
    """Read `corrections.json`; raise UsageError that names the folder where there is none."""
    try:
        return Corrections.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(
            f"{path.parent} holds no corrections: give the folder of a finished sequence"
        ) from None
    except (OSError, ValueError) as error:
        first = str(error).splitlines()[0]
        raise UsageError(f"{path} cannot be read ({first}): run the stage stabilise again") from error


def _card_of(folder: Folder) -> Path:
    corrections = read_corrections(folder.corrections)
    card = Path(os.path.normpath(folder.path / corrections.card))
    if not corrections.card or not card.is_dir():
        raise UsageError(f"the photos of {corrections.id} are not where they were: say where with --card")
    return card


def _sequence_of(folder: Folder, card: Path, configured: Configured) -> Sequence:
    """Return the sequence of a folder as it was measured, or as found on the card again."""
    try:
        return Sequence.model_validate_json(folder.sequence.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        contents = scan_card(card, configured.settings.load)
        wanted = read_corrections(folder.corrections).id
        return _choose(contents.sequences, contents.singles, wanted, card)[0]


def amended(sequence: Sequence, measurements: Measurements) -> Sequence:
    """Return the sequence with what only opening the photos could tell.

    Frames that could not be opened, or whose picture has another size than most, become torn; the size
    and the neutrals are those of the opened photos. Raises EvenflightError where too few are left.
    """
    figures = {f.frame: f for f in measurements.frames}
    sizes = Counter((f.width, f.height) for f in figures.values())
    width, height = sizes.most_common(1)[0][0] if sizes else (sequence.width, sequence.height)
    frames = []
    for frame in sequence.frames:
        seen = figures.get(frame.frame)
        if frame.frame in measurements.trouble:
            frame = frame.model_copy(update={"state": "torn", "why": measurements.trouble[frame.frame]})
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


def render(
    folder: Folder,
    card: Path,
    corrections: Corrections,
    configured: Configured,
    executor: Executor,
    workers: int | None,
    progress: Progress,
    outcome: Outcome,
) -> None:
    """Do the stage encode unless the same video is there already, and add it to `outcome`."""
    settings = configured.settings.encode
    name, delivery = load_delivery(settings.delivery)
    mark = fingerprint(corrections, load_grade(settings.grade), delivery, name, settings, SOLVE_VERSION)
    path = folder.report("encode")
    before = read_report(path) if path.is_file() else None
    outputs = [o for o in _outputs(before) if (folder.path / str(o["file"])).is_file()]
    same = [o for o in outputs if o.get("fingerprint") == mark and _whole(folder, o)]
    if same and before is not None:
        outcome.videos.append(folder.path / str(same[0]["file"]))
        outcome.warnings += before.warnings
        return
    progress.begin(corrections.id, "render", len(corrections.frames))
    started = time.monotonic()
    named = configured.origins.get("encode.delivery", "default.toml") not in ("default.toml", "default")
    result = encode(
        card,
        corrections,
        folder.path,
        configured.settings,
        executor,
        workers or default_workers(),
        progress.advance,
        named=named,
    )
    progress.end()
    made = [{**output, "fingerprint": mark} for output in result.applied["outputs"]]
    kept = [o for o in outputs if o["file"] not in {m["file"] for m in made}]
    result.applied["outputs"] = sorted(kept + made, key=lambda output: str(output["file"]))
    seconds = time.monotonic() - started
    write_report(
        path, "encode", result, seconds=seconds, fingerprint=mark, settings=configured.effective("encode")
    )
    outcome.seconds["encode"] = seconds
    outcome.videos += [folder.path / str(output["file"]) for output in made]
    outcome.warnings += result.warnings


def _outputs(report: Report | None) -> list[dict[str, Any]]:
    outputs = report.applied.get("outputs", []) if report is not None else []
    return [dict(output) for output in outputs] if isinstance(outputs, list) else []  # type: ignore[arg-type]


def _whole(folder: Folder, output: dict[str, Any]) -> bool:
    return (folder.path / str(output["file"])).stat().st_size == output.get("bytes")


@dataclass
class Job:
    """One sequence on its way through the stages."""

    sequence: Sequence
    card: Path
    folder: Folder
    configured: Configured
    executor: Executor
    workers: int | None
    progress: Progress

    def run(self, stages: tuple[str, ...]) -> Outcome:
        """Do `stages` in order, skip what is unchanged, and write the page."""
        outcome = Outcome(self.sequence.id, self.folder.path)
        self.folder.thumbnails.mkdir(parents=True, exist_ok=True)
        measured, mark = self._measure(outcome)
        self.sequence = amended(self.sequence, measured)
        write_text(self.folder.sequence, self.sequence.model_dump_json())
        if "load" in stages:
            self._report("load", fingerprint(mark, "load"), lambda: load(self.sequence), outcome)
        solved = [stage for stage in stages if stage in ("balance", "deflicker", "stabilise")]
        if solved:
            self._solve(measured, mark, outcome)
        if "encode" in stages:
            corrections = read_corrections(self.folder.corrections)
            render(
                self.folder,
                self.card,
                corrections,
                self.configured,
                self.executor,
                self.workers,
                self.progress,
                outcome,
            )
        outcome.left_out = [(str(f.file), str(f.why)) for f in self.sequence.frames if f.state == "torn"]
        outcome.left_out += [(a.file, a.why) for a in self.sequence.left_aside if _is_trouble(a)]
        write_page(self.folder.path)
        return outcome

    def _measure(self, outcome: Outcome) -> tuple[Measurements, str]:
        mark = fingerprint(photos_fingerprint(self.sequence), store.MEASUREMENTS_VERSION)
        kept = store.load(self.folder.measurements, mark)
        if kept is not None:
            return kept, mark
        started = time.monotonic()
        self.progress.begin(self.sequence.id, "measure", len(self.sequence.photos))
        measurements = Measurements([], [], None, {})
        colour = None
        for seen in look_and_compare(
            self.sequence,
            self.card,
            self.folder.thumbnails,
            self.executor,
            self.workers or default_workers(),
            self.progress.advance,
        ):
            if isinstance(seen, Look):
                if seen.trouble is not None:
                    measurements.trouble[seen.frame] = seen.trouble
                elif seen.figures is not None:
                    measurements.frames.append(seen.figures)
                    colour = colour or seen.colour
            elif seen is not None:
                measurements.pairs.append(seen)
        measured = Measurements(measurements.frames, measurements.pairs, colour, measurements.trouble)
        self.progress.end()
        store.save(self.folder.measurements, measured, mark)
        outcome.seconds["measure"] = time.monotonic() - started
        return measured, mark

    def _report(self, stage: str, mark: str, solve: Callable[[], StageResult], outcome: Outcome) -> None:
        path = self.folder.report(stage)
        if path.is_file():
            before = read_report(path)
            if before.fingerprint == mark and before.status == "complete":
                outcome.warnings += before.warnings
                return
        started = time.monotonic()
        result = solve()
        seconds = time.monotonic() - started
        section = () if stage == "encode" else (stage,)
        write_report(
            path,
            stage,
            result,
            seconds=seconds,
            fingerprint=mark,
            settings=self.configured.effective(*section),
        )
        outcome.seconds[stage] = seconds
        outcome.warnings += result.warnings

    def _solve(self, measured: Measurements, mark: str, outcome: Outcome) -> None:
        """Do the three solving stages and write the corrections, unless all are unchanged."""
        settings = self.configured.settings
        name, delivery = load_delivery(settings.encode.delivery)
        rate = exact_rate(settings.encode.fps)
        fps = float(rate)
        period = settings.deflicker.keep_slower_than_s * fps
        common = (mark, SOLVE_VERSION, FILTER_VERSION, str(rate), settings.deflicker)
        marks = {
            "balance": fingerprint(common, settings.balance),
            "deflicker": fingerprint(common, "deflicker"),
            "stabilise": fingerprint(common, settings.stabilise, name, delivery),
        }
        if self.folder.corrections.is_file() and all(self._is_done(s, m) for s, m in marks.items()):
            for stage in marks:
                outcome.warnings += read_report(self.folder.report(stage)).warnings
            return
        self.progress.begin(self.sequence.id, "solve", 4)
        count = len(self.sequence.frames)
        usable = {f.frame for f in self.sequence.photos}
        pairs = [p for p in measured.pairs if p.i in usable and p.j in usable]
        vignette = estimate_vignette(pairs)
        light = solve_levels(count, pairs, vignette)
        held = solve_levels(count, pairs, vignette, held_out=True)
        self.progress.advance()
        solved: dict[str, Any] = {}

        def keep(stage: str, answer: tuple[Any, StageResult]) -> StageResult:
            solved[stage], result = answer
            self.progress.advance()
            return result

        shape = (delivery.width, delivery.height)
        width = output_size(
            self.sequence.width, self.sequence.height, 1.0 - settings.stabilise.max_crop, delivery
        )[0]
        answers: dict[str, Callable[[], tuple[Any, StageResult]]] = {
            "balance": lambda: balance(self.sequence, measured.colour, light, held, settings.balance, period),
            "deflicker": lambda: deflicker(self.sequence, light, held, settings.deflicker, fps),
            "stabilise": lambda: stabilise(
                self.sequence, pairs, settings.stabilise, shape, width, period, self.executor
            ),
        }
        for stage, answer in answers.items():
            self._report(stage, marks[stage], lambda s=stage, a=answer: keep(s, a()), outcome)
            if stage not in solved:  # its report is unchanged, but its parameters are needed
                keep(stage, answer())
        self.progress.end()
        corrections = self._corrections(
            solved["balance"], solved["deflicker"], solved["stabilise"], light, shape
        )
        write_text(self.folder.corrections, corrections.model_dump_json(indent=1, by_alias=True) + "\n")

    def _is_done(self, stage: str, mark: str) -> bool:
        path = self.folder.report(stage)
        if not path.is_file():
            return False
        report = read_report(path)
        return report.fingerprint == mark and report.status == "complete"

    def _corrections(
        self, balanced: Balanced, even: Deflickered, steady: Stabilised, light: Levels, shape: tuple[int, int]
    ) -> Corrections:
        shown = shown_frames(self.sequence)
        frames = []
        for frame, source in zip(self.sequence.frames, shown, strict=True):
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
                    neutral=balanced.neutral,
                    rotation_rad=_triple(steady.rotation_rad[frame.frame]),
                )
            )
        return Corrections(
            id=self.sequence.id,
            kind=self.sequence.kind,
            card=_relative(self.card, self.folder.path),
            started_at=self.sequence.started_at,
            width=self.sequence.width,
            height=self.sequence.height,
            focal_px=steady.focal_px,
            shape=shape,
            crop_ratio=steady.crop_ratio,
            white=even.white,
            vignette=light.vignette,
            frames=frames,
        )


def _triple(values: Any) -> tuple[float, float, float]:
    a, b, c = (float(value) for value in values)
    return (a, b, c)


def _is_trouble(aside: LeftAside) -> bool:
    return aside.trouble


def _relative(card: Path, folder: Path) -> str:
    """Return the card's path from `folder` with forward slashes, or "" across Windows drives."""
    try:
        return Path(os.path.relpath(card.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return ""
