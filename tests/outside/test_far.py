"""The far band against a known turn: scikit-image's bundled pictures, turned by OpenCV's own warp."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from skimage import data

from pipeline.measure.far import FarView, far_turns
from tests.geometry.scene import camera_axes

FOCAL = 500.0


@pytest.mark.parametrize("name", ["rocket", "coffee", "chelsea"])
def test_a_real_picture_turned_by_a_known_rotation(name: str) -> None:
    # the homography of a turning camera is K R K^-1 (Hartley and Zisserman, eq. 8.5)
    picture = cv2.cvtColor(getattr(data, name)(), cv2.COLOR_RGB2GRAY)
    height, width = picture.shape
    camera = np.array([[FOCAL, 0.0, (width - 1) / 2], [0.0, FOCAL, (height - 1) / 2], [0.0, 0.0, 1.0]])
    turn = Rotation.from_rotvec(np.deg2rad([0.7, -1.1, 0.5]))
    warp = camera @ turn.as_matrix() @ np.linalg.inv(camera)
    turned = cv2.warpPerspective(picture, warp, (width, height), flags=cv2.INTER_CUBIC)
    turned = np.clip(turned * 0.85 + 5.0, 0, 255).astype(np.uint8)  # and darker
    tags = Rotation.from_rotvec(np.deg2rad([0.1, 0.1, -0.1])) * turn
    level = camera_axes(0.0, 0.0) @ [0.0, 0.0, -1.0]  # the band lies across the middle
    view = FarView(tags.as_matrix(), level, FOCAL, (width, height))
    turns = far_turns(picture, turned, view)
    assert len(turns) == 2
    for told, bound_px in zip(turns, (0.05, 0.15), strict=True):
        error = (Rotation.from_rotvec(told.turn_rad) * turn.inv()).magnitude() * FOCAL
        assert error < bound_px
