"""Real photographs as Bayer DNGs, so that the path of RAW files meets real texture.

A display-referred picture is turned back into linear light and passed through the invented camera's colour
filters. Detail and noise are real; the RAW file is synthetic.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.dng import copy_exif, write_dng
from pipeline.demo.sensor import Sensor, camera_neutral, counts, mosaic_of, scene_to_camera

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
        copy_exif(photo, path, mosaic.shape[1], mosaic.shape[0])
        written.append(path)
    return written
