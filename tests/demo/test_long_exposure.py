"""Added motion blur against true long exposures of a synthetic flight, and a made frame against the true one.

The truth is the mean of many instants of the same flight in linear light, each drawn by itself: it shares
nothing with the code under test, nor with the way in which the demo blurs its photos.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.demo.flight import Exposure, FlightSpec, FrameTruth, fly
from pipeline.demo.texture import fractal_noise
from pipeline.demo.view import expose
from pipeline.demo.world import World
from pipeline.render.flow import between, compare, grey
from pipeline.render.shutter import added_share, own_angle_deg, smear, velocity
from tests.demo.made import TEXELS, calm, flat_world
from tests.render.made import psnr

Float32 = NDArray[np.float32]

SHORT, LONG, INTERVAL_S = 0.25, 1.5, 3.0


@lru_cache(maxsize=1)
def plain() -> World:
    """An invented plain with detail of many sizes under a grey sky."""
    rng = np.random.default_rng(8)
    noise = 0.06 * fractal_noise(rng, TEXELS, 100.0, 5) + 0.08 * rng.standard_normal((TEXELS, TEXELS))
    return flat_world(np.clip(0.25 + noise, 0.02, 0.9).astype(np.float32))


def spec(**changes: Any) -> FlightSpec:
    exposure = Exposure(0, Fraction(1, 4), SHORT)
    values = {"size": (400, 300), "interval_s": INTERVAL_S, "speed_m_s": 1.2, "exposures": (exposure,)}
    return calm(**{**values, **changes})


def instant(flight: FlightSpec, truth: FrameTruth, later_s: float) -> Float32:
    """What is seen in one instant, `later_s` after the middle of a photo's exposure."""
    moved = replace(
        truth,
        position_m=truth.position_m + truth.velocity_m_s * later_s,
        exposure=Exposure(0, Fraction(1, 8000), 1 / 8000),
    )
    return expose(plain(), flight, moved)


def long_exposure(flight: FlightSpec, truth: FrameTruth, instants: int = 40) -> Float32:
    times = ((np.arange(instants) + 0.5) / instants - 0.5) * LONG
    return np.asarray(np.mean([instant(flight, truth, float(t)) for t in times], axis=0), np.float32)


@pytest.mark.parametrize(("pitch_deg", "look_deg"), [(-35.0, 0.0), (-60.0, 90.0)])
def test_added_blur_comes_near_the_true_long_exposure(pitch_deg: float, look_deg: float) -> None:
    flight = spec(pitch_deg=pitch_deg, look_deg=look_deg)
    truths = fly(flight)
    frames = [expose(plain(), flight, truth) for truth in truths]
    greys = [grey(frame) for frame in frames]
    earlier, later = compare(greys[0], greys[1]).backward, compare(greys[1], greys[2]).forward
    motion = velocity(earlier.trusted(), later.trusted())
    own = float(own_angle_deg(np.array(SHORT), np.array(INTERVAL_S)))
    wished = 360.0 * LONG / INTERVAL_S
    blurred = smear(frames[1], motion, added_share(own, wished))
    truth = long_exposure(flight, truths[1])
    moving = np.hypot(motion[..., 0], motion[..., 1]) > 3.0
    assert moving.mean() > 0.5
    assert psnr(blurred[moving], truth[moving]) > psnr(frames[1][moving], truth[moving]) + 3.0
    assert psnr(blurred, truth) > psnr(frames[1], truth) + 3.0
    # Neither more nor less blur than was wished comes nearer.
    for other in (120.0, 270.0):
        off = smear(frames[1], motion, added_share(own, other))
        assert psnr(blurred[moving], truth[moving]) > psnr(off[moving], truth[moving]) + 1.0


def test_a_made_frame_comes_nearer_the_true_one_than_the_held_one() -> None:
    flight = spec(pitch_deg=-35.0)
    first, truth, second = (expose(plain(), flight, truth) for truth in fly(flight))
    flows = compare(grey(first), grey(second))
    made, known = between(first, second, flows, 0.5)
    assert flows.consistent > 0.8
    assert known > 0.95
    assert psnr(made, truth) > max(psnr(first, truth), psnr(second, truth)) + 6.0
    assert psnr(made, truth) > psnr((first + second) / 2, truth) + 4.0
