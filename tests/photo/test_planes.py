"""Planes of a mosaic."""

from __future__ import annotations

import numpy as np

from pipeline.photo.planes import phase_planes


def test_each_plane_has_one_place_of_the_pattern() -> None:
    mosaic = np.arange(6 * 8, dtype=np.uint16).reshape(6, 8)
    for turned in (mosaic, mosaic[::-1], np.asfortranarray(mosaic)):
        seen = dict(phase_planes(turned))
        assert list(seen) == [(0, 0), (0, 1), (1, 0), (1, 1)]
        for (row, column), plane in seen.items():
            np.testing.assert_array_equal(plane, turned[row::2, column::2])
