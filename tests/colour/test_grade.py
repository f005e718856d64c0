"""Grades: what each setting does, in which direction, and what a wrong one says."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.colour.cdl import Cdl
from pipeline.colour.display import BT709_TO_BT2020, BT2020_TO_BT709
from pipeline.colour.grade import Grade, apply_grade
from pipeline.errors import UsageError
from pipeline.render.grades import load_grade
from pipeline.settings import configs_dir
from tests.reference import bt1886_to_linear

NAMES = sorted(path.stem for path in (configs_dir() / "grades").glob("*.toml"))
NEUTRAL = Grade(intent="as it was")
THROUGH_ACES = Grade(intent="as it was", cdl=Cdl(saturation=1.0 + 1e-9))


def grey(*levels: float) -> np.ndarray:
    return np.repeat(np.array(levels, np.float32)[np.newaxis, :, np.newaxis], 3, axis=2)


@pytest.fixture
def colours():
    """Linear BT.2020 of colours within BT.709, levels 0.02 to 0.75."""
    rgb = np.random.default_rng(8).uniform(0.02, 0.75, (40, 60, 3))
    return (rgb @ BT709_TO_BT2020.T).astype(np.float32)


def test_plain_is_the_light_as_it_was(colours):
    shown = bt1886_to_linear(apply_grade(load_grade("plain"), colours))
    assert_allclose(shown, colours @ BT2020_TO_BT709.T, atol=2e-6)


def test_plain_shows_white_as_white_and_black_as_black():
    shown = apply_grade(load_grade("plain"), grey(-0.01, 0.0, 1.0, 3.0))[0]
    assert_allclose(shown, grey(0.0, 0.0, 1.0, 1.0)[0], atol=1e-6)


def test_without_shoulder_levels_clip_at_one():
    shown = apply_grade(NEUTRAL.model_copy(update={"shoulder": False}), grey(0.9, 1.0, 1.1))[0]
    assert_allclose(bt1886_to_linear(shown), grey(0.9, 1.0, 1.0)[0], atol=1e-6)


def test_the_way_through_aces_changes_nothing_by_itself(colours):
    assert_allclose(apply_grade(THROUGH_ACES, colours), apply_grade(NEUTRAL, colours), atol=2e-5)


def test_the_picture_given_is_left_alone(colours):
    before = colours.copy()
    apply_grade(Grade(intent="x", contrast=1.2), colours)
    assert (colours == before).all()


def test_a_strip_alone_is_the_strip_of_the_whole(colours):
    """To the last bits of light: OpenCV's matrix product rounds the last pixels of an array otherwise.

    Near black the display's curve makes 72 times as much of it in code, so light is compared.
    """
    for name in NAMES:
        whole = bt1886_to_linear(apply_grade(load_grade(name), colours))
        strip = bt1886_to_linear(apply_grade(load_grade(name), colours[10:20]))
        assert_allclose(strip, whole[10:20], atol=1e-6)


def test_exposure_is_in_ev():
    shown = bt1886_to_linear(apply_grade(Grade(intent="x", exposure_ev=1.0), grey(0.1, 0.3)))
    assert_allclose(shown, grey(0.2, 0.6), rtol=1e-5)


def test_temperature_and_tint_turn_the_right_way():
    warm = apply_grade(Grade(intent="x", temperature_mired=30.0), grey(0.3))[0, 0]
    cool = apply_grade(Grade(intent="x", temperature_mired=-30.0), grey(0.3))[0, 0]
    green = apply_grade(Grade(intent="x", tint_duv=0.01), grey(0.3))[0, 0]
    assert warm[0] > warm[1] > warm[2]
    assert cool[0] < cool[1] < cool[2]
    assert green[1] > max(green[0], green[2])


def test_contrast_turns_about_mid_grey_and_keeps_black():
    for contrast in (0.7, 1.4):
        shown = bt1886_to_linear(
            apply_grade(Grade(intent="x", contrast=contrast), grey(0.0, 0.02, 0.18, 0.3))
        )
        assert_allclose(
            shown[0, :, 0], 0.18 * (np.array([0.0, 0.02, 0.18, 0.3]) / 0.18) ** contrast, atol=2e-5
        )


def test_saturation_zero_is_grey(colours):
    shown = apply_grade(Grade(intent="x", cdl=Cdl(saturation=0.0)), colours)
    assert np.ptp(shown, axis=-1).max() < 1e-4


def test_a_brighter_grade_still_rolls_off_instead_of_clipping():
    """White lifted to 1.3 by the grade: levels just below it stay apart."""
    shown = apply_grade(Grade(intent="x", exposure_ev=np.log2(1.3)), grey(0.9, 0.95, 1.0))[0, :, 0]
    assert shown[0] < shown[1] < shown[2] == pytest.approx(1.0)


@pytest.mark.parametrize("name", NAMES)
def test_every_grade_is_monotonic_on_greys_and_within_range(name):
    shown = apply_grade(load_grade(name), grey(*np.linspace(0.0, 1.5, 2000)))[0]
    assert shown.min() >= 0.0 and shown.max() <= 1.0
    assert (np.diff(shown, axis=0) > -1e-6).all()
    assert np.isfinite(shown).all()


def test_there_are_grades_that_really_differ(colours):
    shown = {name: apply_grade(load_grade(name), colours) for name in NAMES}
    assert len(NAMES) >= 4
    for index, first in enumerate(NAMES):
        for second in NAMES[index + 1 :]:
            assert np.abs(shown[first] - shown[second]).mean() > 0.01, (first, second)


def test_each_grade_says_its_intent_in_one_line_and_has_its_own_fingerprint():
    grades = [load_grade(name) for name in NAMES]
    assert all(grade.intent and "\n" not in grade.intent for grade in grades)
    assert len({grade.fingerprint() for grade in grades}) == len(grades)


def test_fingerprint_follows_the_picture_not_the_words():
    assert NEUTRAL.fingerprint() == Grade(intent="other words").fingerprint()
    assert NEUTRAL.fingerprint() != Grade(intent="as it was", exposure_ev=0.1).fingerprint()
    assert NEUTRAL.fingerprint() != Grade(intent="as it was", cdl=Cdl(power=(1.0, 1.0, 1.1))).fingerprint()


def test_a_grade_file_of_ones_own(tmp_path):
    path = tmp_path / "lantern-hill.toml"
    path.write_text('intent = "dusk over Lantern Hill"\n[cdl]\nslope = [1.1, 1, 0.9]\n')
    assert load_grade(str(path)).cdl.slope == (1.1, 1.0, 0.9)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('intent = "x"\nexposure = 1.0', "unknown 'exposure' .*did you mean 'exposure_ev'"),
        ('intent = "x"\n[cdl]\nslopes = [1, 1, 1]', "unknown 'cdl.slopes' .*did you mean 'cdl.slope'"),
        ('intent = "x"\nexposure_ev = 9', "'exposure_ev' .*less than or equal to 3"),
        ('intent = "x"\n[cdl]\npower = [0, 1, 1]', "'cdl.power.*' .*greater than 0"),
        ('intent = "x"\n[cdl]\nslope = [-1, 1, 1]', "'cdl.slope.*' .*greater than or equal to 0"),
        ("exposure_ev = 1.0", "'intent'"),
        ("intent = ", "cannot read"),
    ],
)
def test_a_wrong_grade_is_told_in_one_sentence(tmp_path, text, words):
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(UsageError, match=words) as caught:
        load_grade(str(path))
    assert "\n" not in str(caught.value) and "mine.toml" in str(caught.value)


def test_an_unknown_grade_names_the_nearest():
    with pytest.raises(UsageError, match="unknown grade 'plane'; did you mean 'plain'"):
        load_grade("plane")
