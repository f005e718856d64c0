"""Causes in sharpness, on the lens, on the card and of the subject."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.spots import Spot
from pipeline.measure.subject import Subject
from pipeline.report.evidence import StageFacts
from pipeline.report.findings.card import card_findings
from pipeline.report.findings.finding import COURSE_CAUTION
from pipeline.report.findings.sharpness import sharpness_findings
from pipeline.settings import DiagnoseSettings
from tests.report.flown import COUNT, figures, only, quiet, told, with_columns, with_figures


def test_a_quiet_flight_has_no_finding() -> None:
    assert told(sharpness_findings, quiet()) == []
    assert told(card_findings, quiet()) == []


@pytest.mark.parametrize("lost_pct", [15.0, 30.0])
def test_single_soft_photos(lost_pct: float) -> None:
    sharper = np.zeros(COUNT)
    sharper[[20, 33]] = 2.0 * np.log2(1.0 - lost_pct / 100.0)
    flown = quiet(sharper=sharper)
    if lost_pct < 20.0:
        assert told(sharpness_findings, flown) == []
        return
    found = only(sharpness_findings, flown, "soft")
    assert found.frames == [20, 33]
    assert found.measured == pytest.approx(30.0)


def test_a_soft_flight_is_judged_by_its_sharper_axis() -> None:
    smeared = {k: figures(k, blur_x=0.6, blur_y=0.3) for k in range(COUNT)}
    assert told(sharpness_findings, quiet(looks=smeared)) == []  # blur along the motion is no softness
    soft = {k: figures(k, blur_x=0.6, blur_y=0.55) for k in range(COUNT)}
    assert only(sharpness_findings, quiet(looks=soft), "soft").measured == pytest.approx(0.55)


def test_a_spot_on_the_lens_is_placed() -> None:
    spots = [Spot(0.25, 0.4, 0.03, 0.2), Spot(0.7, 0.1, 0.02, -0.05)]
    found = only(sharpness_findings, quiet(spots=spots), "lens_spot")
    assert found.measured == pytest.approx(20.0)
    assert "25 % of the width" in found.why
    assert told(sharpness_findings, quiet(spots=spots[1:])) == []


def test_a_propeller_is_named_in_its_photos() -> None:
    blade = np.full(COUNT, 0.02)
    blade[[4, 9]] = 0.3
    found = only(sharpness_findings, quiet(blade=blade), "propeller_shadow")
    assert found.frames == [4, 9]


def test_missing_and_torn_photos() -> None:
    states = ["photo"] * COUNT
    states[7], states[20] = "missing", "torn"
    missing, torn = told(card_findings, with_columns(quiet(), "load", state=states))
    assert (missing.cause, missing.frames, torn.cause, torn.frames) == ("missing", [7], "torn", [20])
    assert missing.mended  # a single gap is filled, as a rule
    states[8:11] = ["missing"] * 3
    assert not told(card_findings, with_columns(quiet(), "load", state=states))[0].mended
    states[8:11] = ["photo"] * 3
    made = [{"frame": k, "made": "between" if k in (7, 20) else "photo"} for k in range(COUNT)]
    video = StageFacts({}, {"outputs": [{"file": "x.mp4", "fps": "30"}]}, {}, made)
    flown = quiet(encode=video)
    assert all(f.mended for f in told(card_findings, with_columns(flown, "load", state=states)))


def test_copies_are_a_note() -> None:
    found = only(card_findings, with_figures(quiet(), "load", "found", duplicate_count=2), "duplicate")
    assert found.severity == "note"
    assert found.measured == 2.0


@pytest.mark.parametrize("late_s", [0.4, 0.7])
def test_an_uneven_interval(late_s: float) -> None:
    times = 2.0 * np.arange(COUNT)
    times[30] += late_s
    flown = with_columns(quiet(), "load", time_s=times)
    if late_s < 0.5:
        assert told(card_findings, flown) == []
    else:
        found = only(card_findings, flown, "interval_irregular")
        assert found.frames == [30, 31]
        assert found.measured == pytest.approx(35.0)


def test_whole_seconds_of_a_clock_are_no_uneven_interval() -> None:
    times = np.floor(2.5 * np.arange(COUNT))
    flown = with_columns(quiet(), "load", time_s=times)
    assert told(card_findings, with_figures(flown, "load", "found", interval_s=2.5)) == []


def test_an_interval_shorter_than_the_card_writes() -> None:
    assert told(card_findings, quiet(settings=DiagnoseSettings(write_s=1.9))) == []
    found = only(card_findings, quiet(settings=DiagnoseSettings(write_s=2.6)), "interval_irregular")
    assert (found.measured, found.limit) == (2.0, 2.6)
    assert found.remedy.air is not None
    assert "3 s" in found.remedy.air


def test_a_subject_that_leaves_the_picture() -> None:
    shown = np.linspace(1.0, 0.2, COUNT)
    found = only(card_findings, quiet(subject=Subject(np.zeros((COUNT, 4)), shown)), "subject_lost")
    assert found.frames == np.flatnonzero(shown < 0.5).tolist()
    assert found.measured == pytest.approx(20.0)
    assert found.remedy.air is not None
    assert COURSE_CAUTION in found.remedy.air
    whole = Subject(np.zeros((COUNT, 4)), np.full(COUNT, 0.8))
    assert told(card_findings, quiet(subject=whole)) == []


def test_what_was_not_measured_gives_no_finding() -> None:
    bare = quiet(looks={}, sharper=None, spots=None, blade=None, load=StageFacts())
    assert told(sharpness_findings, bare) == []
    assert told(card_findings, bare) == []
