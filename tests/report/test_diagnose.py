"""The diagnosis as a whole: order, verdict, cautions, times, and its published form."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import pipeline.report
from pipeline.measure.spots import Spot
from pipeline.report.diagnose import diagnose
from pipeline.report.evidence import StageFacts, gather, look_through, orientations_of, sharpness_levels
from pipeline.report.findings.finding import COURSE_CAUTION, exceeded, severity_of
from pipeline.report.schema import read_report
from pipeline.settings import DiagnoseSettings
from tests.report.flown import COUNT, figures, quiet, rows, with_columns, with_figures


def sentences(text: str) -> int:
    return len([part for part in text.replace("2.3.1", "231").split(". ") if part])


def test_a_quiet_flight_is_told_so_in_three_sentences() -> None:
    told = diagnose(quiet())
    assert told.findings == []
    assert told.verdict.startswith("Nothing that was measured disturbs")
    assert sentences(told.verdict) == 3


def test_the_first_sentence_names_the_worst_that_is_left() -> None:
    flown = quiet(spots=[Spot(0.5, 0.4, 0.03, 0.3)])
    flown = with_figures(flown, "deflicker", "found", flicker_rms_ev=0.3)  # mended: a note
    told = diagnose(flown)
    assert [f.cause for f in told.findings] == ["lens_spot", "exposure_flicker"]
    assert "something on the lens" in told.verdict.split(". ")[0]
    assert "exposure flicker" in told.verdict
    assert "clean the lens" in told.verdict


def test_where_all_was_mended_the_first_sentence_still_names_the_true_cause() -> None:
    step = 3.0 * (np.arange(COUNT) >= 30)
    flown = with_columns(quiet(), "stabilise", yaw_deg=step * np.cos(np.radians(20)))
    told = diagnose(with_columns(flown, "stabilise", roll_deg=step * np.sin(np.radians(20))))
    first = told.verdict.split(". ")[0]
    assert "heading changed by 3.0°" in first
    assert "HERN0031" in first
    assert "`run` mends it" in first


def test_flashing_comes_first_even_where_it_was_mended() -> None:
    flashes = np.full(COUNT, 8.0)
    told = diagnose(quiet(flashes_found=flashes, spots=[Spot(0.5, 0.4, 0.03, 0.9)]))
    assert told.findings[0].cause == "flashing"
    made = quiet(flashes_found=flashes, spots=[Spot(0.5, 0.4, 0.03, 0.9)])
    made = with_figures(made, "encode", "left", flashes_per_s=0.0)
    told = diagnose(made)
    assert [f.cause for f in told.findings] == ["lens_spot", "flashing"]
    assert "8 flashes a second" in told.verdict.split(". ")[0]
    assert "lens spot" in told.verdict
    assert "Next time: lock shutter" in told.verdict


def test_a_heavy_fault_that_was_mended_comes_before_a_slight_one_that_shows() -> None:
    slight, heavy = (quiet(spots=[Spot(0.5, 0.4, 0.03, depth)]) for depth in (0.1, 0.3))
    firsts = []
    for flown in (slight, heavy):
        told = diagnose(with_figures(flown, "deflicker", "found", flicker_rms_ev=0.3))
        assert told.findings[0].cause == "lens_spot"  # the list goes by what is left to see
        firsts.append(told.verdict.split(". ")[0])
    assert "EV RMS" in firsts[0]
    assert "mends it" in firsts[0]
    assert "something on the lens" in firsts[1]


def test_the_second_sentence_tells_what_shows_and_what_was_mended() -> None:
    flown = quiet(spots=[Spot(0.5, 0.4, 0.03, 0.3)], looks={k: figures(k, veil=0.3) for k in range(COUNT)})
    flown = with_figures(flown, "deflicker", "found", flicker_rms_ev=0.3)
    second = diagnose(flown).verdict.split(". ")[1]
    assert second == "Beyond what `run` mends: haze; `run` also mends: exposure flicker"


def test_a_diagnosis_obeys_its_published_schema() -> None:
    path = Path(pipeline.report.__file__).parent / "diagnosis.schema.json"
    told = diagnose(quiet(hot_count=3, spots=[Spot(0.5, 0.4, 0.03, 0.3)]))
    data = json.loads(told.model_dump_json(by_alias=True))
    jsonschema.validate(data, json.loads(path.read_text("utf-8")))
    assert {"findings", "verdict"} <= data.keys()
    assert {
        "cause",
        "frames",
        "seconds",
        "measured",
        "unit",
        "limit",
        "severity",
        "mended",
        "left",
        "remedy",
    } <= data["findings"][0].keys()


def test_every_advice_that_moves_the_course_cautions_in_the_same_sentence() -> None:
    folder = Path(pipeline.report.__file__).parent / "findings"
    moving = ("spread the turn", "turn by less", "ease into", "fly slower", "hold one speed", "higher above")
    for path in folder.glob("*.py"):
        text = path.read_text("utf-8")
        for words in moving:
            at = text.find(words)
            if at >= 0:
                assert "{COURSE_CAUTION}" in text[at : at + 260], (path.name, words)
    assert "obstacles" in COURSE_CAUTION
    assert "rules" in COURSE_CAUTION


def test_times_follow_what_the_video_shows() -> None:
    spots = quiet(spots=[Spot(0.5, 0.4, 0.03, 0.3)])
    assert diagnose(spots).findings[0].seconds == (0.0, 2.0)
    reversed_ = quiet(
        blade=np.where(np.arange(COUNT) == 5, 0.4, 0.0), places=np.arange(COUNT)[::-1].astype(float)
    )
    (found,) = diagnose(reversed_).findings
    assert found.seconds == (round(54 / 30, 3), round(55 / 30, 3))
    trimmed = quiet(
        blade=np.where(np.arange(COUNT) == 5, 0.4, 0.0), places=np.arange(10, COUNT).astype(float)
    )
    assert diagnose(trimmed).findings[0].seconds[0] == 0.0


@pytest.mark.parametrize(
    ("value", "limit", "higher", "ratio"),
    [(3.0, 2.0, False, 1.5), (25.0, 50.0, True, 2.0), (0.0, 0.0, False, 0.0), (1.0, 0.0, False, 2.0)],
)
def test_how_many_times_a_limit_is_exceeded(value: float, limit: float, higher: bool, ratio: float) -> None:
    assert exceeded(value, limit, higher=higher) == ratio


def test_severity() -> None:
    assert severity_of(5.0, mended=True) == "note"
    assert severity_of(1.5, mended=False) == "visible"
    assert severity_of(2.5, mended=False) == "spoils"
    assert severity_of(2.5, mended=False, most="visible") == "visible"


def test_what_is_absent_is_told_as_not_measured(finished: Path) -> None:
    reports = {name: read_report(finished / f"{name}.json") for name in ("load", "balance", "deflicker")}
    evidence = gather("x", reports, None, None, DiagnoseSettings(), 30.0)  # type: ignore[arg-type]
    told = diagnose(evidence)
    assert "the stage stabilise has not been done" in told.not_measured
    assert any("thumbnails" in absent for absent in told.not_measured)
    assert {"missing", "torn"} <= {f.cause for f in told.findings}


def test_nothing_at_all_is_no_crash() -> None:
    told = diagnose(gather("x", {}, None, None, DiagnoseSettings(subject=(3, 0.1, 0.1, 0.2, 0.2)), 30.0))
    assert told.findings == []
    assert len(told.not_measured) >= 7


def test_orientations_come_back_from_the_reported_angles() -> None:
    angles = np.cumsum(np.random.default_rng(1).normal(0, 1.0, (COUNT, 3)), axis=0)
    angles -= angles[0]
    stage = StageFacts(frames=rows(pitch_deg=angles[:, 0], yaw_deg=angles[:, 1], roll_deg=angles[:, 2]))
    from pipeline.measure.motion import angle_path

    orientations = orientations_of(stage, COUNT)
    assert orientations is not None
    assert -np.rad2deg(angle_path(orientations)) == pytest.approx(angles, abs=1e-9)
    assert orientations_of(StageFacts(), COUNT) is None


def test_a_missing_photo_is_looked_at_as_the_one_before() -> None:
    bright, dark = np.full((60, 80, 3), 200, np.uint8), np.full((60, 80, 3), 90, np.uint8)
    flashes, profiles = look_through([None, bright, None, dark, bright], 30.0)
    assert flashes.general.tolist() == [0.0, 0.0, 0.0, 0.5, 1.0]
    assert [profile is None for profile in profiles] == [True, False, True, False, False]


def test_sharpness_is_solved_from_all_pairs() -> None:
    from pipeline.measure.look import PairFigures
    from tests.measure.synthetic_pairs import light_pair

    truth = np.zeros(20)
    truth[7] = -1.0
    blocks = light_pair(0, 1, np.zeros((2, 3)), np.random.default_rng(0))
    pairs = []
    for baseline in (1, 2):
        for i in range(20 - baseline):
            noise = 0.02 * np.sin(7.0 * i + baseline)
            ratio = truth[i + baseline] - truth[i] + 0.05 * baseline + noise
            pairs.append(PairFigures(i, i + baseline, blocks.matches, blocks.blocks, True, float(ratio)))
    pairs[3] = PairFigures(3, 4, blocks.matches, blocks.blocks, True, 3.0)  # a wrong one
    level = sharpness_levels(pairs, 21)
    assert level[:20] == pytest.approx(truth, abs=0.1)
    assert np.isnan(level[20])


def test_looks_are_told_over_the_timeline() -> None:
    evidence = quiet(looks={3: figures(3, veil=None), 5: figures(5, clipped=(0.1, 0.2, 0.3))})
    assert np.flatnonzero(np.isfinite(evidence.look("veil"))).tolist() == [5]
    assert evidence.channels("clipped")[5].tolist() == [0.1, 0.2, 0.3]
