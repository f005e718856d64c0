"""From a finished draft to a `Sequence`: frames, positions, focal length, id."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
from numpy.typing import NDArray

from pipeline.card.draft import Draft, Slot
from pipeline.sequence import Frame, PhotoFacts, Sequence, Triple

Floats = NDArray[np.float64]


_EQUATOR_M, _FLATTENING = 6_378_137.0, 1.0 / 298.257223563  # WGS84
_NEAR_M = 10_000.0  # so far the chord tells the geodesic to 0.02 mm


def positions_m(photos: list[PhotoFacts | None]) -> list[Triple | None]:
    """Metres east, north and up of the first photo with a position, along WGS84 geodesics.

    Near the first photo they come from the chord through the Earth, all at once; GeographicLib takes
    longer for each than the rest of listing a photo.
    """
    placed = [facts for facts in photos if facts is not None and facts.latitude_deg is not None]
    if not placed:
        return [None] * len(photos)
    latitude_deg, longitude_deg = np.array([(f.latitude_deg, f.longitude_deg) for f in placed], float).T
    east, north = _chords_m(np.radians(latitude_deg), np.radians(longitude_deg))
    for i in np.flatnonzero(np.hypot(east, north) > _NEAR_M):
        east[i], north[i] = _geodesic_m(latitude_deg[[0, i]], longitude_deg[[0, i]])
    base = placed[0].altitude_m
    up = [0.0 if f.altitude_m is None or base is None else f.altitude_m - base for f in placed]
    places = iter(zip(east.tolist(), north.tolist(), up, strict=True))
    return [None if facts is None or facts.latitude_deg is None else next(places) for facts in photos]


def _chords_m(latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
    """Return metres east and north of the first of points [radians] (n,), by their chords from it.

    The points of the ellipsoid in Earth-centred coordinates (IOGP Guidance Note 7-2, from memory), turned
    east and north. An arc is longer than its chord c by c³ / 24 R².
    """
    squared = _FLATTENING * (2.0 - _FLATTENING)
    radius = _EQUATOR_M / np.sqrt(1.0 - squared * np.sin(latitude) ** 2)
    x = radius * np.cos(latitude) * np.cos(longitude)
    y = radius * np.cos(latitude) * np.sin(longitude)
    z = radius * (1.0 - squared) * np.sin(latitude)
    x, y, z = x - x[0], y - y[0], z - z[0]
    east = np.cos(longitude[0]) * y - np.sin(longitude[0]) * x
    outward = np.cos(longitude[0]) * x + np.sin(longitude[0]) * y
    north = np.cos(latitude[0]) * z - np.sin(latitude[0]) * outward
    chord = np.sqrt(x**2 + y**2 + z**2)
    arc = chord + chord**3 / (24.0 * _EQUATOR_M**2)
    longer = arc / np.maximum(np.hypot(east, north), 1e-9)
    return east * longer, north * longer


def _geodesic_m(latitude_deg: Floats, longitude_deg: Floats) -> tuple[float, float]:
    from geographiclib.geodesic import Geodesic

    line = Geodesic.WGS84.Inverse(latitude_deg[0], longitude_deg[0], latitude_deg[1], longitude_deg[1])
    azimuth = math.radians(line["azi1"])
    return line["s12"] * math.sin(azimuth), line["s12"] * math.cos(azimuth)


def focal_of(facts: PhotoFacts) -> tuple[float | None, str]:
    """Focal length in px of the upright picture, and the facts it comes from.

    The 35 mm equivalent compares diagonals: 43.27 mm is that of a 36 mm × 24 mm frame (CIPA DCG-001).
    It is a whole number of mm, up to 2 % off, so the finer focal plane resolution is preferred where it
    agrees within 5 %; where it does not, it was mostly left behind by a program that changed the
    picture's size.
    """
    plane = facts.focal_px
    if facts.focal_35mm_mm is None:
        return plane, "unknown" if plane is None else "focal length and focal plane resolution"
    diagonal = facts.focal_35mm_mm * math.hypot(facts.width, facts.height) / math.hypot(36.0, 24.0)
    if plane is not None and abs(plane / diagonal - 1.0) <= 0.05:
        return plane, "focal length and focal plane resolution"
    return diagonal, "35 mm equivalent focal length"


def build_sequence(draft: Draft) -> Sequence:
    """Turn a draft into a sequence; its id is the local time and stem of its first photo."""
    facts = draft.facts
    focal_px, focal_from = focal_of(facts)
    start = draft.slots[0].clock_s
    positions = positions_m([None if slot.photo is None else slot.photo.facts for slot in draft.slots])
    frames = tuple(
        _frame(i, slot, slot.clock_s - start, position)
        for i, (slot, position) in enumerate(zip(draft.slots, positions, strict=True))
    )
    started = _local(start, draft.zone_s) if draft.timed else None
    stamp = "undated" if started is None else f"{started:%Y%m%d-%H%M%S}"
    return Sequence(
        id=_plain(f"{stamp}_{draft.first.stem}"),
        kind=facts.kind,
        camera=facts.camera,
        lens=facts.lens,
        width=facts.width,
        height=facts.height,
        focal_mm=facts.focal_mm,
        focal_px=focal_px,
        focal_from=focal_from,
        started_at=None if started is None else started.isoformat(),
        interval_s=round(draft.interval_s, 6),
        frames=frames,
        panorama=draft.round_view,
        warnings=tuple(draft.warnings),
    )


def _frame(number: int, slot: Slot, time_s: float, position: Triple | None) -> Frame:
    time_s = round(time_s, 6)
    photo = slot.photo
    if photo is None:
        return Frame(frame=number, state="missing", why="no photo was found for this time", time_s=time_s)
    facts = photo.facts
    told = {} if facts is None else {name: getattr(facts, name) for name in _FRAME_FACTS}
    return Frame(
        frame=number,
        state="photo" if photo.whole else "torn",
        why=photo.trouble,
        file=photo.file,
        time_s=time_s,
        size_bytes=photo.size_bytes,
        modified_ns=photo.modified_ns,
        position_m=position,
        **told,
    )


_FRAME_FACTS = ("shutter_s", "aperture", "iso", "yaw_deg", "pitch_deg", "roll_deg", "as_shot_neutral")


def _local(clock_s: float, zone_s: float | None) -> datetime:
    if zone_s is None:
        return datetime.fromtimestamp(clock_s, UTC).replace(tzinfo=None)
    return datetime.fromtimestamp(clock_s, timezone(timedelta(seconds=zone_s)))


def _plain(name: str) -> str:
    """A name that every file system takes."""
    return re.sub(r"[^\w.-]+", "-", name)


def tell_apart(sequences: list[Sequence]) -> list[Sequence]:
    """Give sequences that would have the same id different ones; the longest keeps it."""
    taken: set[str] = set()
    ids: dict[int, str] = {}
    for i in sorted(range(len(sequences)), key=lambda i: -len(sequences[i].frames)):
        sequence = sequences[i]
        name = sequence.id
        if name in taken:
            name = _plain(f"{name}_{sequence.camera}-{sequence.width}x{sequence.height}-{sequence.kind}")
        base, count = name, 2
        while name in taken:
            name, count = f"{base}-{count}", count + 1
        taken.add(name)
        ids[i] = name
    return [sequence.model_copy(update={"id": ids[i]}) for i, sequence in enumerate(sequences)]
