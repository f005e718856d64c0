"""The stage encode of one sequence: which videos are still to be made, and its report."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from typing import Any

from pipeline.corrections import Corrections
from pipeline.fingerprint import fingerprint
from pipeline.render.delivery import Delivery, load_deliveries
from pipeline.render.framing import framed
from pipeline.render.grades import load_grading
from pipeline.render.timing import photos_per_second, plan_video
from pipeline.report.schema import read_report, write_report
from pipeline.run.outputs import Folder, listed_outputs
from pipeline.run.workshop import SOLVE_VERSION, Outcome, Workshop
from pipeline.sequence import Sequence as Flight
from pipeline.settings import Configured
from pipeline.stages.encode import encode, output_size
from pipeline.stages.thumbnails import Thumbnails


def looked_at_thumbnails(folder: Folder, shown: Iterable[int], shop: Workshop) -> Thumbnails:
    """Return the thumbnails of a flight whose photos `shown` (frames) follow each other, being looked at."""
    frames = list(shown)
    fps = photos_per_second(len(frames), shop.configured.settings.encode)
    return Thumbnails(folder.thumbnails, frames, fps, shop.executor)


def render(
    corrections: Corrections,
    folder: Folder,
    shop: Workshop,
    outcome: Outcome,
    thumbnails: Thumbnails | None = None,
) -> None:
    """Do the stage encode for the videos that are not there already, and add all to `outcome`.

    `thumbnails` are those of the flight, where a worker already looks at them.
    """
    settings = shop.configured.settings
    deliveries = load_deliveries(settings.encode.delivery)
    shapes = [(delivery.width, delivery.height) for _, delivery in deliveries]
    corrections, notes = framed(corrections, shapes, settings.encode.anchor)
    marks = _marks(corrections, deliveries, shop)
    outputs = listed_outputs(folder)
    there = {output.get("fingerprint"): folder.path / str(output["file"]) for output in outputs}
    missing = [one for one in deliveries if marks[one[0]] not in there]
    outcome.videos += [there[marks[name]] for name, _ in deliveries if marks[name] in there]
    if not missing:
        outcome.warnings += read_report(folder.report("encode")).warnings
        return
    shop.progress.begin(
        corrections.id, "render", len(plan_video(corrections, settings.encode, even_speed=_even(shop)).frames)
    )
    started = time.monotonic()
    named = delivery_named(shop.configured)
    result = encode(
        shop.card,
        corrections,
        folder.path,
        settings,
        missing,
        thumbnails or looked_at_thumbnails(folder, (frame.shown for frame in corrections.frames), shop),
        shop.executor,
        shop.workers,
        shop.progress.advance,
        named=named,
    )
    shop.progress.end()
    result.warnings = notes + result.warnings
    made: list[dict[str, Any]] = [
        {**output, "fingerprint": marks[str(output["delivery"])]} for output in result.applied["outputs"]
    ]
    kept = [o for o in outputs if o["file"] not in {m["file"] for m in made}]
    result.applied["outputs"] = sorted(kept + made, key=lambda output: str(output["file"]))
    seconds = time.monotonic() - started
    write_report(
        folder.report("encode"),
        "encode",
        result,
        seconds=seconds,
        # That of the video which was measured.
        fingerprint=marks[missing[0][0]],
        settings=shop.configured.effective("encode"),
    )
    outcome.seconds["encode"] = seconds
    outcome.videos += [folder.path / str(output["file"]) for output in made]
    outcome.warnings += result.warnings


def delivery_named(configured: Configured) -> bool:
    """Whether the user has named the delivery, so that its size is kept."""
    return configured.origins.get("encode.delivery", "default.toml") != "default.toml"


def refuse_enlarging(sequences: Sequence[Flight], configured: Configured) -> None:
    """Raise UsageError before any work where a named delivery is too large for the photos, even uncropped."""
    if delivery_named(configured):
        for _, delivery in load_deliveries(configured.settings.encode.delivery):
            for flight in sequences:
                output_size(flight.width, flight.height, 1.0, delivery, named=True)


def _even(shop: Workshop) -> bool:
    return shop.configured.settings.stabilise.even_speed


def _marks(
    corrections: Corrections, deliveries: list[tuple[str, Delivery]], shop: Workshop
) -> dict[str, str]:
    """Return, by the short name of each delivery, what its video is made from."""
    settings = shop.configured.settings
    placeless = corrections.model_copy(update={"card": ""})  # a moved folder holds the same video
    look = load_grading(settings.encode)[1].fingerprint()
    timing = plan_video(corrections, settings.encode, even_speed=_even(shop))
    effects = (timing, settings.encode.shutter_angle)
    told = (settings.encode.timecode, settings.report.position)
    return {
        name: fingerprint(placeless, look, effects, told, name, delivery, SOLVE_VERSION)
        for name, delivery in deliveries
    }
