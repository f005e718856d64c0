"""Chromaticities of the whites that colour is told against."""

from __future__ import annotations

import numpy as np

D50_XY = np.array([0.3457, 0.3585])
"""Chromaticity of CIE D50 (CIE 015:2018, 2 degree observer, as rounded in ICC and DNG use)."""

D65_XY = np.array([0.3127, 0.3290])
"""Chromaticity of CIE D65 as ITU-R BT.709, BT.2020 and IEC 61966-2-1 round it."""
