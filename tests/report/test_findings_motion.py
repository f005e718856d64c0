"""Causes in the motion: beyond their limits they are named, below they are not."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.course import off_course_pct
from pipeline.report.findings.finding import COURSE_CAUTION
from pipeline.report.findings.motion import motion_findings
from tests.report.flown import COUNT, only, quiet, told, with_columns, with_figures

FOV_DEG = float(2 * np.degrees(np.arctan(800 / 1109)))
LIMIT_DEG = FOV_DEG / 7 / 30


def stair(size: float, at: int = 30) -> np.ndarray:
    return size * (np.arange(COUNT) >= at).astype(float)


def heading(angle: np.ndarray, prefix: str = "") -> dict[str, np.ndarray]:
    """Columns of a turn about the vertical, which a camera pitched by -20 degrees sees as yaw and roll."""
    level, down = np.cos(np.radians(20)), np.sin(np.radians(20))
    return {f"{prefix}yaw_deg": level * angle, f"{prefix}roll_deg": down * angle}


def shaken(sigma: float, seed: int = 2) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sigma, COUNT)


def test_a_quiet_flight_has_no_finding() -> None:
    assert told(motion_findings, quiet()) == []


def test_the_limit_of_turning_is_a_seventh_of_the_field_a_second() -> None:
    # common practice: 0.35 at 73 degrees and 30 photos a second
    assert abs(LIMIT_DEG - 0.35 * FOV_DEG / 73.0) < 0.005


@pytest.mark.parametrize("times", [0.8, 1.2, 3.0])
def test_a_step_of_heading(times: float) -> None:
    size = times * LIMIT_DEG
    flown = with_columns(quiet(), "stabilise", **heading(stair(size)))
    if times < 1.0:
        assert told(motion_findings, flown) == []
        return
    found = only(motion_findings, flown, "heading_step")
    assert found.frames == [30]
    assert found.measured == pytest.approx(size, rel=0.02)
    assert found.limit == pytest.approx(LIMIT_DEG)
    assert found.seconds == (1.0, 1.033)
    assert found.seen == "the shot jerks right"
    assert "HERN0031" in found.why
    assert found.remedy.air is not None
    assert COURSE_CAUTION in found.remedy.air
    assert found.mended  # the steady view does not turn at all
    assert found.severity == "note"


def test_a_step_that_the_steady_view_keeps_is_not_mended() -> None:
    step = stair(-2.0)
    flown = with_columns(quiet(), "stabilise", **heading(step), **heading(step, "steady_"))
    found = only(motion_findings, flown, "heading_step")
    assert not found.mended
    assert found.severity == "spoils"
    assert found.seen == "the shot jerks left"
    assert found.left == pytest.approx(2.0, rel=0.1)


def test_a_step_of_pitch() -> None:
    found = only(motion_findings, with_columns(quiet(), "stabilise", pitch_deg=stair(1.0)), "pitch_step")
    assert found.frames == [30]
    assert found.seen == "the shot jerks up"


def test_a_fast_turn_and_one_that_begins_at_once() -> None:
    time = np.arange(COUNT, dtype=float)
    fast = with_columns(quiet(), "stabilise", **heading(0.6 * time))
    assert "too fast" in only(motion_findings, fast, "heading_step").seen
    abrupt = with_columns(quiet(), "stabilise", **heading(0.25 * np.maximum(time - 30, 0)))
    found = only(motion_findings, abrupt, "heading_step")
    assert found.seen == "a turn begins or ends with a jerk"
    assert found.measured == pytest.approx(0.25, abs=0.03)


@pytest.mark.parametrize("times", [0.7, 1.4])
def test_shake_is_told_in_px_of_1920(times: float) -> None:
    # One axis of 1 px RMS at 1920: the focal length there is 1109 / 1600 / 0.95 * 1920 px.
    sigma = np.degrees(times / (1109 / 1600 / 0.95 * 1920))
    flown = with_columns(quiet(), "stabilise", pitch_deg=shaken(sigma))
    if times < 1.0:
        assert told(motion_findings, flown) == []
    else:
        found = only(motion_findings, flown, "shake")
        assert found.measured == pytest.approx(times, rel=0.25)
        assert found.mended


def test_a_step_is_not_told_as_shake() -> None:
    flown = with_columns(quiet(), "stabilise", **heading(stair(3.0)))
    assert [f.cause for f in told(motion_findings, flown)] == ["heading_step"]


@pytest.mark.parametrize(("change", "beyond"), [(0.15, False), (0.3, True)])
def test_uneven_speed(change: float, beyond: bool) -> None:
    speed = np.full(COUNT, 0.1)
    speed[40:] *= 1.0 - change
    flown = with_columns(quiet(), "stabilise", ground_speed=speed)
    if not beyond:
        assert told(motion_findings, flown) == []
        return
    found = only(motion_findings, flown, "uneven_speed")
    assert found.measured == pytest.approx(100 * change, rel=0.05)
    assert not found.mended
    evened = with_figures(flown, "stabilise", "applied", even_speed=True)
    assert only(motion_findings, evened, "uneven_speed").mended


@pytest.mark.parametrize("sigma", [0.001, 0.02])
def test_drift_off_the_course(sigma: float) -> None:
    way = np.tile([0.1, 0.0, 0.0], (COUNT - 1, 1))
    way[:, 1] += np.diff(np.random.default_rng(1).normal(0, sigma, COUNT))
    flown = quiet(way=way)
    rms = float(np.sqrt(np.mean(off_course_pct(way, 60.0) ** 2)))
    if rms <= 0.5:
        assert told(motion_findings, flown) == []
    else:
        assert only(motion_findings, flown, "position_drift").measured == pytest.approx(rms)


def test_a_leaning_horizon_and_what_levelling_leaves() -> None:
    assert told(motion_findings, with_columns(quiet(), "load", roll_deg=0.8)) == []
    leant = with_columns(quiet(), "load", roll_deg=-1.5)
    found = only(motion_findings, leant, "horizon_tilt")
    assert found.measured == pytest.approx(1.5)
    assert "left" in found.why
    assert not found.mended
    level = with_columns(leant, "stabilise", steady_roll_deg=1.5)
    assert only(motion_findings, level, "horizon_tilt").mended


def test_a_short_shutter_looks_chopped_only_where_things_move() -> None:
    short = with_columns(quiet(), "load", shutter_s=0.01)
    found = only(motion_findings, short, "shutter_short")
    assert found.measured == pytest.approx(1.8)
    assert found.limit == 30.0
    assert found.severity == "visible"  # however short: some like it so
    still = with_columns(short, "stabilise", ground_motion=0.001)
    assert told(motion_findings, still) == []


def test_a_long_shutter_smears() -> None:
    assert told(motion_findings, with_columns(quiet(), "stabilise", ground_motion=0.035)) == []
    found = only(motion_findings, with_columns(quiet(), "stabilise", ground_motion=0.05), "shutter_long")
    assert found.measured == pytest.approx(1.25)
    assert found.remedy.air is not None
    assert COURSE_CAUTION in found.remedy.air


def test_what_was_not_measured_gives_no_finding() -> None:
    from pipeline.report.evidence import StageFacts

    assert told(motion_findings, quiet(stabilise=StageFacts(), way=None)) == []
    assert told(motion_findings, quiet(stabilise=StageFacts(), load=StageFacts(), way=None)) == []
