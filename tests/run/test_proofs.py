"""Contact sheets and previews show what a render would, and are quick and whole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import imageio.v3 as iio
import numpy as np
import pytest

from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import UsageError
from pipeline.measure.video import frames_of
from pipeline.parallel import local_executor
from pipeline.render.sheet import GAP_PX
from pipeline.report.schema import write_text
from pipeline.run.outputs import Folder
from pipeline.run.proofs import TILE_PX, compare_grades, write_preview
from pipeline.run.workshop import Workshop
from pipeline.sequence import Frame, Sequence
from pipeline.settings import Configured, EncodeSettings, Settings
from tests.watching import Quiet

WIDTH, HEIGHT, COUNT = 480, 360, 6


@pytest.fixture
def flight(tmp_path: Path) -> tuple[Folder, Path, Corrections]:
    """An invented JPEG flight that gets brighter from left to right, its corrections and thumbnails."""
    card, folder = tmp_path / "card", Folder(tmp_path / "out")
    card.mkdir()
    folder.thumbnails.mkdir(parents=True)
    ramp = np.broadcast_to(np.linspace(40, 215, WIDTH)[None, :, None], (HEIGHT, WIDTH, 3))
    picture = (ramp * [0.7, 1.0, 1.1]).clip(0, 255).astype(np.uint8)
    frames, places = [], []
    for number in range(COUNT):
        file = f"MARSH_{number:04d}.JPG"
        cv2.imwrite(str(card / file), picture, [cv2.IMWRITE_JPEG_QUALITY, 97])
        cv2.imwrite(str(folder.thumbnails / f"{number:05d}.jpg"), cv2.resize(picture, (240, 180)))
        gain = {"gain_ev": 0.05 * number, "time_s": 2.0 * number}
        frames.append(FrameCorrection(frame=number, file=file, shown=number, shown_file=file, **gain))
        places.append(Frame(frame=number, state="photo", file=file, time_s=2.0 * number))
    size = {"width": WIDTH, "height": HEIGHT}
    corrections = Corrections(
        id="MARSH", kind="display-referred", card="", focal_px=400.0, shape=(16, 9), crop_ratio=0.9,
        frames=frames, **size,
    )  # fmt: skip
    sequence = Sequence(
        id="MARSH", kind="display-referred", camera="x", interval_s=2.0, frames=tuple(places), **size
    )
    write_text(folder.sequence, sequence.model_dump_json())
    return folder, card, corrections


@pytest.fixture
def shop(flight: tuple[Folder, Path, Corrections]) -> Iterator[Workshop]:
    settings = Settings(encode=EncodeSettings(grade="plain", grade_points=((5, "storm-light"),)))
    with local_executor(2) as executor:
        yield Workshop(flight[1], Configured(settings=settings, origins={}), executor, 2, Quiet())


def test_a_sheet_has_a_column_for_each_grade_and_a_row_for_each_frame(
    flight: tuple[Folder, Path, Corrections], shop: Workshop
) -> None:
    folder, _, corrections = flight
    path = compare_grades(corrections, folder, shop, "plain, storm-light,blue-dusk", 2)
    assert path.name == "MARSH_compare_plain_storm-light_blue-dusk.png"
    assert sorted(entry.name for entry in folder.path.iterdir()) == [path.name, "work"]
    sheet = iio.imread(path).astype(float)
    height, width = sheet.shape[:2]
    tile = TILE_PX * 9 // 16 // 2 * 2
    left, top = width - 3 * (TILE_PX + GAP_PX), height - 2 * (tile + GAP_PX)
    means = np.array(
        [
            [
                sheet[y : y + tile, x : x + TILE_PX].mean(axis=(0, 1))
                for x in range(left, width, TILE_PX + GAP_PX)
            ]
            for y in range(top, height, tile + GAP_PX)
        ]
    )
    assert means.shape == (2, 3, 3)
    plain, storm, dusk = means[0]
    assert storm.mean() < plain.mean()
    assert dusk[2] / dusk[0] > plain[2] / plain[0]
    assert (means[1, 0] > means[0, 0]).all()  # the last frame has the larger gain


def test_a_preview_has_timing_grades_and_framing_of_the_video(
    flight: tuple[Folder, Path, Corrections], shop: Workshop
) -> None:
    folder, _, corrections = flight
    path = write_preview(corrections, folder, shop)
    assert path.name == "MARSH_plain+storm-light_preview.mp4"
    frames = list(frames_of(path))
    assert len(frames) == COUNT
    assert frames[0].shape == (360, 640, 3)
    contrast = [float(frame.std()) for frame in frames]
    assert contrast[-1] != pytest.approx(contrast[0], rel=0.02)


def test_what_cannot_be_compared_is_told(flight: tuple[Folder, Path, Corrections], shop: Workshop) -> None:
    folder, _, corrections = flight
    with pytest.raises(UsageError, match="takes 1 to 16 grades"):
        compare_grades(corrections, folder, shop, " , ", 2)
    with pytest.raises(UsageError, match="unknown grade 'plane'"):
        compare_grades(corrections, folder, shop, "plane", 2)
    for thumbnail in folder.thumbnails.iterdir():
        thumbnail.unlink()
    with pytest.raises(UsageError, match="no thumbnails in work/thumbs"):
        write_preview(corrections, folder, shop)
