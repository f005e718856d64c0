"""Hot photosites and a drifting black, from the demo's files to looks and to what is repaired."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.demo.flight import FlightSpec, fly
from pipeline.demo.photograph import take, write_photo
from pipeline.demo.sensor import Sensor, hot_glow
from pipeline.measure.hot import HotTally
from pipeline.measure.look import Look, look_at
from pipeline.photo.faults import repair
from pipeline.photo.opening import open_photo
from pipeline.photo.raw import RawPhoto
from tests.demo.made import calm, flat_world

STARTED = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
SENSOR = Sensor(exposure=0.3, hot_photosites=40, black_drift=12.0, masked_columns=12)


def looks(folder: Path, spec: FlightSpec, first: int | None = None) -> list[tuple[Path, Look]]:
    """Write a flight over mottled ground, or its first photos, and look at each."""
    ground = np.random.default_rng(4).uniform(0.1, 0.3, (2048, 2048)).astype(np.float32)
    world = flat_world(ground)
    folder.mkdir(exist_ok=True)
    seen = []
    for truth in fly(spec)[:first]:
        path = folder / f"HERN{truth.frame:04d}.DNG"
        write_photo(path, take(world, spec, truth), spec, truth, started=STARTED)
        seen.append((path, look_at((truth.frame, path), None)))
    return seen


def spec_of(**changes: object) -> FlightSpec:
    return replace(calm(frames=9, noise=True, pitch_deg=-60.0, sensor=SENSOR, shake_deg=0.5), **changes)


def test_hot_photosites_are_found_over_a_flight_and_repaired(tmp_path: Path) -> None:
    spec = spec_of()
    tally = HotTally()
    seen = looks(tmp_path, spec)
    for _, look in seen:
        assert look.standing_out is not None
        tally.add(look.standing_out)
    width, height = spec.size
    hot = tally.hot(width * height)
    places, glow = hot_glow(SENSOR, (height, width))
    assert np.isin(places[glow > 0.08], hot).mean() > 0.9
    assert np.isin(hot, places).all()
    bare = replace(spec, sensor=replace(SENSOR, hot_photosites=0))
    clean = looks(tmp_path / "bare", bare, 1)[0][0]
    photo, without = open_photo(seen[0][0]), open_photo(clean)
    assert isinstance(photo, RawPhoto) and isinstance(without, RawPhoto)
    glowing = np.abs(photo.mosaic.astype(float) - without.mosaic).reshape(-1)[hot]
    repair(photo, hot)
    left = np.abs(photo.mosaic.astype(float) - without.mosaic).reshape(-1)
    assert not np.delete(left, places).any()  # nothing but hot photosites was touched
    # the ground is mottled, so that neighbours tell a photosite's level to some 30 counts
    assert np.median(left[hot]) < 0.2 * np.median(glowing)


def test_the_proxy_does_not_feel_hot_photosites_or_the_drift_of_black(tmp_path: Path) -> None:
    spoiled = looks(tmp_path / "a", spec_of(frames=3))
    sound = looks(tmp_path / "b", spec_of(frames=3, sensor=Sensor(exposure=0.3)))
    for (_, one), (_, other) in zip(spoiled, sound, strict=True):
        assert one.light is not None and other.light is not None
        apart = (one.light.planes - other.light.planes)[..., :3]
        difference = np.abs(apart)
        # four photosites a pixel: read noise alone differs by 1e-4, the drift would be 8e-4
        assert abs(float(apart.mean())) < 1e-4
        assert float(np.quantile(difference, 0.999)) < 0.02


def test_black_without_masked_photosites_is_moved_only_where_light_would_be_negative(tmp_path: Path) -> None:
    """Black 40 counts lower than told: over black ground the picture says so, over lit ground it does not."""
    low = replace(SENSOR, black_drift=0.0, masked_columns=0, hot_photosites=0, black=472)
    for level, expected in ((0.0, -40.0 / 15_380.0), (0.3, 0.0)):
        spec = spec_of(frames=1, sensor=replace(low, exposure=max(level, 1e-4)))
        truth = fly(spec)[0]
        told = replace(spec, sensor=replace(spec.sensor, black=512))
        path = tmp_path / f"{level}.DNG"
        write_photo(path, take(flat_world(0.3), spec, truth), told, truth, started=STARTED)
        look = look_at((0, path), None)
        assert look.figures is not None
        assert look.figures.black_shift == pytest.approx((expected,) * 3, abs=2.5e-4)
