"""Diagnosing on site and after a run: a small flight (invented) with a 4 degree step and a lost photo."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner, Result

import pipeline.report
from pipeline.cli import app
from pipeline.demo.card import write_flights
from pipeline.demo.flight import FlightSpec
from pipeline.run.commands import run_card
from pipeline.run.diagnosing import write_diagnosis
from pipeline.run.outputs import Folder
from pipeline.settings import load_settings
from tests.watching import Quiet, digests

SPEC = FlightSpec(
    frames=14,
    size=(320, 240),
    pitch_deg=-30.0,
    shake_deg=0.01,
    jitter_m=0.02,
    flicker_ev=0.002,
    light_ev=0.0,
    wander_mired=1.0,
    yaw_steps=((9, 4.0),),
    missing=(3,),
    jpegs="only",
)


def evenflight(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_flights(tmp_path_factory.mktemp("flight"), [SPEC], workers=2).card


@pytest.fixture(scope="module")
def done(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the finished sequence."""
    out = tmp_path_factory.mktemp("out")
    (outcome,) = run_card(card, out, load_settings(None, []), sequence=None, progress=Quiet(), workers=2)
    return outcome.folder


@pytest.fixture
def flight(done: Path, tmp_path: Path) -> Path:
    folder = tmp_path / done.name
    shutil.copytree(done, folder)
    return folder


def causes(told: dict[str, Any]) -> list[str]:
    return [finding["cause"] for finding in told["findings"]]


def test_photographs_are_diagnosed_on_site_and_the_card_is_only_read(card: Path) -> None:
    before = digests(card)
    result = evenflight("diagnose", card, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    schema = Path(pipeline.report.__file__).parent / "diagnosis.schema.json"
    jsonschema.validate(told, json.loads(schema.read_text("utf-8")))
    assert {"heading_step", "missing"} <= set(causes(told))
    step = next(f for f in told["findings"] if f["cause"] == "heading_step")
    assert step["frames"] == [9]
    assert step["measured"] == pytest.approx(4.0, abs=0.3)
    assert "the stage encode has not been done" in told["not_measured"]
    assert digests(card) == before


def test_the_terminal_shows_verdict_table_and_caution(card: Path) -> None:
    result = evenflight("diagnose", card)
    assert result.exit_code == 0, result.output
    assert "heading_step" in result.stdout
    assert "run mends it" in " ".join(result.stdout.split())
    assert "not a clearance to fly" in result.stdout
    assert "in the air: spread the turn" in result.stdout


def test_one_frame_on_site_writes_two_pictures_away_from_the_card(card: Path, tmp_path: Path) -> None:
    before = digests(card)
    result = evenflight("diagnose", card, "--frame", 9, "--to", tmp_path / "looked", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["findings"] == ["heading_step"]
    assert {"before", "after"} == told["pictures"].keys()
    assert sorted(p.name for p in (tmp_path / "looked").iterdir()) == [
        "frame_00009_after.png",
        "frame_00009_before.png",
    ]
    refused = evenflight("diagnose", card, "--frame", 9, "--to", card / "looked")
    assert refused.exit_code == 2
    assert digests(card) == before


def test_a_run_leaves_its_diagnosis_which_the_command_tells_again(flight: Path) -> None:
    kept = json.loads((flight / "diagnosis.json").read_text("utf-8"))
    result = evenflight("diagnose", flight, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told == kept
    assert told["not_measured"] == []
    step = next(f for f in told["findings"] if f["cause"] == "heading_step")
    assert step["seconds"] == [pytest.approx(9 / 30, abs=0.01), pytest.approx(10 / 30, abs=0.01)]
    assert step["left"] < 0.5 * step["measured"]


def test_the_table_of_a_finished_flight_leads_to_its_page(flight: Path) -> None:
    result = evenflight("diagnose", flight)
    assert "report.html" in result.stdout
    assert "run mends it" not in result.stdout


def test_one_frame_of_a_finished_flight(flight: Path) -> None:
    result = evenflight("diagnose", flight, "--frame", 9)
    assert result.exit_code == 0, result.output
    assert "heading_step" in result.stdout
    assert (flight / "frame_00009_before.png").is_file()
    assert (flight / "frame_00009_after.png").is_file()
    assert evenflight("diagnose", flight, "--frame", 99).exit_code == 2


def test_without_its_work_folder_it_says_what_it_could_not_judge(flight: Path) -> None:
    shutil.rmtree(flight / "work")
    result = evenflight("diagnose", flight, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert "heading_step" in causes(told)
    assert any("measurements" in absent for absent in told["not_measured"])
    assert any("thumbnails" in absent for absent in told["not_measured"])


def test_a_broken_report_is_named(flight: Path) -> None:
    (flight / "balance.json").write_text("{", encoding="utf-8")
    result = evenflight("diagnose", flight, "--json")
    assert result.exit_code == 1
    assert "balance.json" in result.output
    assert write_diagnosis(Folder(flight), load_settings(None, []).settings).not_measured == [
        "the stage balance has not been done"
    ]


def test_what_is_no_flight_is_refused(tmp_path: Path) -> None:
    assert evenflight("diagnose", tmp_path / "nowhere").exit_code == 2
    assert evenflight("diagnose", tmp_path).exit_code == 2
    assert evenflight("diagnose", tmp_path, "--set", "diagnose.write=3").exit_code == 2


def test_the_settings_of_a_diagnosis(flight: Path) -> None:
    told = json.loads(evenflight("diagnose", flight, "--json", "--set", "diagnose.write_s=3.0").stdout)
    assert "interval_irregular" in causes(told)
    leaving = "diagnose.subject=[2, 0.4, 0.75, 0.2, 0.2]"
    told = json.loads(evenflight("diagnose", flight, "--json", "--set", leaving).stdout)
    assert "subject_lost" in causes(told)  # near ground ahead passes out below
