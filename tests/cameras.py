"""An invented camera with matrices for two lights, for tests of colour."""

from __future__ import annotations

import numpy as np

from pipeline.colour.camera import CameraColour

TWO_LIGHTS = CameraColour(
    np.array([[0.80, -0.30, -0.02], [-0.47, 1.26, 0.24], [-0.08, 0.20, 0.56]]),
    2856.0,
    np.array([[0.72, -0.21, -0.06], [-0.41, 1.22, 0.21], [-0.06, 0.16, 0.62]]),
    6504.0,
    None,
    None,
    np.eye(3),
    np.eye(3),
    np.ones(3),
)
