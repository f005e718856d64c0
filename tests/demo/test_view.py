"""What the camera sees: light, geometry and motion blur against sums done another way."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import cv2
import numpy as np
import pytest

from pipeline.demo.buildings import Building
from pipeline.demo.camera import Camera, Exposed, intrinsics
from pipeline.demo.flight import Exposure, FlightSpec, FrameTruth, fly
from pipeline.demo.photograph import camera_levels, take
from pipeline.demo.sensor import PATTERNS
from pipeline.demo.view import expose
from pipeline.demo.world import World, saltmere
from tests.demo.made import TEXELS, calm, centre_near, flat_world, spots

PLACES = [(-18.0, 8.0), (0.0, 12.0), (14.0, 30.0), (-30.0, 45.0), (6.0, 60.0)]


def middle(spec: FlightSpec, truth: FrameTruth) -> Camera:
    return Camera(intrinsics(spec.size, spec.focal_px), spec.size, truth.rotation, truth.position_m)


def shutter(seconds: float) -> tuple[Exposure, ...]:
    return (Exposure(0, Fraction(max(seconds, 0.001)).limit_denominator(1000), seconds),)


def mean_of_instants(world: World, spec: FlightSpec, truth: FrameTruth, count: int) -> np.ndarray:
    """The exposure as the plain mean of many instants."""
    motion = Exposed(middle(spec, truth), truth.velocity_m_s, truth.spin_rad_s, truth.exposure.true_s)
    total = np.zeros((*spec.size[::-1], 3))
    instant = replace(truth.exposure, true_s=1e-9)
    for k in range(count):
        time = truth.exposure.true_s * ((k + 0.5) / count - 0.5)
        camera = motion.at(time)
        now = replace(
            truth,
            rotation=camera.rotation,
            position_m=camera.position,
            exposure=instant,
            time_s=truth.time_s + time,
        )
        total += expose(world, spec, now)
    return total / count


def test_flat_world_is_flat_everywhere() -> None:
    spec = calm()
    picture = expose(flat_world(0.2), spec, fly(spec)[0])
    assert picture.shape == (240, 320, 3)
    below = picture[60:]  # the horizon, with its haze from 1200 m on, is above
    np.testing.assert_allclose(below, 0.2, rtol=1e-4)


def test_ratio_of_two_photos_is_their_true_gain() -> None:
    spec = calm(flicker_ev=0.2, light_ev=0.3, vignette_ev=(0.2, 0.1, 0.0), wander_mired=25.0)
    spec = replace(spec, exposures=(*shutter(0.02), Exposure(1, Fraction(1, 15), 1 / 16)))
    truths = fly(spec)
    black = spec.sensor.black
    pictures = [take(flat_world(0.2), spec, t).mosaic[100:].astype(float) - black for t in truths]
    for picture, truth in zip(pictures[1:], truths[1:], strict=True):
        measured = np.log2(picture.mean() / pictures[0].mean())
        assert measured == pytest.approx(truth.gain_ev - truths[0].gain_ev, abs=2e-4)


def test_true_colour_of_the_light_shows_in_the_mosaic_and_the_wander_does_not() -> None:
    spec = calm(drift_mired=20.0, wander_mired=25.0)
    truths = fly(spec)
    for truth in truths:
        mosaic = take(flat_world(0.3), spec, truth).mosaic.astype(float) - spec.sensor.black
        red, blue = (mosaic[100:][np.tile(PATTERNS["RGGB"] == code, (70, 160))].mean() for code in (0, 2))
        true_neutral = camera_levels(np.ones((240, 320, 3), np.float32), spec, truth)[0, 0]
        assert red / blue == pytest.approx(true_neutral[0] / true_neutral[2], rel=1e-3)
    assert truths[1].as_shot_neutral != pytest.approx(tuple(true_neutral / true_neutral[1]))


@pytest.mark.parametrize("seconds", [1e-9, 0.3])
def test_ground_appears_where_the_pinhole_camera_puts_it(seconds: float) -> None:
    spec = calm(
        shake_deg=1.0, shake_rate_deg_s=0.3, turn_deg=6.0, exposures=shutter(seconds), size=(640, 480)
    )
    truth = fly(spec)[1]
    picture = expose(flat_world(spots(PLACES)), spec, truth)
    motion = Exposed(middle(spec, truth), truth.velocity_m_s, truth.spin_rad_s, seconds)
    points = np.array([[*place, 0.0] for place in PLACES])
    instants = seconds * (np.arange(20) - 9.5) / 20
    pixels = np.mean([motion.at(t).project(points) for t in instants], axis=0)
    for pixel in pixels:
        found = centre_near(picture, pixel, 22)
        # A spot's centre of light lies beside its middle's image by the perspective within the spot.
        np.testing.assert_allclose(found, pixel, atol=0.12)


def test_height_gives_parallax_where_the_pinhole_camera_puts_it() -> None:
    grey = (0.5, 0.5, 0.5)
    tower = Building(3.0, 25.0, 4, 4, 15, 0, 30, (0.0, 0.0, 0.0), grey, 1)
    spec = calm(size=(640, 480), exposures=shutter(1e-9))
    for truth in fly(spec):
        picture = expose(flat_world(0.0, (tower,)), spec, truth)
        roof = np.column_stack([tower.footprint(), np.full(4, 15.0)])
        pixels = middle(spec, truth).project(roof)
        x, y = np.meshgrid(np.arange(640), np.arange(480))
        lit = picture[..., 0] > 0.1
        lit[:150] = False  # sky
        assert lit.any()
        low, high = pixels.min(axis=0), pixels.max(axis=0)
        assert x[lit].min() == pytest.approx(low[0], abs=1.2)
        assert x[lit].max() == pytest.approx(high[0], abs=1.2)
        assert y[lit].min() == pytest.approx(low[1], abs=1.2)
        assert y[lit].max() == pytest.approx(high[1], abs=1.2)


@pytest.mark.parametrize(("with_house", "bound"), [(False, 0.15), (True, 0.25)])
def test_motion_blur_is_the_mean_of_instants(with_house: bool, bound: float) -> None:
    # Grain of 2 m, near enough to be pixels wide, and plain walls: this tests the motion, and not the
    # softening by repeated interpolation, which is what is left (seen: 0.11 and 0.18 of the change).
    noise = np.random.default_rng(5).standard_normal((TEXELS, TEXELS)).astype(np.float32)
    ground = np.clip(0.35 + 3 * cv2.GaussianBlur(noise, (0, 0), 8), 0.02, 1)
    house = Building(-6.0, 10.0, 9, 7, 6, 3, 20, (0.5, 0.4, 0.3), (0.3, 0.1, 0.1), 2)
    plain = tuple(
        replace(f, texture=np.full((16, 16, 4), f.texture.mean(axis=(0, 1)), np.float32))
        for f in house.faces()
    )
    world = replace(flat_world(ground), faces=(plain,) if with_house else ())
    spec = calm(exposures=shutter(0.5), turn_deg=8.0, shake_rate_deg_s=0.4, speed_m_s=6.0)
    truth = fly(spec)[1]
    blurred, sharp = expose(world, spec, truth), mean_of_instants(world, spec, truth, 1)
    mean = mean_of_instants(world, spec, truth, 32)
    error = np.sqrt(np.mean((blurred - mean)[170:] ** 2))
    changed = np.sqrt(np.mean((sharp - mean)[170:] ** 2))
    assert changed > 0.007  # the blur is there to be got right
    assert error < bound * changed


def test_water_changes_from_photo_to_photo_and_ground_does_not() -> None:
    world = saltmere(texels=512, texel_m=4.0)
    spec = calm(frames=2, speed_m_s=0.0, start_m=(0.0, -980.0), heading_deg=0.0)
    one, two = (expose(world, spec, t) for t in fly(spec))
    sea, land = np.s_[180:, 20:300], np.s_[150:, 120:200]
    assert np.std(one[sea] / two[sea]) > 0.05
    spec = replace(spec, start_m=(0.0, 0.0))
    one, two = (expose(world, spec, t) for t in fly(spec))
    np.testing.assert_allclose(one[land], two[land], rtol=1e-5)
