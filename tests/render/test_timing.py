"""Which place of the timeline each frame of the video shows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import UsageError
from pipeline.render.delivery import exact_rate
from pipeline.render.timing import SNAP, fitted_length, photos_per_second, plan_video
from pipeline.settings import EncodeSettings


def timeline(
    count: int, missing: tuple[int, ...] = (), speeds: list[float | None] | None = None
) -> Corrections:
    """Corrections of `count` frames, of which the missing ones hold the nearest photo."""
    photos = np.array([k for k in range(count) if k not in missing])
    frames = []
    for k in range(count):
        shown = int(photos[np.argmin(np.abs(photos - k))])
        frames.append(
            FrameCorrection(
                frame=k,
                file=None if k in missing else f"heron_{k:04d}.dng",
                shown=shown,
                shown_file=f"heron_{shown:04d}.dng",
                time_s=2.0 * k,
                ground_speed=speeds[k] if speeds else None,
            )
        )
    return Corrections(
        id="x", kind="raw", card=".", width=1600, height=1200, focal_px=1200.0, shape=(16, 9),
        crop_ratio=0.9, frames=frames,
    )  # fmt: skip


def settings(**values: Any) -> EncodeSettings:
    return EncodeSettings.model_validate(values)


def places(corrections: Corrections, even_speed: bool = False, **values: Any) -> list[float]:
    return [
        frame.place for frame in plan_video(corrections, settings(**values), even_speed=even_speed).frames
    ]


def test_by_default_every_photo_is_shown_once_as_it_is() -> None:
    timing = plan_video(timeline(5), settings())
    assert [(f.number, f.place, f.frame, f.before, f.after) for f in timing.frames] == [
        (k, float(k), k, k, k) for k in range(5)
    ]
    assert (timing.fps, timing.pace, timing.notes) == ("30", 1.0, ())


def test_a_missing_photo_is_made_from_its_neighbours_in_proportion() -> None:
    frames = plan_video(timeline(6, missing=(2, 3)), settings()).frames
    assert [(f.before, f.after, f.share) for f in frames[2:4]] == [
        (1, 4, pytest.approx(1 / 3)),
        (1, 4, pytest.approx(2 / 3)),
    ]
    assert [f.made for f in frames] == [False, False, True, True, False, False]


def test_a_missing_photo_is_held_on_request_and_at_the_ends() -> None:
    held = plan_video(timeline(6, missing=(2, 3)), settings(fill_missing="hold")).frames
    assert [(f.frame, f.before, f.made) for f in held[2:4]] == [(2, 1, False), (3, 4, False)]
    ends = plan_video(timeline(6, missing=(0, 5)), settings()).frames
    assert [(f.frame, f.before, f.made) for f in (ends[0], ends[5])] == [(0, 1, False), (5, 4, False)]


def test_trimming_and_reverse() -> None:
    assert places(timeline(8), trim_start=2, trim_end=1, reverse=True) == [6.0, 5.0, 4.0, 3.0, 2.0]
    with pytest.raises(UsageError, match="leave 1 of 8 frames, and a video needs 2: trim less"):
        plan_video(timeline(8), settings(trim_start=4, trim_end=3))
    with pytest.raises(UsageError, match="leave 0 of 8 frames"):
        plan_video(timeline(8), settings(trim_start=9))


def test_backwards_a_made_frame_lies_between_the_same_photos_the_other_way_round() -> None:
    forwards = plan_video(timeline(6, missing=(2, 3)), settings()).frames
    backwards = plan_video(timeline(6, missing=(2, 3)), settings(reverse=True)).frames
    assert [f.number for f in backwards] == list(range(6))
    for frame, same in zip(backwards, reversed(forwards), strict=True):
        assert (frame.place, frame.before, frame.after) == (same.place, same.after, same.before)
        assert frame.share == (pytest.approx(1.0 - same.share) if same.made else 0.0)


@pytest.mark.parametrize(
    ("wish", "rate", "count"),
    [
        (10.0, "30", 300),
        (12.0, "25", 300),
        (12.5, "24", 300),
        (12.52, "23.976", 300),
        (5.0, "60", 300),
        (6.1, "50", 300),  # 6 s, within 3 %
        (11.0, "30", 330),  # no rate comes within 3 %
        (60.0, "30", 1800),
    ],
)
def test_a_wished_length_takes_the_nearest_rate_or_remaps_time(wish: float, rate: str, count: int) -> None:
    fps, frames, notes = fitted_length(300, settings(seconds=wish))
    assert (fps, frames) == (rate, count)
    assert len(notes) == 1
    assert frames / float(exact_rate(fps)) == pytest.approx(wish, rel=0.03)


def test_remapped_time_keeps_the_ends_and_the_pace() -> None:
    timing = plan_video(timeline(31), settings(seconds=2.0, fps="30"))
    got = [frame.place for frame in timing.frames]
    assert (len(got), got[0], got[-1]) == (60, 0.0, 30.0)
    assert timing.pace == pytest.approx(30 / 59)
    assert timing.frames[1].share == pytest.approx(30 / 59)
    assert timing.frames[2].before == timing.frames[2].after == 1  # 1.017 is near enough
    assert (timing.frames[5].before, timing.frames[5].after) == (2, 3)


def test_photos_in_a_second_of_video() -> None:
    assert photos_per_second(300, settings()) == 30.0
    assert photos_per_second(300, settings(seconds=12.0)) == 25.0
    assert photos_per_second(300, settings(seconds=20.0)) == pytest.approx(15.0)
    assert photos_per_second(320, settings(seconds=20.0, trim_start=15, trim_end=5)) == pytest.approx(15.0)


def test_even_speed_shows_equal_ways_of_ground_in_equal_times() -> None:
    speeds: list[float | None] = [0.02] * 10 + [0.04] * 10 + [None]
    got = np.array(places(timeline(21, speeds=speeds), even_speed=True))
    way = np.interp(got, np.arange(21.0), np.concatenate([[0.0], np.cumsum(speeds[:-1])]))  # type: ignore[arg-type]
    assert (got[0], got[-1], len(got)) == (0.0, 20.0, 21)
    np.testing.assert_allclose(np.diff(way), 0.6 / 20, rtol=1e-9)


def test_even_speed_without_known_speeds_leaves_time_and_says_so() -> None:
    timing = plan_video(timeline(5), settings(), even_speed=True)
    assert [frame.place for frame in timing.frames] == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert timing.notes == ("stabilise.even_speed: the ground speed is not known, so time stays as it was",)


@given(
    count=st.integers(4, 40),
    missing=st.sets(st.integers(0, 39), max_size=12),
    seconds=st.one_of(st.none(), st.floats(0.2, 5.0)),
    reverse=st.booleans(),
)
def test_places_are_in_order_and_lie_between_their_photos(
    count: int, missing: set[int], seconds: float | None, reverse: bool
) -> None:
    missing &= set(range(1, count - 1))
    corrections = timeline(count, missing=tuple(sorted(missing)))
    frames = plan_video(corrections, settings(seconds=seconds, reverse=reverse)).frames
    ways = np.diff([frame.place for frame in frames])
    assert (ways < 0).all() if reverse else (ways > 0).all()
    for frame in frames:
        assert not {frame.before, frame.after} & missing
        if frame.made:
            assert frame.before + frame.share * (frame.after - frame.before) == pytest.approx(frame.place)
            assert 0.0 < frame.share < 1.0
        else:
            assert abs(frame.before - frame.place) <= SNAP
