"""Real photographs as Bayer DNGs, so that the path of RAW files meets real texture.

A display-referred picture is turned back into linear light and passed through the invented camera's colour
filters. Detail and noise are real; the RAW file is synthetic.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.dng import write_dng
from pipeline.demo.sensor import Sensor, camera_neutral, counts, mosaic_of, scene_to_camera
from pipeline.photo.exclusive import exiv2_alone

_CCT_K = 5600.0


def mosaic_picture(rgb: NDArray[np.uint8], sensor: Sensor) -> NDArray[np.uint16]:
    """Mosaic in counts (H×W, even) of an sRGB picture (H×W×3 codes) under a daylight of 5600 K; no noise.

    Code 255 becomes the level `sensor.exposure` in green. Transfer function: IEC 61966-2-1.
    """
    height, width = (n // 2 * 2 for n in rgb.shape[:2])
    code = np.arange(256) / 255
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    matrix = scene_to_camera(_CCT_K) * sensor.exposure
    levels = cv2.transform(linear[rgb[:height, :width]], matrix.astype(np.float32))
    return counts(mosaic_of(np.asarray(levels, np.float32), sensor.pattern), sensor, None)


def write_mosaicked(
    photos: Iterable[Path], directory: Path, *, sensor: Sensor | None = None, lossless_jpeg: bool = False
) -> list[Path]:
    """Write each photograph (JPEG, 8 bit) as `directory`/<stem>.DNG with its EXIF; return the DNGs.

    Raises OSError for a photograph that cannot be read.
    """
    sensor = sensor or Sensor(exposure=0.8)
    directory.mkdir(parents=True, exist_ok=True)
    written = []
    for photo in photos:
        # Unrotated, as stored: the orientation tag is copied with the rest.
        picture = cv2.imread(str(photo), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        if picture is None:
            raise OSError(f"{photo} is not a picture that can be mosaicked")
        mosaic = mosaic_picture(np.asarray(picture[..., ::-1], np.uint8), sensor)
        path = directory / f"{photo.stem}.DNG"
        write_dng(
            path,
            mosaic,
            pattern=sensor.pattern,
            black=sensor.black,
            white=sensor.white,
            neutral=camera_neutral(_CCT_K),
            lossless_jpeg=lossless_jpeg,
            tags=None,
        )
        _copy_exif(photo, path, mosaic.shape[1], mosaic.shape[0])
        written.append(path)
    return written


def _copy_exif(source: Path, target: Path, width: int, height: int) -> None:
    """Copy time, exposure, focal length, GPS and orientation of one photo to another of `width`×`height`."""
    with exiv2_alone() as exiv2:
        original = exiv2.ImageFactory.open(str(source))
        original.readMetadata()
        image = exiv2.ImageFactory.open(str(target))
        image.readMetadata()
        exif = image.exifData()
        for datum in original.exifData():
            key = datum.key()
            wanted = key.startswith(("Exif.Photo.", "Exif.GPSInfo.")) and "MakerNote" not in key
            if wanted or key == "Exif.Image.Orientation":
                exif[key] = datum.value()
        _rescale_focal_plane(exif, width)
        exif["Exif.Photo.PixelXDimension"] = str(width)
        exif["Exif.Photo.PixelYDimension"] = str(height)
        image.setExifData(exif)
        image.writeMetadata()


def _rescale_focal_plane(exif: Any, width: int) -> None:
    """Make the focal plane resolution that of a picture `width` px wide, if the tags tell another width.

    Looked for by iterating: exiv2 ends the process when asked for a key it does not know.
    """
    across_key = "Exif.Photo.PixelXDimension"
    resolutions = ("Exif.Photo.FocalPlaneXResolution", "Exif.Photo.FocalPlaneYResolution")
    wanted = {across_key, *resolutions}
    told = {datum.key(): datum.toFloat() for datum in exif if datum.key() in wanted}
    across = told.get(across_key, 0.0)
    for key in resolutions:
        if across > 0.0 and key in told:
            exif[key] = f"{round(told[key] * width / across * 1000)}/1000"
