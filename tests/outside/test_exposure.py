"""Exposure values against published relations."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from pipeline.measure.exposure import captured_ev, whole_ev


@pytest.mark.parametrize(
    ("shutter_s", "aperture", "ev"),
    [
        # Exif 3.0 (CIPA DC-008) annex C, from memory: Tv 0 = 1 s, 5 = 1/30, 6 = 1/60, 7 = 1/125, 10 = 1/1000;
        # Av 0 = f/1, 3 = f/2.8, 4 = f/4, 5 = f/5.6, 8 = f/16; Ev = Av + Tv. The tabulated settings are
        # nominal: 1/30 for 1/32 is 0.093 EV and f/2.8 for f/2.83 is 0.029 EV off, together 0.122.
        (1.0, 1.0, 0.0),
        (1 / 30, 2.8, 8.0),
        (1 / 60, 4.0, 10.0),
        (1 / 125, 5.6, 12.0),
        (1 / 1000, 16.0, 18.0),
    ],
)
def test_apex_table(shutter_s: float, aperture: float, ev: float) -> None:
    told = captured_ev(shutter_s, aperture, 100.0)
    assert told is not None
    assert -told == pytest.approx(ev, abs=0.123)


def test_exact_apex_values() -> None:
    # Exif 3.0 annex C: Tv = -log2 t, Av = 2 log2 N, Sv = log2(S / 3.125), so ISO 100 is Sv 5
    for tv, av, sv in [(6, 3, 5), (10, 8, 5), (0, 0, 7), (-3, 4, 6)]:
        told = captured_ev(2.0**-tv, 2.0 ** (av / 2), 3.125 * 2.0**sv)
        assert told == pytest.approx(-(av + tv) + (sv - 5), abs=1e-12)


def test_bright_sun_rule() -> None:
    # common practice, no source: f/16 and one over ISO seconds in full sun, which is Ev 15 at ISO 100
    at_100, at_400 = captured_ev(1 / 100, 16.0, 100.0), captured_ev(1 / 400, 16.0, 400.0)
    assert at_100 == pytest.approx(at_400, abs=1e-12)
    assert at_100 == pytest.approx(-14.64, abs=0.01)


def test_neutral_density_filters_are_made_up_by_the_shutter() -> None:
    # An ND filter's number is the factor by which it dims: ND512 = 9 stops, ND1000 = 9.97 stops (design,
    # section 8; common names of the trade). A shutter longer by the factor records the same.
    for factor, stops in [(8, 3.0), (64, 6.0), (512, 9.0), (1000, 9.97)]:
        longer = captured_ev(factor / 1000, 2.8, 100.0)
        plain = captured_ev(1 / 1000, 2.8, 100.0)
        assert longer is not None and plain is not None
        assert longer - plain == pytest.approx(stops, abs=0.005)
        assert math.log2(factor) == pytest.approx(stops, abs=0.005)


def test_third_stop_iso_and_unknown_settings() -> None:
    # ISO 12232 / camera series 100, 125, 160, 200: thirds of a stop (from memory), nominal
    values = [captured_ev(1 / 60, 4.0, iso) for iso in (100.0, 125.0, 160.0, 200.0)]
    steps = [b - a for a, b in pairwise(values) if a is not None and b is not None]
    assert steps == pytest.approx([1 / 3] * 3, abs=0.03)
    assert captured_ev(None, 4.0, 100.0) is None
    assert captured_ev(1 / 60, None, 100.0) is None
    assert captured_ev(1 / 60, 4.0, None) is None


@pytest.mark.parametrize(
    ("shutter_s", "aperture", "ev"),
    [(1.0, 1.0, 0.0), (1 / 30, 2.8, 8.0), (1 / 60, 4.0, 10.0), (1 / 125, 5.6, 12.0), (1 / 1000, 16.0, 18.0)],
)
def test_nominal_tags_stand_for_whole_apex_values(shutter_s: float, aperture: float, ev: float) -> None:
    # Exif 3.0 (CIPA DC-008) annex C, from memory: the customary numbers are the rounded ones of the table
    assert whole_ev(shutter_s, aperture, 100.0) == pytest.approx(-ev, abs=1e-9)


def test_the_customary_third_stop_series_are_thirds() -> None:
    # Shutter times 1/10 to 1/100 and ISO 100 to 800 in thirds of a stop: common practice, no source
    times = [10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100]
    told = [whole_ev(1 / time, 4.0, 100.0) for time in times]
    assert [b - a for a, b in pairwise(told) if a is not None and b is not None] == pytest.approx(
        [-1 / 3] * 10
    )
    speeds = [100, 125, 160, 200, 250, 320, 400, 500, 640, 800]
    told = [whole_ev(1 / 60, 4.0, float(speed)) for speed in speeds]
    assert [b - a for a, b in pairwise(told) if a is not None and b is not None] == pytest.approx([1 / 3] * 9)
    assert whole_ev(None, 4.0, 100.0) is None
