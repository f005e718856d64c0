"""The shutter by EXIF beside the blur seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.measure.look import PairFigures
from pipeline.measure.sharpness import SeenBlur
from pipeline.measure.shutter import shutter_figures
from tests.measure.synthetic_pairs import light_pair
from tests.stages.flights import sequence_of


def pairs_of(count: int, blur_px: float, motion_px: float) -> list[PairFigures]:
    plain = light_pair(0, 1, np.zeros((count + 1, 3)), np.random.default_rng(1), blocks=1)
    return [replace(plain, i=k, j=k + 1, seen_blur=SeenBlur(blur_px, motion_px)) for k in range(count)]


def test_shutter_angle_and_the_blur_it_means() -> None:
    sequence = sequence_of(9, shutters_s=[0.5] * 9, interval_s=2.0)
    told = shutter_figures(sequence, pairs_of(8, 4.0, 20.0))
    assert told.angle_deg == pytest.approx(90.0)
    assert told.blur_told_px == pytest.approx(5.0)
    assert told.blur_seen_px == pytest.approx(4.0)
    assert told.contradiction is None


@pytest.mark.parametrize(
    ("seen", "motion", "sentence"),
    [
        (9.0, 4.0, "gusts, a loose camera or a wrong exposure time"),
        (0.5, 24.0, "may be wrong"),
        (6.0, 4.0, None),  # within what the measure itself may be off
        (9.95, 200.0, None),  # longer blur than can be told
    ],
)
def test_only_gross_contradictions_are_told(seen: float, motion: float, sentence: str | None) -> None:
    sequence = sequence_of(9, shutters_s=[0.5] * 9, interval_s=2.0)
    contradiction = shutter_figures(sequence, pairs_of(8, seen, motion)).contradiction
    if sentence is None:
        assert contradiction is None
    else:
        assert contradiction is not None
        assert sentence in contradiction


def test_what_is_not_known_stays_so() -> None:
    silent = shutter_figures(sequence_of(9), pairs_of(8, 4.0, 20.0))
    assert (silent.angle_deg, silent.blur_told_px, silent.contradiction) == (None, None, None)
    assert silent.blur_seen_px == pytest.approx(4.0)
    few = shutter_figures(sequence_of(9, shutters_s=[0.5] * 9), pairs_of(3, 9.0, 4.0))
    assert (few.blur_seen_px, few.contradiction) == (None, None)
