"""Known-truth flights of the bench of colour, what solving makes of them, and what is truly left."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.card.scan import scan_card
from pipeline.colour.camera import CameraColour, camera_to_xyz_d50
from pipeline.colour.display import BT709_TO_XYZ
from pipeline.colour.whites import D50_XY, D65_XY
from pipeline.corrections import Corrections
from pipeline.demo import ground, view
from pipeline.demo.flight import Exposure, FlightSpec, FrameTruth, fly
from pipeline.demo.sensor import COLOUR_MATRIX_A, COLOUR_MATRIX_D65, scene_to_camera
from pipeline.measure.highpass import slow_part
from pipeline.parallel import default_workers, local_executor
from pipeline.report.schema import Report, read_report
from pipeline.run.job import run_sequence
from pipeline.run.outputs import Folder, read_corrections
from pipeline.run.workshop import Workshop
from pipeline.settings import load_settings
from tests.bench.flights import written_flight
from tests.reference import colour_science
from tests.watching import Quiet

Floats = NDArray[np.float64]

FRAMES = 124
"""More than two periods of the filter at the default settings."""

PERIOD_FRAMES = 60.0

PATCHES = np.array(
    [[0.12, 0.20, 0.06], [0.25, 0.20, 0.14], [0.30, 0.30, 0.30], [0.08, 0.14, 0.05], [0.35, 0.30, 0.22]]
)
"""Invented meadow, soil, concrete, reed and sand: linear BT.709 under D65."""

_PLAIN = FlightSpec(frames=FRAMES, size=(800, 600), speed_m_s=2.5, interval_s=2.0, light_ev=0.3)
_NIGHT = replace(
    _PLAIN,
    start_m=(-250.0, -420.0),
    exposures=(Exposure(0, Fraction(1), 1.0, 800),),
    sensor=replace(
        _PLAIN.sensor,
        exposure=0.05,
        full_well_e=2500.0,
        read_noise_e=4.0,
        hot_photosites=240,
        black_drift=8.0,
        masked_columns=16,
    ),
)
FLIGHTS = {
    "wander": replace(_PLAIN, name="Harbour Wall", seed=21, outlier_frames=(40, 90)),
    "wander, JPEG": replace(_PLAIN, name="Harbour Wall", seed=21, outlier_frames=(40, 90), jpegs="only"),
    "drift": replace(
        _PLAIN, name="Reed Marsh", seed=22, start_m=(-560.0, 60.0), heading_deg=75.0, drift_mired=15.0
    ),
    "drift from above": replace(
        _PLAIN,
        name="Reed Marsh",
        seed=26,
        start_m=(-560.0, 60.0),
        heading_deg=75.0,
        pitch_deg=-65.0,
        drift_mired=15.0,
    ),
    "drift in haze": replace(
        _PLAIN, name="Reed Marsh", seed=27, start_m=(-560.0, 60.0), heading_deg=75.0, drift_mired=15.0
    ),
    "night": replace(_NIGHT, name="Harbour Wall", seed=23),
    "dark": replace(_NIGHT, name="Harbour Wall", seed=24, sensor=replace(_NIGHT.sensor, exposure=0.004)),
    "clipped sky": replace(
        _PLAIN,
        name="Lantern Hill",
        seed=25,
        start_m=(-350.0, -100.0),
        heading_deg=45.0,
        pitch_deg=-6.0,
        frames=62,
        outlier_frames=(10, 30, 31, 50, 52),
        sensor=replace(_PLAIN.sensor, exposure=4.5),
    ),
}


HAZE_LENGTH_M = 10_000.0
"""Distance over which the haze of "drift in haze" lets 1/e of the light through: one sees some 39 km. The
demo's own haze is thinner than the air of a good day, and begins 1200 m away."""


