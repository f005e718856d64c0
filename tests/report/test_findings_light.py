"""Causes in exposure and colour: beyond their limits they are named, below they are not."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.report.evidence import StageFacts
from pipeline.report.findings.colour import colour_findings
from pipeline.report.findings.exposure import exposure_findings
from tests.report.flown import COUNT, figures, only, quiet, told, with_columns, with_figures


def test_a_quiet_flight_has_no_finding() -> None:
    assert told(exposure_findings, quiet()) == []
    assert told(colour_findings, quiet()) == []


def flickering(rms: float, left: float = 0.001) -> dict[str, float]:
    return {"found": rms, "left": left}


@pytest.mark.parametrize("times", [0.8, 1.2, 10.0])
def test_flicker_is_named_and_mended(times: float) -> None:
    level = np.random.default_rng(1).normal(0, 0.006 * times, COUNT)
    flown = with_columns(quiet(), "deflicker", level_ev=level)
    flown = with_figures(flown, "deflicker", "found", flicker_rms_ev=0.006 * times)
    if times < 1.0:
        assert told(exposure_findings, flown) == []
        return
    found = only(exposure_findings, flown, "exposure_flicker")
    assert found.seen == "the brightness flickers"
    assert found.mended
    assert found.left == 0.001
    assert len(found.frames) > 5
    kept = with_figures(flown, "deflicker", "left", flicker_rms_ev=0.05)
    assert only(exposure_findings, kept, "exposure_flicker").severity == "spoils"


def test_single_photos_that_flash_up_are_named() -> None:
    level = np.random.default_rng(1).normal(0, 0.001, COUNT)
    level[[17, 40]] += 0.5
    flown = with_columns(quiet(), "deflicker", level_ev=level)
    flown = with_figures(flown, "deflicker", "found", flicker_rms_ev=float(level.std()))
    found = only(exposure_findings, flown, "exposure_flicker")
    assert found.frames == [17, 40]
    assert found.seen == "single photos flash up or go dark"


def test_a_photo_that_flashes_up_amid_flicker_does_not_hide_it() -> None:
    level = np.random.default_rng(1).normal(0, 0.08, COUNT)
    level[17] += 0.6
    flown = with_columns(quiet(), "deflicker", level_ev=level)
    flown = with_figures(flown, "deflicker", "found", flicker_rms_ev=float(level.std()))
    assert only(exposure_findings, flown, "exposure_flicker").seen == "the brightness flickers"


def test_a_nominal_tag_is_no_flicker_of_single_frames() -> None:
    exif = np.where(np.arange(COUNT) < 30, 0.0, -1.0)
    level = np.where(np.arange(COUNT) < 30, 0.0, -0.91)  # 1/60 that is 1/64
    flown = with_columns(quiet(), "deflicker", level_ev=level, exif_ev=exif)
    level[12] += 0.3
    flown = with_columns(flown, "deflicker", level_ev=level)
    flown = with_figures(flown, "deflicker", "found", flicker_rms_ev=0.04)
    assert only(exposure_findings, flown, "exposure_flicker").frames == [12]


@pytest.mark.parametrize("step", [0.08, 1 / 3])
def test_a_change_of_settings(step: float) -> None:
    exif = np.where(np.arange(COUNT) < 25, 0.0, step)
    flown = with_columns(quiet(), "load", exposure_ev=exif)
    if step < 0.1:
        assert told(exposure_findings, flown) == []
        return
    found = only(exposure_findings, flown, "exposure_change")
    assert found.frames == [25]
    assert found.measured == pytest.approx(step)
    assert found.mended
    left = np.where(np.arange(COUNT) < 25, 0.0, 0.2)
    assert not only(
        exposure_findings, with_columns(flown, "deflicker", left_ev=left), "exposure_change"
    ).mended


def test_the_light_itself() -> None:
    light = np.linspace(0, -1.4, COUNT)
    flown = with_columns(quiet(), "deflicker", light_ev=light, level_ev=light)
    found = only(exposure_findings, flown, "light_change")
    assert found.seen == "the scene grows darker"
    assert found.severity == "visible"
    assert told(exposure_findings, with_columns(quiet(), "deflicker", light_ev=light / 2)) == []


@pytest.mark.parametrize(
    ("field", "shares", "cause"),
    [
        ("clipped", (0.01, 0.05, 0.002), "sky_clipped"),
        ("crushed", (0.01, 0.05, 0.03), "ground_crushed"),
    ],
)
def test_clipping_top_and_bottom(field: str, shares: tuple[float, float, float], cause: str) -> None:
    looks = {k: figures(k, **({field: shares} if k > 50 else {})) for k in range(COUNT)}
    found = only(exposure_findings, quiet(looks=looks), cause)
    assert found.frames == list(range(51, COUNT))
    assert found.measured == pytest.approx(5.0 if cause == "sky_clipped" else 3.0)
    assert not found.mended


def test_flashing_photos_that_are_mended_and_a_video_that_is_not() -> None:
    flashes = np.where(np.arange(COUNT) > 30, 6.0, 0.0)
    found = only(exposure_findings, quiet(flashes_found=flashes), "flashing")
    assert (found.measured, found.limit, found.mended) == (6.0, 3.0, False)
    assert "WCAG" in found.why
    video = {"outputs": [{"file": "x.mp4", "fps": "30"}]}
    mended = StageFacts({"flashes_per_s": 6.0}, video, {"flashes_per_s": 1.0}, [{"frame": 0}])
    assert only(exposure_findings, quiet(flashes_found=flashes, encode=mended), "flashing").mended
    rows = [{"frame": k, "flashes_per_s": 5.0 if k > 40 else 0.0} for k in range(COUNT)]
    still = StageFacts({"flashes_per_s": 6.0}, video, {"flashes_per_s": 5.0}, rows)
    found = only(exposure_findings, quiet(flashes_found=flashes, encode=still), "flashing")
    assert not found.mended
    assert found.frames == list(range(41, COUNT))
    assert found.remedy.desk is not None
    assert "do not publish" in found.remedy.desk


@pytest.mark.parametrize("times", [0.8, 3.0])
def test_automatic_white_balance(times: float) -> None:
    wander = np.random.default_rng(2).normal(0, 5.0 * times, COUNT)
    flown = with_columns(quiet(), "balance", wander_mired=wander)
    flown = with_figures(flown, "balance", "found", neutral_rms_mired=5.0 * times)
    if times < 1.0:
        assert told(colour_findings, flown) == []
    else:
        found = only(colour_findings, flown, "auto_white_balance")
        assert found.mended
        assert found.unit == "mired RMS"


@pytest.mark.parametrize("veil", [0.15, 0.3])
def test_haze(veil: float) -> None:
    looks = {k: figures(k, veil=veil) for k in range(COUNT)}
    if veil < 0.2:
        assert told(colour_findings, quiet(looks=looks)) == []
    else:
        assert only(colour_findings, quiet(looks=looks), "haze").measured == pytest.approx(30.0)


def test_hot_photosites_are_mended_by_the_render() -> None:
    found = only(colour_findings, quiet(hot_count=12), "hot_pixel")
    assert found.mended
    assert found.severity == "note"


def test_what_was_not_measured_gives_no_finding() -> None:
    bare = quiet(looks={}, hot_count=None, flashes_found=None, balance=StageFacts(), deflicker=StageFacts())
    assert told(exposure_findings, bare) == []
    assert told(colour_findings, bare) == []
