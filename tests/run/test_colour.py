"""Colour through the whole job on a small night flight with a faulty sensor (invented data)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.corrections import Corrections
from pipeline.demo.card import write_flights
from pipeline.demo.flight import FlightSpec
from pipeline.demo.sensor import Sensor, hot_glow
from pipeline.errors import UsageError
from pipeline.report.schema import Report, read_report
from pipeline.run.commands import run_card, run_stage
from pipeline.run.outputs import read_corrections
from pipeline.settings import load_settings
from tests.watching import Quiet

SENSOR = Sensor(exposure=0.15, hot_photosites=25, black_drift=8.0, masked_columns=12)
SPEC = FlightSpec(frames=10, size=(240, 180), sensor=SENSOR, speed_m_s=3.0, pitch_deg=-40.0, flicker_ev=0.05)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of a run with the default settings; the card stands beside them."""
    place = tmp_path_factory.mktemp("night")
    card = write_flights(place, [SPEC], workers=2).card
    outcomes = run_card(card, place / "out", load_settings(), sequence=None, progress=Quiet(), workers=2)
    return outcomes[0].folder


def again(folder: Path, *settings: str) -> tuple[Corrections, Report]:
    run_stage(folder, "balance", load_settings(None, settings), card=None, progress=Quiet(), workers=2)
    return read_corrections(folder / "corrections.json"), read_report(folder / "balance.json")


def test_faults_of_the_sensor_reach_the_render(folder: Path) -> None:
    told = read_corrections(folder / "corrections.json")
    places, glow = hot_glow(SENSOR, (SPEC.size[1], SPEC.size[0]))
    assert np.isin(places[glow > 0.1], told.hot_photosites).mean() > 0.9
    assert np.isin(told.hot_photosites, places).all()
    assert (told.width, told.height) == SPEC.size  # masked columns are no picture
    assert told.highlights == "clip"
    report = read_report(folder / "balance.json")
    assert report.applied["hot_photosites"] == len(told.hot_photosites)
    assert all((row.model_extra or {})["black_shift"] == [0.0, 0.0, 0.0] for row in report.frames)


def test_modes_are_chosen_by_settings(folder: Path) -> None:
    follow, report = again(folder, "balance.mode=follow", "balance.highlights=rebuild")
    assert report.applied["mode"] == "follow" and follow.highlights == "rebuild"
    grey, report = again(
        folder, "balance.mode=grey", "balance.grey_frame=3", "balance.grey_box=[0.2,0.5,0.8,0.9]"
    )
    assert "grey rectangle of frame 3" in str(report.applied["neutral_from"])
    assert len({frame.neutral for frame in grey.frames}) == 1
    assert grey.frames[0].neutral != follow.frames[0].neutral


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ("balance.grey_frame=99", "balance.grey_frame = 99 names no photo"),
        ("balance.grey_box=[0.5,0.1,0.2,0.3]", "must be left, top, right, bottom"),
    ],
)
def test_a_wrong_grey_is_refused_with_one_sentence(folder: Path, setting: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        again(folder, "balance.mode=grey", setting)
