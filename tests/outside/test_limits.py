"""The limits that claim a source outside the project agree with it, as far as it gives numbers."""

from __future__ import annotations

import math

import pytest

from pipeline.report.metrics import load_limits


def test_the_worst_flicker_is_where_a_general_flash_begins() -> None:
    """WCAG 2.2, success criterion 2.3.1, 'general flash': 10 % of the maximum relative luminance (1.0).

    From a luminance of 0.5 upward that is log2(0.6 / 0.5). The text of the criterion is from memory.
    """
    flash_ev = math.log2((0.5 + 0.1) / 0.5)
    limit = load_limits()["flicker_worst_ev"].value
    assert limit <= flash_ev and limit == pytest.approx(flash_ev, abs=0.005)


def test_the_jitter_limit_is_a_minute_of_arc() -> None:
    """ITU-R BT.2022: 1080 lines are viewed from 3.2 picture heights (from memory).

    A sharp eye (visual acuity 1.0, ISO 8596) resolves one minute of arc.
    """
    minutes = math.degrees(math.atan(1.0 / 1080.0 / 3.2)) * 60.0
    assert load_limits()["jitter_rms_px"].value * minutes == pytest.approx(1.0, rel=0.01)
