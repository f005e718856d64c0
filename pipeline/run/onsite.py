"""The verdict while still on site: a diagnosis of photographs alone, without a video and without a file.

Photos are measured and the stages solved as in a run, but neighbours are compared over fewer distances,
and nothing is rendered. Small pictures lie in a temporary folder and are deleted; the card is only read.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.card.scan import scan_card
from pipeline.cluster import workplace
from pipeline.corrections import Corrections
from pipeline.errors import EvenflightError, UsageError
from pipeline.render.timing import photos_per_second
from pipeline.report.diagnose import Diagnosis, diagnose
from pipeline.report.evidence import Evidence
from pipeline.report.schema import Stage
from pipeline.run.commands import choose
from pipeline.run.diagnosing import evidence_of_pictures
from pipeline.run.job import SOLVING, amended, take_measurements
from pipeline.run.outputs import Folder
from pipeline.run.solution import Solution, view_of
from pipeline.run.workshop import Progress, Workshop
from pipeline.sequence import Sequence
from pipeline.settings import Configured
from pipeline.stages.load import load
from pipeline.stages.result import StageResult

BASELINES = (1, 2)
"""How many photos apart frames are compared: enough to name causes, though not to mend them."""


@dataclass(frozen=True)
class OnSite:
    """A diagnosis from photos alone; `folder` holds their small pictures while the work lasts."""

    diagnosis: Diagnosis
    evidence: Evidence
    corrections: Corrections
    folder: Folder


@contextmanager
def diagnosed_card(
    card: Path,
    configured: Configured,
    *,
    sequence: str | None,
    progress: Progress,
    workers: int | None = None,
) -> Iterator[tuple[list[OnSite], list[tuple[str, str]]]]:
    """Diagnose every sequence on `card`, or the one called `sequence`; their small pictures live as long.

    Gives the diagnoses, and the ids and reasons of what could not be diagnosed. Raises UsageError where
    the card, a name or a setting is wrong, EvenflightError where no sequence could be diagnosed.
    """
    contents = scan_card(card, configured.settings.load)
    chosen = choose(contents.sequences, contents.singles, sequence, card)
    failed: list[tuple[str, str]] = []
    done: list[OnSite] = []
    with (
        tempfile.TemporaryDirectory(prefix="evenflight-") as place,
        workplace(None, workers) as (pool, count),
    ):
        shop = Workshop(card, configured, pool, count, progress)
        for one in chosen:
            try:
                done.append(_diagnosed(one, Folder(Path(place) / one.id), shop))
            except UsageError:
                raise
            except EvenflightError as error:
                failed.append((one.id, str(error)))
        if not done:
            raise EvenflightError("; ".join(why for _, why in failed))
        yield done, failed


def _diagnosed(sequence: Sequence, folder: Folder, shop: Workshop) -> OnSite:
    settings = shop.configured.settings
    folder.thumbnails.mkdir(parents=True)
    measured, begun = take_measurements(sequence, folder.thumbnails, shop, BASELINES)
    sequence = amended(sequence, measured)
    fps = photos_per_second(len(sequence.frames), settings.encode)
    shop.progress.begin(sequence.id, "diagnose", 4)
    stages: dict[Stage, StageResult] = {"load": load(sequence)}
    solution = Solution(sequence, measured, shop, view_of(sequence, settings), fps, begun)
    for stage in SOLVING:
        stages[stage] = solution.result(stage)
        shop.progress.advance()
    evidence = evidence_of_pictures(sequence.id, stages, measured, folder, settings, fps)
    told = diagnose(evidence)
    shop.progress.end()
    return OnSite(told, evidence, solution.corrections(""), folder)
