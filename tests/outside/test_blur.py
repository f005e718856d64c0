"""Blur beside scikit-image's `blur_effect`, another reading of the same paper (Crete and others, 2007).

scikit-image takes Sobel edges where the paper and we take differences between neighbours, so the two
agree in order and in size, not in the digits.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.measure.blur import blur_effect

metrics = pytest.importorskip("skimage.measure")
data = pytest.importorskip("skimage.data")


def test_blur_agrees_with_scikit_image() -> None:
    picture = data.camera()
    ours, theirs = [], []
    for sigma in (0.0, 1.0, 2.0, 4.0):
        seen = picture if sigma == 0.0 else cv2.GaussianBlur(picture, (0, 0), sigma)
        ours.append(blur_effect(seen))
        down, across = metrics.blur_effect(seen, reduce_func=None)
        theirs.append((across, down))
    assert np.abs(np.array(ours) - np.array(theirs)).max() < 0.15
    assert np.all(np.diff(np.array(ours), axis=0) > 0.1)
