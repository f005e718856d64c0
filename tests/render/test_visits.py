"""Which photos a render opens."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from pipeline.corrections import Corrections, FrameCorrection
from pipeline.render.timing import plan_video
from pipeline.render.visits import Visit, visits
from pipeline.settings import EncodeSettings


def timeline(count: int, missing: tuple[int, ...] = ()) -> Corrections:
    photos = [k for k in range(count) if k not in missing]
    shown = [min(photos, key=lambda photo: (abs(photo - k), photo)) for k in range(count)]
    frames = [
        FrameCorrection(frame=k, file=None, shown=s, shown_file=f"{s}.dng", time_s=2.0 * k)
        for k, s in enumerate(shown)
    ]
    return Corrections(
        id="x", kind="raw", card=".", width=16, height=12, focal_px=12.0, shape=(16, 9), crop_ratio=0.9,
        frames=frames,
    )  # fmt: skip


def planned(corrections: Corrections, **values: Any) -> list[Visit]:
    video = plan_video(corrections, EncodeSettings.model_validate(values)).frames
    return list(visits(corrections, video))


def test_without_effects_each_photo_is_opened_once_and_nothing_is_kept() -> None:
    got = planned(timeline(5))
    assert [visit.photo for visit in got] == [0, 1, 2, 3, 4]
    assert not any(visit.lit or visit.made or visit.spare for visit in got)


def test_around_a_gap_the_neighbours_are_opened_once_each() -> None:
    got = planned(timeline(6, missing=(2, 3)))
    assert [visit.photo for visit in got] == [0, 1, 4, 5]
    assert [visit.lit for visit in got] == [False, True, True, False]
    assert [frame.number for frame in got[1].made] == [2, 3]
    assert [[frame.number for frame in visit.spare] for visit in got] == [[], [2], [3], []]


def test_held_frames_are_rendered_four_to_a_decode() -> None:
    got = planned(timeline(12, missing=tuple(range(1, 11))), fill_missing="hold")
    assert [(visit.photo, len(visit.shown)) for visit in got] == [(0, 4), (0, 2), (11, 4), (11, 2)]


@given(
    count=st.integers(4, 25),
    missing=st.sets(st.integers(0, 24), max_size=10),
    seconds=st.one_of(st.none(), st.floats(0.1, 4.0)),
    reverse=st.booleans(),
)
def test_every_frame_is_served_once_in_order_with_the_photos_it_needs(
    count: int, missing: set[int], seconds: float | None, reverse: bool
) -> None:
    missing &= set(range(1, count - 1))
    corrections = timeline(count, tuple(sorted(missing)))
    settings = EncodeSettings(seconds=seconds, reverse=reverse)
    video = plan_video(corrections, settings).frames
    got = list(visits(corrections, video))
    served = [frame.number for visit in got for frame in (*visit.shown, *visit.made)]
    assert served == list(range(len(video)))
    for visit, after in zip(got, [*got[1:], None], strict=True):
        assert all(frame.before == visit.photo for frame in visit.shown)
        if visit.made:
            assert after is not None
            assert visit.lit
            assert after.lit
            assert {(f.before, f.after) for f in visit.made} == {(visit.photo, after.photo)}
            gap = abs(after.photo - visit.photo) > 1
            spare = {f.number for f in (*visit.spare, *after.spare)}
            assert {f.number for f in visit.made} <= spare or not gap