@contextmanager
def air_of(name: str) -> Iterator[None]:
    """The demo's air, or that of a hazy flight. Its seed is no other's, for it does not tell its haze."""
    own = {place: (place.HAZE_FROM_M, place.HAZE_LENGTH_M) for place in (ground, view)}
    try:
        if name == "drift in haze":
            for place in own:
                place.HAZE_FROM_M, place.HAZE_LENGTH_M = 0.0, HAZE_LENGTH_M
        yield
    finally:
        for place, (start, length) in own.items():
            place.HAZE_FROM_M, place.HAZE_LENGTH_M = start, length


@dataclass(frozen=True)
class Solved:
    """A flight after its solving stages."""

    card: Path
    corrections: Corrections
    balance: Report
    deflicker: Report


@cache
def solved(card: Path, mode: str = "lock") -> Solved:
    """Measure and solve the one sequence of a card, in a folder for temporary files that is kept."""
    out = Path(tempfile.gettempdir()) / "evenflight-bench" / f"solved-{card.parent.name}"
    configured = load_settings(None, [f"balance.mode={mode}"])
    sequence = scan_card(card, configured.settings.load).sequences[0]
    folder = Folder(out / sequence.id)
    workers = default_workers()
    with local_executor(workers) as executor:
        shop = Workshop(card, configured, executor, workers, Quiet())
        run_sequence(sequence, folder, shop, ("load", "balance", "deflicker", "stabilise"))
    reports = [read_report(folder.report(stage)) for stage in ("balance", "deflicker")]
    return Solved(card, read_corrections(folder.corrections), *reports)


@cache
def flown(name: str, mode: str = "lock") -> tuple[list[FrameTruth], Solved]:
    """Return the truth and the solution of a flight of FLIGHTS."""
    with air_of(name):
        card = written_flight(FLIGHTS[name]) / "card"
    return fly(FLIGHTS[name]), solved(card, mode)


def demo_camera() -> CameraColour:
    """The demo's camera as its DNGs tell it, before their rounding."""
    return CameraColour(
        COLOUR_MATRIX_A, 2856.0, COLOUR_MATRIX_D65, 6504.0, None, None, np.eye(3), np.eye(3), np.ones(3)
    )


def patches_of_raw(truths: list[FrameTruth], neutrals: Floats) -> Floats:
    """XYZ D50 (n, patches, 3) of the patches as rendered from RAW with these neutrals (n, 3)."""
    seen = np.stack([PATCHES @ scene_to_camera(truth.cct_k).T for truth in truths])
    matrices = camera_to_xyz_d50(demo_camera(), neutrals)
    return np.einsum("nij,npj->npi", matrices, seen)


def patches_of_jpeg(truths: list[FrameTruth], channel_gain_ev: Floats) -> Floats:
    """XYZ D65 (n, patches, 3) of the patches in the camera's JPEGs after channel gains (n, 3)."""
    baked = np.stack(
        [
            PATCHES @ (np.linalg.inv(scene_to_camera(t.as_shot_cct_k)) @ scene_to_camera(t.cct_k)).T
            for t in truths
        ]
    )
    return (baked * 2.0 ** channel_gain_ev[:, np.newaxis]) @ BT709_TO_XYZ.T


def colour_flicker(xyz: Floats, white_xy: Floats, known: NDArray[np.bool_] | None = None) -> Floats:
    """CIEDE2000 (n, patches) of each patch from its own slow part, at the luminance of the middle frame."""
    science = colour_science()
    at = xyz * (xyz[len(xyz) // 2, :, 1] / xyz[..., 1])[..., np.newaxis]
    lab = science.XYZ_to_Lab(at, white_xy)
    slow = np.stack(
        [
            np.stack([slow_part(lab[:, patch, axis], PERIOD_FRAMES) for axis in range(3)], axis=1)
            for patch in range(lab.shape[1])
        ],
        axis=1,
    )
    difference = science.difference.delta_E_CIE2000(lab, slow)
    return np.asarray(difference if known is None else difference[known])


def rms(values: Any) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


D50, D65 = np.asarray(D50_XY), np.asarray(D65_XY)
