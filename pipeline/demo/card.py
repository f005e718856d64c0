"""The demo card dump: two flights over Saltmere laid out as a camera leaves them, and their truth beside."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.demo.flight import Exposure, FlightSpec, FrameTruth, fly
from pipeline.demo.photograph import take, write_jpeg, write_photo
from pipeline.demo.world import World, saltmere
from pipeline.parallel import default_workers, local_executor, ordered_map

TRUTH_SCHEMA = "evenflight-demo-truth-1"
_FIRST_FLIGHT = datetime(2026, 5, 14, 9, 30, 0, 250_000, UTC)
_BETWEEN_FLIGHTS = timedelta(minutes=25)
_JPEG_EVERY = 6
_SMALL_PX = 800  # pictures up to this width are content with a coarser map

_CONVENTIONS = {
    "gain_ev": "light_ev + flicker_ev + exif_ev + tag_error_ev; level = radiance * 2**gain_ev",
    "radiance": "of a white surface in green; other colours shift a little where cct_k drifts",
    "exif_ev": "change against the first photo that the EXIF exposure tells",
    "tag_error_ev": "log2(true shutter / shutter in EXIF)",
    "rotation_world_to_camera": "rows: camera x right, y down, z forward, in world axes east, north, up",
    "position_m": "east, north, up from the map's centre, in the middle of the exposure",
    "pixels": "centres at integers, principal point ((width - 1) / 2, (height - 1) / 2), no distortion",
    "vignette_ev": "loss in EV = a1 r^2 + a2 r^4 + a3 r^6, r = 1 in the corner",
    "cct_k": "true colour temperature of the daylight; as_shot_cct_k is what the camera took it for",
}


@dataclass(frozen=True)
class DemoCard:
    """Where the demo was written: the card dump, and its truth beside it (not in it)."""

    card: Path
    truth: Path


@dataclass(frozen=True)
class _Job:
    """One photo to take and write to `path` (its suffix ignored)."""

    spec: FlightSpec
    truth: FrameTruth
    path: Path
    started: datetime


def write_demo(
    directory: Path,
    *,
    seed: int = 7,
    photos: int = 90,
    size: tuple[int, int] = (1600, 1200),
    workers: int | None = None,
    advance: Callable[[int], None] = lambda count: None,
) -> DemoCard:
    """Write the demo card to `directory`/card, its truth to `directory`/truth.json.

    It holds two flights of `photos` files (at least 12) each, JPEG twins of some, a video and a note.
    `advance` is called with 1 for each photo written. The same arguments give the same bytes with any
    number of `workers`. Raises ValueError for fewer than 12 photos, OSError where nothing can be written.
    """
    if photos < 12:
        raise ValueError(f"a demo flight needs at least 12 photos, not {photos}")
    first = 9999 - photos // 2
    specs = demo_flights(seed, photos, size)
    demo = write_flights(directory, specs, first_number=first, workers=workers, advance=advance)
    _write_strays(demo.card, _path(demo.card, first + sum(s.frames for s in specs), ".MP4"))
    return demo


def write_flights(
    directory: Path,
    specs: Sequence[FlightSpec],
    *,
    first_number: int = 1,
    workers: int | None = None,
    advance: Callable[[int], None] = lambda count: None,
) -> DemoCard:
    """Write flights, one after the other, as `directory`/card with `directory`/truth.json beside it.

    Photos are numbered on from `first_number`, missing ones counted. Raises OSError.
    """
    workers = workers or default_workers()
    card = directory / "card"
    number, started = first_number, _FIRST_FLIGHT
    jobs: list[_Job] = []
    flights = []
    for spec in specs:
        truths = fly(spec)
        suffix = ".JPG" if spec.jpegs == "only" else ".DNG"
        paths = [_path(card, number + t.frame, suffix) for t in truths]
        jobs += [
            _Job(spec, t, path, started)
            for t, path in zip(truths, paths, strict=True)
            if t.frame not in spec.missing
        ]
        flights.append(_flight_truth(spec, truths, [p.relative_to(card).as_posix() for p in paths], started))
        number += spec.frames
        started += timedelta(seconds=spec.duration_s) + _BETWEEN_FLIGHTS
    for folder in {job.path.parent for job in jobs}:
        folder.mkdir(parents=True, exist_ok=True)
    widest = max(spec.size[0] for spec in specs)
    world = saltmere() if widest > _SMALL_PX else saltmere(texels=2048, texel_m=1.0)
    with local_executor(workers) as executor:
        for _ in ordered_map(executor, partial(_take_and_write, world), jobs, 2 * workers):
            advance(1)
    saltmere.cache_clear()  # the map takes hundreds of megabytes, which whatever follows may need
    truth = directory / "truth.json"
    truth.write_text(json.dumps(_card_truth(flights), indent=1, sort_keys=True) + "\n", encoding="utf-8")
    return DemoCard(card, truth)


def demo_flights(seed: int, photos: int, size: tuple[int, int]) -> tuple[FlightSpec, FlightSpec]:
    """The two flights of the demo card, each with `photos` files.

    Harbour Wall: straight, a waypoint's yaw step of 3°, two photos missing. Reed Marsh: curved, an
    exposure step from 1/8 to 1/15 s (truly 1/16), the light turning warmer, one torn file.
    """
    third = photos // 3
    harbour = FlightSpec(
        name="Harbour Wall",
        seed=seed,
        frames=photos + 2,
        size=size,
        pitch_deg=-15.0,
        yaw_steps=((photos // 2, 3.0),),
        outlier_frames=(photos // 5, 2 * third + 4),
        missing=(third, third + 1),
    )
    marsh = FlightSpec(
        name="Reed Marsh",
        seed=seed + 1,
        frames=photos,
        size=size,
        height_m=60.0,
        speed_m_s=4.0,
        start_m=(-560.0, 60.0),
        heading_deg=20.0,
        pitch_deg=-17.0,
        turn_deg=75.0,
        look_deg=10.0,
        exposures=(
            Exposure(0, Fraction(1, 8), 0.125),
            Exposure(photos // 2, Fraction(1, 15), 0.0625),
        ),
        outlier_frames=(photos // 4, 2 * third + 1, photos - 4),
        cct_k=5600.0,
        drift_mired=15.0,
        torn=(3 * photos // 5 + 1,),
        jpegs="some",
        sensor=replace(FlightSpec().sensor, exposure=0.8),
    )
    return harbour, marsh


def _take_and_write(world: World, job: _Job) -> None:
    spec, truth = job.spec, job.truth
    shot = take(world, spec, truth)
    if spec.jpegs == "only":
        write_jpeg(job.path, shot, spec, truth, started=job.started)
    else:
        write_photo(job.path, shot, spec, truth, started=job.started)
        if spec.jpegs == "some" and truth.frame % _JPEG_EVERY == 0:
            twin = job.path.with_suffix(".JPG")
            write_jpeg(twin, shot, spec, truth, started=job.started, scale=0.5)
    if truth.frame in spec.torn:
        whole = job.path.read_bytes()
        job.path.write_bytes(whole[: int(0.4 * len(whole))])


def _flight_truth(
    spec: FlightSpec, truths: list[FrameTruth], files: list[str], started: datetime
) -> dict[str, Any]:
    """What truly happened in one flight, ready for JSON."""
    return {
        "name": spec.name,
        "seed": spec.seed,
        "width": spec.size[0],
        "height": spec.size[1],
        "focal_px": spec.focal_px,
        "interval_s": spec.interval_s,
        "started_at": started.isoformat(),
        "height_m": spec.height_m,
        "speed_m_s": spec.speed_m_s,
        "vignette_ev": list(spec.vignette_ev),
        "missing": list(spec.missing),
        "torn": [files[f] for f in spec.torn],
        "yaw_steps": [list(step) for step in spec.yaw_steps],
        "frames": [
            _frame_truth(spec, t, None if t.frame in spec.missing else file)
            for t, file in zip(truths, files, strict=True)
        ],
    }


def _frame_truth(spec: FlightSpec, truth: FrameTruth, file: str | None) -> dict[str, Any]:
    state = "missing" if file is None else "torn" if truth.frame in spec.torn else "photo"
    return {
        "frame": truth.frame,
        "file": file,
        "state": state,
        "outlier": truth.frame in spec.outlier_frames,
        "time_s": round(truth.time_s, 6),
        "gain_ev": truth.gain_ev,
        "light_ev": truth.light_ev,
        "flicker_ev": truth.flicker_ev,
        "uneven_ev": truth.uneven_ev,
        "exif_ev": truth.exif_ev,
        "tag_error_ev": truth.tag_error_ev,
        "shutter_s": truth.exposure.true_s,
        "cct_k": truth.cct_k,
        "as_shot_cct_k": truth.as_shot_cct_k,
        "as_shot_neutral": list(truth.as_shot_neutral),
        "rotation_world_to_camera": truth.rotation.tolist(),
        "position_m": truth.position_m.tolist(),
        "yaw_deg": truth.yaw_deg,
        "pitch_deg": truth.pitch_deg,
        "roll_deg": truth.roll_deg,
    }


def _card_truth(flights: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "schema": TRUTH_SCHEMA,
        "synthetic": "every place, name and camera here is invented",
        "conventions": _CONVENTIONS,
        "expected": {
            "sequences": len(flights),
            "frames": [len(f["frames"]) for f in flights],
            "missing": [len(f["missing"]) for f in flights],
            "torn": [file for f in flights for file in f["torn"]],
            "exit_status": 3 if any(f["torn"] for f in flights) else 0,
        },
        "flights": flights,
    }


def _path(card: Path, number: int, suffix: str = ".DNG") -> Path:
    """Where a camera puts its photo: numbers run from 0001 to 9999, then on in the next folder."""
    wraps, rest = divmod(number - 1, 9999)
    return card / "DCIM" / f"{100 + wraps}HERON" / f"HERN{rest + 1:04d}{suffix}"


def _write_strays(card: Path, video: Path) -> None:
    """Add what a dump also holds: the head of a video, and a note of the pilot's."""
    box = b"ftypisom\x00\x00\x02\x00isomiso2mp41"
    video.write_bytes((len(box) + 4).to_bytes(4, "big") + box + b"\x00\x00\x00\x08free")
    note = "Saltmere survey, Harbour Wall and Reed Marsh. Wind from the west, some gusts.\n"
    (card / "notes.txt").write_text(note, encoding="utf-8")
