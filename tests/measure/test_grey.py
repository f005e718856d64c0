"""The grey rectangle: its mean camera RGB from a mosaic of any phase and from a picture of three planes."""

from __future__ import annotations

from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest

from pipeline.colour.display import linear_to_srgb
from pipeline.demo.dng import write_dng
from pipeline.demo.sensor import Pattern, Sensor, counts, mosaic_of
from pipeline.errors import UsageError
from pipeline.measure.grey import grey_neutral
from pipeline.sequence import Frame, Sequence

GREY = np.array([0.20, 0.42, 0.27])
BOX = (0.25, 0.25, 0.5, 0.75)


def sequence_of(name: str, states: tuple[str, ...] = ("photo",)) -> Sequence:
    frames = tuple(
        Frame(frame=k, state=state, file=name if state == "photo" else None, time_s=2.0 * k)  # type: ignore[arg-type]
        for k, state in enumerate(states)
    )
    return Sequence(
        id="t", kind="raw", camera="Testcam Heron", width=80, height=60, interval_s=2.0, frames=frames
    )


def picture(level: float = 1.0) -> np.ndarray:
    """Meadow with a grey card in the box."""
    rgb = np.tile(np.array([0.1, 0.2, 0.05], np.float32), (60, 80, 1))
    rgb[15:45, 20:40] = GREY * level
    return rgb


def raw(folder: Path, pattern: Pattern = "RGGB", level: float = 1.0) -> str:
    sensor = Sensor(pattern=pattern)
    mosaic = counts(mosaic_of(picture(level), pattern), sensor, np.random.default_rng(1))
    write_dng(
        folder / "card.dng",
        mosaic,
        pattern=pattern,
        black=sensor.black,
        white=sensor.white,
        neutral=(0.5, 1.0, 0.6),
        lossless_jpeg=False,
        tags=None,
    )
    return "card.dng"


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_the_card_in_a_raw_tells_its_own_colour(tmp_path: Path, pattern: Pattern) -> None:
    found = grey_neutral(sequence_of(raw(tmp_path, pattern)), tmp_path, 0, BOX)
    assert found == pytest.approx(tuple(GREY / GREY[1]), rel=0.005)


def test_the_card_in_a_jpeg(tmp_path: Path) -> None:
    codes = np.rint(linear_to_srgb(picture()) * 255.0).astype(np.uint8)
    iio.imwrite(tmp_path / "card.jpg", codes, quality=98)
    inner = (0.3, 0.4, 0.45, 0.65)  # the meadow's chroma bleeds into the card's edges
    found = grey_neutral(sequence_of("card.jpg"), tmp_path, 0, inner)
    # one code of 8 bits is 2 % at this level
    assert found == pytest.approx(tuple(GREY / GREY[1]), rel=0.03)


@pytest.mark.parametrize(
    ("frame", "box", "level", "message"),
    [
        (1, BOX, 1.0, "balance.grey_frame = 1 names no photo"),
        (5, BOX, 1.0, "choose a frame from 0 to 1"),
        (0, (0.3, 0.3, 0.31, 0.31), 1.0, "holds fewer than 16 photosites"),
        (0, BOX, 3.0, "is clipped"),
        (0, BOX, 0.005, "is almost black"),
    ],
)
def test_what_cannot_be_a_grey_is_refused(
    tmp_path: Path, frame: int, box: tuple[float, float, float, float], level: float, message: str
) -> None:
    sequence = sequence_of(raw(tmp_path, level=level), ("photo", "missing"))
    with pytest.raises(UsageError, match=message):
        grey_neutral(sequence, tmp_path, frame, box)
