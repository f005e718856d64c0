"""Flashing against the worked numbers of WCAG 2.2 (W3C Recommendation, success criterion 2.3.1).

The numbers are those of the definitions "general flash and red flash thresholds" and "relative
luminance"; the published text was quoted from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure import flash
from pipeline.measure.flash import (
    linear_light,
    measure_flashes,
    relative_luminance,
    saturated_red,
    ucs_1976,
)


def code_of(linear: float) -> int:
    """The sRGB code of a linear level (IEC 61966-2-1)."""
    value = 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055
    return round(255 * value)


def alternating(low: int, high: int, count: int = 60) -> list[np.ndarray]:
    """Frames that change every third of 30 a second: five flashes a second."""
    return [np.full((48, 64, 3), high if k % 6 < 3 else low, np.uint8) for k in range(count)]


def test_a_quarter_of_the_field_is_21824_square_pixels() -> None:
    # "any contiguous area ... 341 by 256 pixel rectangle ... 25 % ... 21,824 sq pixels"
    assert flash.FIELD_SHARE * flash.FIELD_PX[0] * flash.FIELD_PX[1] == 21_824


def test_relative_luminance_of_the_primaries() -> None:
    # L = 0.2126 R + 0.7152 G + 0.0722 B
    primaries = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255], [0, 0, 0]]], np.uint8)
    assert relative_luminance(linear_light(primaries))[0] == pytest.approx(
        [0.2126, 0.7152, 0.0722, 1.0, 0.0], abs=1e-6
    )


def test_relative_luminance_of_a_grey() -> None:
    # code 119 / 255 = 0.4667; ((0.4667 + 0.055) / 1.055) ** 2.4 = 0.1845 (worked by hand)
    assert relative_luminance(linear_light(np.full((1, 1, 3), 119, np.uint8)))[0] == pytest.approx(
        [0.1845], abs=1e-4
    )


def test_a_change_of_a_tenth_of_the_maximum_is_a_general_flash_below_080() -> None:
    assert measure_flashes(alternating(code_of(0.50), code_of(0.61)), 30.0).worst > 3.0
    assert measure_flashes(alternating(code_of(0.50), code_of(0.59)), 30.0).worst == 0.0
    assert measure_flashes(alternating(code_of(0.81), code_of(0.98)), 30.0).worst == 0.0
    assert measure_flashes(alternating(code_of(0.78), code_of(0.98)), 30.0).worst > 3.0


@pytest.mark.parametrize(("luminance", "step_ev"), [(0.18, 0.64), (0.50, 0.26)])
def test_a_third_of_a_stop_on_a_bright_scene_is_a_hazard(luminance: float, step_ev: float) -> None:
    # log2((L + 0.1) / L): the steps that the design names
    assert np.log2((luminance + flash.LUMINANCE_CHANGE) / luminance) == pytest.approx(step_ev, abs=0.005)
    low = code_of(luminance)
    over, under = (code_of(luminance * 2 ** (step_ev + d)) for d in (0.03, -0.04))
    assert measure_flashes(alternating(low, over), 30.0).worst > 3.0
    assert measure_flashes(alternating(low, under), 30.0).worst == 0.0


def test_three_flashes_in_a_second_pass_and_four_do_not() -> None:
    three = [np.full((48, 64, 3), 200 if k % 10 < 5 else 100, np.uint8) for k in range(60)]
    four = [np.full((48, 64, 3), 200 if (8 * k // 30) % 2 else 100, np.uint8) for k in range(60)]
    assert len(measure_flashes(three, 30.0).beyond) == 0
    assert len(measure_flashes(four, 30.0).beyond) > 0


def test_saturated_red_begins_at_four_fifths() -> None:
    # R / (R + G + B) >= 0.8 in linear light
    states = np.array([[0.8, 0.1, 0.1], [0.79, 0.11, 0.1], [0.08, 0.01, 0.01], [0.0, 0.0, 0.0]], np.float32)
    assert saturated_red(states).tolist() == [True, False, True, False]


def test_ucs_of_the_primaries() -> None:
    # CIE 1976 u', v' of sRGB: red 0.4507, 0.5229; D65 0.1978, 0.4683 (published tables, from memory)
    states = np.array([[1.0, 0.0, 0.0], [1.0, 1.0, 1.0]], np.float32)
    assert ucs_1976(states) == pytest.approx(np.array([[0.4507, 0.5229], [0.1978, 0.4683]]), abs=5e-4)


def test_ucs_agrees_with_colour_science() -> None:
    colour = pytest.importorskip("colour")
    states = np.random.default_rng(4).uniform(0.01, 1.0, (50, 3)).astype(np.float32)
    xyz = colour.RGB_to_XYZ(states, colour.RGB_COLOURSPACES["sRGB"])
    theirs = colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz))
    assert ucs_1976(states) == pytest.approx(theirs, abs=3e-4)
