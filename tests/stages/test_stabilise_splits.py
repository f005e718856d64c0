"""A change of focal length or of the picture's orientation splits the flight, and with it the path."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from pipeline.geometry.field import MARGIN_PX, Field, clearance
from pipeline.report.schema import read_report
from pipeline.run.commands import run_card
from pipeline.run.outputs import read_corrections
from pipeline.settings import load_settings
from tests.small_flight import write_small_flight
from tests.small_photos import tag
from tests.watching import Quiet

PHOTOS, CHANGED = 20, 10
ZOOMED = {"Exif.Photo.FocalLength": "176/10", "Exif.Photo.FocalLengthIn35mmFilm": "48"}
PORTRAIT = {"Exif.Image.Orientation": "6"}


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The card of one flight, of which each test changes a copy."""
    return write_small_flight(tmp_path_factory.mktemp("flown"), PHOTOS, (320, 240))


@pytest.mark.parametrize(
    ("tags", "zoom", "size"),
    [(ZOOMED, 2.0, (320, 240)), (PORTRAIT, 1.0, (240, 320))],
    ids=["focal length", "orientation"],
)
def test_each_part_has_a_path_of_its_own(
    flown: Path, tmp_path: Path, tags: dict[str, str], zoom: float, size: tuple[int, int]
) -> None:
    card = shutil.copytree(flown, tmp_path / "card")
    for photo in sorted(card.rglob("*.DNG"))[CHANGED:]:
        tag(photo, tags)
    outcomes = run_card(card, tmp_path / "out", load_settings(None, []), sequence=None, progress=Quiet())
    parts = [read_corrections(outcome.folder / "corrections.json") for outcome in outcomes]
    assert [len(part.frames) for part in parts] == [CHANGED, PHOTOS - CHANGED]
    before, after = parts
    assert (before.width, before.height) == (320, 240) and (after.width, after.height) == size
    assert after.focal_px / before.focal_px == pytest.approx(zoom)
    for outcome, part in zip(outcomes, parts, strict=True):
        told = read_report(outcome.folder / "stabilise.json")
        assert told.applied["focal_px"] == pytest.approx(part.focal_px)
        assert (told.frames[0].model_extra or {})["yaw_deg"] == 0.0  # each part begins anew
        field = Field(part.width, part.height, part.focal_px, part.shape)
        turned = np.array([frame.rotation_rad for frame in part.frames])
        if all(frame.similarity is None for frame in part.frames):
            assert clearance(field, turned, part.crop_ratio).min() >= MARGIN_PX - 0.01
