"""How long the whole job takes, as ratios of wall times in one run (design, section 9).

    pytest tests/bench/test_speed.py -s

The first run also writes the flight of 72 photos of 12 megapixels, which takes four minutes: in fewer, the
start of programs and what the encoder holds back before its first frame weigh more than in a flight. Nothing
else should use the machine meanwhile; where something does, the seconds of processor time tell more, and the
ratios of those are printed beside the ratios of wall times. Commands are timed as a user runs them,
start-up included.

LibRaw's default is `rawpy.imread(path).postprocess()`, one photo after the other as in a user's script, each
with the threads that LibRaw's build has (OpenMP); that is what the bound is held against. The same with the
photos side by side in two threads is printed beside it, and so is the floor: no job can be below it.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy

from pipeline.card.scan import scan_card
from pipeline.colour.grade import Grading
from pipeline.measure.look import look_and_compare
from pipeline.parallel import default_workers, local_executor
from pipeline.render.delivery import exact_rate, load_delivery
from pipeline.render.grades import load_grade
from pipeline.render.produce import RenderJob, rendered_frames
from pipeline.render.shutter import plan_shutter
from pipeline.render.timing import plan_video
from pipeline.render.writer import Stamp, ffmpeg_command
from pipeline.run.outputs import read_corrections
from pipeline.sequence import Sequence
from pipeline.settings import EncodeSettings, LoadSettings
from tests.bench.flights import TWELVE_MEGAPIXELS, written_flight

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]


@dataclass(frozen=True)
class Seconds:
    """Time that something took: on the wall, and of the processors, children included."""

    wall: float
    processor: float

    def __add__(self, other: Seconds) -> Seconds:
        return Seconds(self.wall + other.wall, self.processor + other.processor)

    def over(self, other: Seconds) -> tuple[float, float]:
        """Ratios of wall and of processor time."""
        return self.wall / other.wall, self.processor / other.processor


NEVER = Seconds(np.nan, np.nan)


@dataclass(frozen=True)
class Times:
    """What was timed in one run, all of the same photos. The floor is reading plus the encoder alone."""

    job: Seconds
    regrade: Seconds
    diagnose: Seconds
    read: Seconds
    encoder: Seconds
    libraw: Seconds
    libraw_pooled: Seconds
    stages: dict[str, float]
    photos: int


def timed(work: Callable[[], object]) -> Seconds:
    wall, before = time.perf_counter(), os.times()
    work()
    after = os.times()
    return Seconds(time.perf_counter() - wall, sum(after[:4]) - sum(before[:4]))


def command(*arguments: str | Path) -> str:
    done = subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def unpack(path: Path) -> int:
    with rawpy.imread(io.BytesIO(path.read_bytes())) as raw:
        return int(raw.raw_image[0, 0])


def develop(path: Path) -> tuple[int, ...]:
    with rawpy.imread(str(path)) as raw:
        shape: tuple[int, ...] = raw.postprocess().shape
        return shape


def pooled(work: Callable[[Path], object], paths: list[Path]) -> Seconds:
    with local_executor(default_workers()) as executor:
        return timed(lambda: list(executor.map(work, paths)))


def render_job(folder: Path, card: Path) -> RenderJob:
    _, delivery = load_delivery("1080p-h264")
    frame_format = delivery.frame_format((delivery.width, delivery.height))
    return RenderJob(
        card,
        read_corrections(folder / "corrections.json"),
        Grading(((0, load_grade("plain")),)),
        (frame_format,),
    )


def rendered(job: RenderJob, workers: int, photos: int | None = None) -> list[Any]:
    video = plan_video(job.corrections, EncodeSettings()).frames[:photos]
    with local_executor(workers) as executor:
        return [frame.samples[0] for frame in rendered_frames(job, video, executor, workers)]


def look_through(sequence: Sequence, card: Path, workers: int) -> None:
    with local_executor(workers) as executor:
        for _ in look_and_compare(sequence, card, None, executor, workers, lambda count: None):
            pass


def encode_alone(frames: list[Any], path: Path) -> None:
    _, delivery = load_delivery("1080p-h264")
    frame_format = delivery.frame_format((delivery.width, delivery.height))
    encoder = subprocess.Popen(
        ffmpeg_command(path, delivery, frame_format, Stamp(exact_rate("30"))), stdin=subprocess.PIPE
    )
    assert encoder.stdin is not None
    for frame in frames:
        encoder.stdin.write(np.ascontiguousarray(frame).data)
    encoder.stdin.close()
    assert encoder.wait() == 0


Finished = tuple[Path, Seconds, dict[str, float]]


@pytest.fixture(scope="module")
def card() -> Path:
    return written_flight(TWELVE_MEGAPIXELS) / "card"


@pytest.fixture(scope="module")
def finished(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Finished:
    """Folder of the sequence, seconds of `evenflight run`, and seconds of its stages."""
    out = tmp_path_factory.mktemp("speed")
    told = ""

    def run() -> None:
        nonlocal told
        told = command("run", card, "-o", out, "--json")

    for path in card.rglob("*.DNG"):
        path.read_bytes()  # all files are in the system's cache, for the job as for what it is compared with
    seconds = timed(run)
    (outcome,) = json.loads(told)["outcomes"]
    return out / outcome["id"], seconds, outcome["seconds"]


@pytest.fixture(scope="module")
def times(card: Path, finished: Finished, tmp_path_factory: Any) -> Times:
    folder, job_s, stages = finished
    scratch = tmp_path_factory.mktemp("floor")
    paths = sorted(card.rglob("*.DNG"))
    frames = rendered(render_job(folder, card), default_workers())
    return Times(
        job=job_s,
        regrade=timed(lambda: command("regrade", folder, "--grade", "warm-evening")),
        diagnose=timed(lambda: command("diagnose", card)) if "diagnose" in command("--help") else NEVER,
        read=pooled(unpack, paths),
        encoder=timed(lambda: encode_alone(frames, scratch / "floor.mp4")),
        libraw=timed(lambda: [develop(path) for path in paths]),
        libraw_pooled=pooled(develop, paths),
        stages=stages,
        photos=len(paths),
    )


def test_speed_of_the_whole_job(times: Times) -> None:
    steps = {f"job: {stage}": Seconds(seconds, np.nan) for stage, seconds in times.stages.items()}
    rows = {
        **steps,
        "job: start-up, list, page": Seconds(times.job.wall - sum(times.stages.values()), np.nan),
        "whole job": times.job,
        "regrade": times.regrade,
        "diagnose CARD": times.diagnose,
        "floor: read each RAW": times.read,
        "floor: encoder alone": times.encoder,
        "LibRaw default, one by one (OpenMP)": times.libraw,
        "LibRaw default, photos side by side": times.libraw_pooled,
    }
    print(
        f"\n{f'{times.photos} photos of 12 MP, {default_workers()} cores':38s} wall s  ms/photo  processor s"
    )
    for name, spent in rows.items():
        print(f"{name:38s}{spent.wall:7.2f} {1000 * spent.wall / times.photos:9.0f} {spent.processor:12.2f}")
    floor = times.read + times.encoder
    ratios = {
        "whole job / floor": (times.job.over(floor), 4.0),
        "regrade / floor": (times.regrade.over(floor), 2.5),
        "whole job / (LibRaw default + encoder)": (times.job.over(times.libraw + times.encoder), 0.35),
        "  the same, LibRaw's photos side by side": (
            times.job.over(times.libraw_pooled + times.encoder),
            np.inf,
        ),
        "  floor / (LibRaw default + encoder)": (floor.over(times.libraw + times.encoder), np.inf),
        "diagnose CARD / whole job": (times.diagnose.over(times.job), 0.4),
    }
    print(f"{'ratio':42s}   wall   processor   at most")
    for name, ((wall, processor), most) in ratios.items():
        print(f"{name:42s}{wall:7.2f}{processor:12.2f}{most:10g}")
    assert not [name for name, ((wall, _), most) in ratios.items() if wall > most]
    assert times.diagnose is not NEVER, "there is no command `diagnose` yet"


def test_two_workers_against_one(card: Path, finished: Finished) -> None:
    """Measuring and rendering without the encoder, each worker with one OpenCV thread: at least 1.6.

    With motion blur added (encode.shutter_angle=180) for comparison.
    """
    job = render_job(finished[0], card)
    timing = plan_video(job.corrections, EncodeSettings())
    blurred = replace(job, blur=plan_shutter(job.corrections, timing, 180.0).lengths)
    (sequence,) = scan_card(card, LoadSettings()).sequences
    spent: dict[str, list[Seconds]] = {"measure": [], "render": [], "with blur": []}
    for workers in (1, 2):
        spent["render"].append(timed(partial(rendered, job, workers, 36)))
        spent["with blur"].append(timed(partial(rendered, blurred, workers, 12)))
        spent["measure"].append(timed(partial(look_through, sequence, card, workers)))
    # Two workers that hinder one another, by locks or by memory, take more processor time or gain less;
    # where others use the machine, the gain tells of them, and only the processor time of the work.
    print("\n            1 worker  2 workers  gain   processor s of 1 and 2")
    for name, (one, two) in spent.items():
        print(f"{name:10s} {one.wall:8.2f} s {two.wall:8.2f} s {one.wall / two.wall:6.2f}", end="")
        print(f" {one.processor:12.2f} {two.processor:8.2f}")
    assert min(one.wall / two.wall for one, two in (spent["measure"], spent["render"])) >= 1.6


def test_frames_are_the_same_for_any_number_of_workers(card: Path, finished: Finished) -> None:
    job = render_job(finished[0], card)
    first = rendered(job, 1, 6)
    for workers in (2, 3):
        for one, other in zip(first, rendered(job, workers, 6), strict=True):
            np.testing.assert_array_equal(one, other)
