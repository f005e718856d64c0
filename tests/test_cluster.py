"""Work on a Dask cluster: the same as by threads, also where a worker is lost on the way."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import psutil
import pytest
from distributed import Client, LocalCluster

from pipeline.cluster import ClusterExecutor, near, workplace
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError, UsageError
from pipeline.measure.look import Look, PairFigures, look_and_compare
from pipeline.parallel import local_executor, ordered_map
from pipeline.render.compose import render_frame
from pipeline.render.delivery import FrameFormat
from pipeline.render.grades import load_grade
from pipeline.sequence import Frame, Sequence

PHOTOS = 8
SIZE = (320, 240)


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two worker processes of one thread each, and a scheduler, on this machine."""
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as made:
        yield made


@pytest.fixture
def address(cluster: LocalCluster) -> str:
    return str(cluster.scheduler_address).replace("tcp://", "dask://")


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented flight: one texture that drifts by 4 px a photo."""
    folder = tmp_path_factory.mktemp("card")
    rng = np.random.default_rng(3)
    world = cv2.resize(rng.uniform(30, 220, (90, 120, 3)), (400, 300), interpolation=cv2.INTER_CUBIC)
    for number in range(PHOTOS):
        part = world[:240, 4 * number : 4 * number + 320].clip(0, 255).astype(np.uint8)
        assert cv2.imwrite(str(folder / f"REED_{number:04d}.JPG"), part)
    return folder


def sequence_of() -> Sequence:
    frames = tuple(
        Frame(frame=k, file=f"REED_{k:04d}.JPG", state="photo", time_s=2.0 * k) for k in range(PHOTOS)
    )
    return Sequence(
        id="20310504-101500_REED_0000",
        kind="display-referred",
        camera="Testcam Heron",
        interval_s=2.0,
        width=SIZE[0],
        height=SIZE[1],
        frames=frames,
    )


def measured(card: Path, thumbnails: Path, executor: Any) -> list[Look | PairFigures | None]:
    thumbnails.mkdir()
    return list(look_and_compare(sequence_of(), card, thumbnails, executor, 2, lambda count: None))


def finished(job: tuple[Path, FrameCorrection, Corrections, FrameFormat]) -> Any:
    from pipeline.photo.opening import open_photo

    path, frame, corrections, format = job
    photo = open_photo(path)
    return render_frame(photo, frame, corrections, load_grade("plain"), (format,))[0]


def renders(card: Path) -> list[tuple[Path, FrameCorrection, Corrections, FrameFormat]]:
    frames = [
        FrameCorrection(
            frame=k,
            file=f"REED_{k:04d}.JPG",
            shown=k,
            shown_file=f"REED_{k:04d}.JPG",
            time_s=2.0 * k,
            gain_ev=0.02 * k,
            rotation_rad=(0.001 * k, -0.002, 0.003),
        )
        for k in range(PHOTOS)
    ]
    corrections = Corrections(
        id="20310504-101500_REED_0000",
        kind="display-referred",
        card="card",
        width=SIZE[0],
        height=SIZE[1],
        focal_px=300.0,
        shape=(16, 9),
        crop_ratio=0.85,
        frames=frames,
    )
    format = FrameFormat(160, 90, "yuv420p")
    return [(card / str(frame.file), frame, corrections, format) for frame in frames]


def lose_a_worker(cluster: LocalCluster) -> None:
    """Kill one worker's process, as the machine's end would."""
    with Client(cluster) as client:
        pids = client.run(_pid)
    psutil.Process(next(iter(pids.values()))).kill()


def _pid() -> int:
    return psutil.Process().pid


def test_measures_are_those_of_threads(address: str, card: Path, tmp_path: Path) -> None:
    with local_executor(2) as threads:
        expected = measured(card, tmp_path / "threads", threads)
    with workplace(address, None) as (executor, count):
        assert count == 2
        seen = measured(card, tmp_path / "cluster", executor)
    assert len(seen) == len(expected)
    for one, other in zip(expected, seen, strict=True):
        if isinstance(one, Look):
            assert isinstance(other, Look)
            assert one.figures == other.figures
        else:
            assert isinstance(one, PairFigures)
            assert isinstance(other, PairFigures)
            np.testing.assert_array_equal(one.matches.points_j, other.matches.points_j)
            np.testing.assert_array_equal(one.blocks.ratio_ev, other.blocks.ratio_ev)
    thumbnails = sorted(path.name for path in (tmp_path / "cluster").iterdir())
    assert thumbnails == [f"{k:05d}.jpg" for k in range(PHOTOS)]


def test_frames_are_those_of_threads_though_a_worker_is_lost(
    cluster: LocalCluster, address: str, card: Path
) -> None:
    with local_executor(1) as threads:
        expected = list(ordered_map(threads, finished, renders(card), 2))
    seen = []
    with workplace(address, None) as (executor, count):
        for frame in ordered_map(executor, finished, renders(card), 2 * count):
            seen.append(frame)
            if len(seen) == 2:
                lose_a_worker(cluster)
    assert len(seen) == PHOTOS
    for one, other in zip(expected, seen, strict=True):
        np.testing.assert_array_equal(one, other)


def test_what_is_small_is_done_near(address: str) -> None:
    with workplace(address, None) as (executor, _):
        assert isinstance(executor, ClusterExecutor)
        assert near(executor).submit(_pid).result() == _pid()
        assert executor.submit(_pid).result() != _pid()
    with workplace(None, 2) as (threads, count):
        assert near(threads) is threads
        assert count == 2


@pytest.mark.parametrize("address", ["127.0.0.1:8786", "http://127.0.0.1:8786"])
def test_an_address_of_another_form_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match="not of the form dask://host:port"), workplace(address, None):
        pass


def test_a_scheduler_that_does_not_answer_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.cluster._PATIENCE_S", 0.5)
    with (
        pytest.raises(EvenflightError, match=r"no Dask scheduler answers at dask://127\.0\.0\.1:9"),
        workplace("dask://127.0.0.1:9", None),
    ):
        pass
