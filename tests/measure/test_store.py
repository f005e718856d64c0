"""Measurements written and read back."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

import pipeline.measure.store as store
from pipeline.colour.camera import CameraColour
from pipeline.measure.far import FarTurn
from pipeline.measure.look import FrameFigures, PairFigures
from pipeline.measure.pairs import Registration
from pipeline.measure.sharpness import SeenBlur
from pipeline.measure.store import Measurements, load, save
from tests.cameras import TWO_LIGHTS
from tests.measure.synthetic_pairs import flicker, light_pairs, no_matches


def figures(frame: int, neutral: tuple[float, float, float] | None) -> FrameFigures:
    return FrameFigures(
        frame, 1600, 1200, neutral, (0.1, 0.2, 1 / 3), (0.0, 0.01, 0.0), (0.0,) * 3, 0.4, 0.5, 321
    )


def some(colour: CameraColour | None = TWO_LIGHTS) -> Measurements:
    pairs = light_pairs(flicker(4))
    rng = np.random.default_rng(0)
    here, there = rng.uniform(0, 1600, (2, 17, 2)).astype(np.float32)
    homography = rng.normal(0, 1, (3, 3))
    matched = Registration(here, there, homography, rng.random(17) < 0.5, 0.625)
    blur = SeenBlur(2.5, 16.0)
    pairs[1] = PairFigures(pairs[1].i, pairs[1].j, matched, pairs[1].blocks, True, 0.25, blur)
    far = (FarTurn(rng.normal(0, 1, 3), np.eye(3) / 7.0), FarTurn(np.zeros(3), np.eye(3)))
    pairs[2] = PairFigures(pairs[2].i, pairs[2].j, no_matches(), pairs[2].blocks, False, far=far)
    frames = [figures(0, (0.5, 1.0, 0.7)), figures(1, None), figures(3, (0.5, 1.0, 0.7))]
    hot = np.array([7, 1_919_999], np.uint32)
    return Measurements(frames, pairs, colour, {2: "two.dng is torn: copy it again"}, hot)


def same(one: Measurements, other: Measurements) -> None:
    assert one.frames == other.frames
    assert one.trouble == other.trouble
    assert np.array_equal(one.hot, other.hot) and one.hot.dtype == other.hot.dtype
    assert [(p.i, p.j, p.registered) for p in one.pairs] == [(p.i, p.j, p.registered) for p in other.pairs]
    for p, q in zip(one.pairs, other.pairs, strict=True):
        assert (p.sharper, p.seen_blur) == (q.sharper, q.seen_blur)
        assert len(p.far) == len(q.far)
        for here, there in zip(p.far, q.far, strict=True):
            assert np.array_equal(here.turn_rad, there.turn_rad)
            assert np.array_equal(here.covariance, there.covariance)
        assert p.matches.scale == q.matches.scale
        for name in ("points_i", "points_j", "on_plane", "homography"):
            a, b = getattr(p.matches, name), getattr(q.matches, name)
            assert (a is None and b is None) or (np.array_equal(a, b) and a.dtype == b.dtype)
        for name in vars(p.blocks):
            a, b = getattr(p.blocks, name), getattr(q.blocks, name)
            assert np.array_equal(a, b) and a.dtype == b.dtype and a.shape == b.shape


def test_what_is_read_is_what_was_written(tmp_path: Path) -> None:
    path = tmp_path / "measurements.npz"
    save(path, some(), "abc")
    read = load(path, "abc")
    assert read is not None
    same(read, some())
    assert read.colour is not None
    for name, value in vars(TWO_LIGHTS).items():
        assert np.array_equal(getattr(read.colour, name), value), name
    assert [file.name for file in tmp_path.iterdir()] == ["measurements.npz"]


def test_display_referred_and_empty_measurements(tmp_path: Path) -> None:
    path = tmp_path / "measurements.npz"
    for measurements in (
        some(colour=None),
        Measurements([], [], None, {}),
        Measurements([figures(0, None)], [], None, {}),
    ):
        save(path, measurements, "abc")
        read = load(path, "abc")
        assert read is not None and read.colour is None
        same(read, measurements)


def test_measurements_of_other_photos_do_not_count(tmp_path: Path) -> None:
    path = tmp_path / "measurements.npz"
    assert load(path, "abc") is None
    save(path, some(), "abc")
    assert load(path, "abd") is None


def test_measurements_of_another_version_do_not_count(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "measurements.npz"
    monkeypatch.setattr(store, "MEASUREMENTS_VERSION", store.MEASUREMENTS_VERSION - 1)
    save(path, some(), "abc")
    monkeypatch.undo()
    assert load(path, "abc") is None


@pytest.mark.parametrize("keep", [0, 10, 0.5, 0.99])
def test_torn_measurements_do_not_count(tmp_path: Path, keep: float) -> None:
    path = tmp_path / "measurements.npz"
    save(path, some(), "abc")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(keep if keep > 1 else keep * len(whole))])
    assert load(path, "abc") is None


def test_measurements_with_spoiled_bytes_do_not_count(tmp_path: Path) -> None:
    path = tmp_path / "measurements.npz"
    save(path, some(), "abc")
    with zipfile.ZipFile(path) as archive:
        entry = archive.getinfo("ratio_ev.npy")
    whole = path.read_bytes()
    for start in range(entry.header_offset + 60, entry.header_offset + entry.compress_size, 101):
        data = bytearray(whole)
        data[start : start + 20] = bytes(20)
        path.write_bytes(bytes(data))
        assert load(path, "abc") is None


def test_another_archive_does_not_count(tmp_path: Path) -> None:
    path = tmp_path / "measurements.npz"
    np.savez(path, something=np.zeros(3))
    assert load(path, "abc") is None
