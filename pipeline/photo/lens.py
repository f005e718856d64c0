"""How a photo's lens distorts: by the opcodes of a DNG, else by the open lens database of Lensfun.

Opcodes: DNG specification 1.7.1, chapter 7: OpcodeList3 (applied after demosaicing) holds, big-endian, a
count, then for each opcode its number, version, flags, length and parameters; number 1 is WarpRectilinear:
the number of planes, six coefficients for each, and the centre. Of three planes the green one is taken.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import LensDistortion
from pipeline.photo.exclusive import exiv2_alone
from pipeline.sequence import Kind, Sequence

_WARP_RECTILINEAR = 1
_MAP_PX = 600
_FAR_M = 1000.0
_LEAST_PX = 1e-4


def told_lens(
    path: Path,
    kind: Kind,
    camera: str,
    lens: str | None,
    focal_mm: float | None,
    aperture: float | None,
    size: tuple[int, int],
) -> LensDistortion | None:
    """Return how the lens of a photo distorts, None where nothing tells it; `size` is width and height.

    JPEGs are taken as straight: cameras that know their lens have corrected them already.
    """
    if kind != "raw":
        return None
    if path.suffix.lower() == ".dng":
        told = opcode_lens(path)
        if told is not None:
            return told
    return database_lens(camera, lens, focal_mm, aperture, size)


def sequence_lens(sequence: Sequence, card: Path) -> LensDistortion | None:
    """Return how the lens of a sequence's first photo distorts, None where nothing tells it."""
    first = sequence.photos[0]
    return told_lens(
        card / str(first.file),
        sequence.kind,
        sequence.camera,
        sequence.lens,
        sequence.focal_mm,
        first.aperture,
        (sequence.width, sequence.height),
    )


def opcode_lens(path: Path) -> LensDistortion | None:
    """Return the distortion that the opcodes of a DNG tell, for the upright picture, or None."""
    with exiv2_alone() as exiv2:
        try:
            image = exiv2.ImageFactory.open(path.read_bytes())
            image.readMetadata()
        except (OSError, exiv2.Exiv2Error):
            return None
        opcodes, orientation = b"", 1
        for datum in image.exifData():
            if datum.tagName() == "OpcodeList3":
                opcodes = bytes(int(datum.toInt64(k)) for k in range(datum.count()))
            elif datum.groupName() == "Image" and datum.tagName() == "Orientation":
                orientation = int(datum.toInt64(0))
    told = parse_opcodes(opcodes)
    return None if told is None else upright(told, orientation)


def parse_opcodes(data: bytes) -> LensDistortion | None:
    """Return the first WarpRectilinear of an opcode list, None where there is none or it is torn."""
    try:
        (count,) = struct.unpack_from(">I", data, 0)
        place = 4
        for _ in range(count):
            number, _, _, length = struct.unpack_from(">4I", data, place)
            place += 16
            if number == _WARP_RECTILINEAR:
                (planes,) = struct.unpack_from(">I", data, place)
                values = struct.unpack_from(f">{6 * planes + 2}d", data, place + 4)
                plane = values[6:12] if planes == 3 else values[:6]
                numbers = (*plane, *values[-2:])
                if planes not in (1, 3) or not np.isfinite(numbers).all():
                    return None
                k0, k1, k2, k3, t0, t1 = plane
                return LensDistortion(
                    radial=(k0, k1, k2, k3), tangential=(t0, t1), centre=values[-2:], told_by="DNG opcodes"
                )
            place += length
    except struct.error:
        return None
    return None


def upright(told: LensDistortion, orientation: int) -> LensDistortion | None:
    """Return a distortion of the sensor's picture for the upright one; None where that is mirrored.

    `orientation` is EXIF's: 1 upright, 3 turned by half, 6 and 8 by a quarter.
    """
    (x, y), (t0, t1) = told.centre, told.tangential  # t1 acts along x, t0 along y
    turned = {
        1: ((x, y), (t0, t1)),
        3: ((1.0 - x, 1.0 - y), (-t0, -t1)),
        6: ((1.0 - y, x), (t1, -t0)),
        8: ((y, 1.0 - x), (-t1, t0)),
    }.get(orientation)
    if turned is None:
        return None
    return told.model_copy(update={"centre": turned[0], "tangential": turned[1]})


def database_lens(
    camera: str,
    lens: str | None,
    focal_mm: float | None,
    aperture: float | None,
    size: tuple[int, int],
    database: Any = None,
) -> LensDistortion | None:
    """Return the distortion by Lensfun's measurements of a camera and lens, None where it has none.

    A camera whose mount takes one lens only needs no name of a lens. Raises nothing where the library is
    not installed: the lens is then untold.
    """
    if focal_mm is None:
        return None
    try:
        import lensfunpy
    except ImportError:
        return None
    database = database or lensfunpy.Database()
    name = camera.casefold()
    bodies = [
        body
        for body in database.cameras
        if name in (body.model.casefold(), f"{body.maker} {body.model}".casefold())
    ]
    if not bodies:
        return None
    glasses = database.find_lenses(bodies[0], None, lens)
    if not glasses or (lens is None and len(glasses) != 1):
        return None
    wide, high = (round(side * _MAP_PX / max(size)) for side in size)
    modifier = lensfunpy.Modifier(glasses[0], bodies[0].crop_factor, wide, high)
    flags = lensfunpy.ModifyFlags.DISTORTION
    modifier.initialize(focal_mm, aperture or 4.0, _FAR_M, scale=1.0, pixel_format=np.float32, flags=flags)
    bent = modifier.apply_geometry_distortion()
    return (
        None
        if bent is None
        else fitted(np.asarray(bent, float).reshape(high, wide, 2), f"Lensfun: {glasses[0].model}")
    )


def fitted(bent: NDArray[np.float64], told_by: str) -> LensDistortion | None:
    """Return the even polynomial that fits a map (h, w, 2) from places of a straight picture to the source.

    None for a map that moves nothing.
    """
    high, wide = bent.shape[:2]
    y, x = np.mgrid[0:high, 0:wide].astype(float)
    x, y = x - (wide - 1) / 2.0, y - (high - 1) / 2.0
    reach = np.hypot(wide, high) / 2.0
    moved = bent - np.array([(wide - 1) / 2.0, (high - 1) / 2.0])
    if float(np.max(np.hypot(moved[..., 0] - x, moved[..., 1] - y))) < _LEAST_PX * wide:
        return None
    square = ((x**2 + y**2) / reach**2).ravel()
    powers = np.stack([square**k for k in range(4)], axis=1)
    design = np.concatenate([powers * x.ravel()[:, None], powers * y.ravel()[:, None]])
    target = np.concatenate([moved[..., 0].ravel(), moved[..., 1].ravel()])
    k0, k1, k2, k3 = (float(value) for value in np.linalg.lstsq(design, target, rcond=None)[0])
    return LensDistortion(radial=(k0, k1, k2, k3), told_by=told_by)
