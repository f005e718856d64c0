"""Small pictures and finished frames, read from their files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray


def read_picture(path: Path) -> NDArray[Any] | None:
    """Return the R'G'B' picture (H, W, 3) in a file, as deep as it is there; None where there is none.

    The file is read by Python: on Windows OpenCV finds no path with letters of another alphabet.
    """
    try:
        coded = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    picture = cv2.imdecode(coded, cv2.IMREAD_UNCHANGED) if coded.size else None
    if picture is None or picture.ndim != 3:
        return None
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB))
