"""Motion blur added along the flow: its length, its direction, and what it must leave alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.corrections import Corrections
from pipeline.render.shutter import added_share, own_angle_deg, plan_shutter, smear, velocity
from pipeline.render.timing import plan_video
from pipeline.settings import EncodeSettings
from tests.render.made import psnr
from tests.render.test_flow import HEIGHT, WIDTH, texture
from tests.render.test_timing import timeline


def test_shutter_angle_of_a_photo() -> None:
    # 1/4 s at 3 s is 30°; the 1.5 s that pilots wish for is 180°.
    np.testing.assert_allclose(own_angle_deg(np.array([0.25, 1.5]), np.array([3.0, 3.0])), [30.0, 180.0])


def test_variances_of_the_two_boxes_add_up_to_the_wished_one() -> None:
    own, added = np.ones(30) / 30, np.ones(round(added_share(30.0, 180.0) * 360)) / 177
    both = np.convolve(own, added)
    places = np.arange(len(both)) - (len(both) - 1) / 2
    assert np.sum(places**2 * both) == pytest.approx(180**2 / 12, rel=0.01)
    assert added_share(180.0, 180.0) == 0.0
    assert added_share(200.0, 180.0) == 0.0


@pytest.mark.parametrize("motion", [(17.0, 0.0), (-6.0, 11.0), (0.0, 60.0)])
def test_smearing_is_the_mean_over_the_way(motion: tuple[float, float]) -> None:
    picture = texture(height=HEIGHT, width=WIDTH)
    field = np.full((HEIGHT, WIDTH, 2), motion, np.float32)
    got = smear(picture, field, 0.5)
    total = np.zeros_like(picture)
    for k in range(120):
        way = ((k + 0.5) / 120 - 0.5) * 0.5
        shift = np.array([[1.0, 0.0, way * motion[0]], [0.0, 1.0, way * motion[1]]])
        total += cv2.warpAffine(picture, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    inner = np.s_[35:-35, 35:-35]
    assert psnr(got[inner], total[inner] / 120) > 45.0
    assert psnr(got[inner], total[inner] / 120) > psnr(picture[inner], total[inner] / 120) + 10.0


def test_blur_is_in_linear_light_and_keeps_its_mean() -> None:
    picture = np.zeros((100, 200, 3), np.float32)
    picture[:, 100] = 1.0
    got = smear(picture, np.full((100, 200, 2), (20.0, 0.0), np.float32), 1.0)
    assert got[50].sum() == pytest.approx(3.0, rel=0.01)
    assert got[50, :, 0].max() == pytest.approx(1 / 20, rel=0.1)
    spread = np.flatnonzero(got[50, :, 0] > 0.02)
    assert len(spread) == pytest.approx(20, abs=1)
    assert spread.mean() == pytest.approx(100, abs=0.5)  # centred: it stays in its place


def test_what_stands_still_stays_sharp_to_the_bit() -> None:
    picture = texture(height=HEIGHT, width=WIDTH)
    field = np.zeros((HEIGHT, WIDTH, 2), np.float32)
    field[:, 160:] = (12.0, 0.0)
    got = smear(picture, field, 0.5)
    np.testing.assert_array_equal(got[:, :140], picture[:, :140])
    assert np.abs(got[:, 200:-10] - picture[:, 200:-10]).max() > 0.02


def test_no_light_is_lost_at_the_border() -> None:
    flat = np.full((80, 120, 3), 0.4, np.float32)
    got = smear(flat, np.full((80, 120, 2), (30.0, -20.0), np.float32), 1.0)
    np.testing.assert_allclose(got, 0.4, rtol=5e-3)


def test_velocity_is_the_middle_of_both_ways() -> None:
    to_earlier = np.full((40, 60, 2), (-8.0, 0.0), np.float16)
    to_later = np.full((40, 60, 2), (10.0, 2.0), np.float16)
    np.testing.assert_allclose(velocity(to_earlier, to_later), np.broadcast_to((9.0, 1.0), (40, 60, 2)))
    np.testing.assert_allclose(velocity(None, to_later)[20, 30], (10.0, 2.0))
    np.testing.assert_allclose(velocity(to_earlier, None)[20, 30], (8.0, 0.0))


def test_velocity_is_zero_where_nothing_is_trusted_and_one_way_serves_where_it_is() -> None:
    lost = np.full((60, 80, 2), np.nan, np.float16)
    half = np.full((60, 80, 2), (10.0, 0.0), np.float16)
    half[:, :40] = np.nan
    got = velocity(lost, half)
    np.testing.assert_array_equal(got[:, :25], 0.0)
    np.testing.assert_allclose(got[:, 55:], np.broadcast_to((10.0, 0.0), (60, 25, 2)))


def flight(motion: float | None, shutter_s: float | None = 0.25) -> Corrections:
    corrections = timeline(10)
    corrections.interval_s = 3.0
    for frame in corrections.frames:
        frame.shutter_s, frame.ground_motion = shutter_s, motion
    return corrections


def test_plan_brings_each_frame_to_the_wished_angle() -> None:
    corrections = flight(0.02)
    corrections.frames[3].shutter_s = 1.5
    plan = plan_shutter(corrections, plan_video(corrections, EncodeSettings()), 180.0)
    assert plan.own_deg == pytest.approx(30.0)
    assert plan.why is None
    assert plan.lengths[0] == pytest.approx(np.sqrt(180**2 - 30**2) / 360)
    assert plan.lengths[3] == 0.0


def test_in_slow_motion_the_own_shutter_is_longer() -> None:
    corrections = flight(0.02)
    timing = plan_video(corrections, EncodeSettings(seconds=20 / 30))
    assert timing.pace == pytest.approx(9 / 19)
    assert plan_shutter(corrections, timing, 180.0).own_deg == pytest.approx(30.0 * 19 / 9)


def test_plan_refuses_to_smear_large_motion() -> None:
    corrections = flight(0.13)
    plan = plan_shutter(corrections, plan_video(corrections, EncodeSettings()), 180.0)
    assert plan.lengths == ()
    assert plan.why is not None
    assert plan.why.startswith("not applicable: the ground moves by 13 % of the frame's width")


def test_plan_adds_nothing_where_the_photos_have_it() -> None:
    corrections = flight(0.02, shutter_s=1.6)
    plan = plan_shutter(corrections, plan_video(corrections, EncodeSettings()), 180.0)
    assert (plan.lengths, plan.why) == ((), "the photos' own shutter angle is 192° already")


def test_without_exposure_times_photos_count_as_sharp() -> None:
    corrections = flight(0.02, shutter_s=None)
    plan = plan_shutter(corrections, plan_video(corrections, EncodeSettings()), 180.0)
    assert plan.own_deg is None
    assert plan.lengths == (0.5,) * 10
