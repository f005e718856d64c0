"""Our use of ASC CDL 1.2 against published vectors, and of ACEScct against colour-science.

Sources: asc_cdl_vectors.json in the data folder (vectors of the OpenColorIO project's tests, BSD-3-Clause,
which name an independent ASC CDL implementation as their origin); ASC CDL 1.2 formula; ACES S-2016-001
through colour-science.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.colour.grade import Cdl, Grade, apply_grade, cdl_transform
from pipeline.colour.temperature import colour_science

FORWARD = ["apply_clamp_fwd", "apply_clamp_fwd_2", "apply_clamp_fwd_3"]


@pytest.mark.parametrize("name", FORWARD)
def test_published_vectors(data_dir, name):
    """Cases that clamp as ASC CDL 1.2 does; the second of their two tolerances, which is the closer one."""
    import PyOpenColorIO as ocio

    cases = json.loads((data_dir / "tables" / "cdl" / "asc_cdl_vectors.json").read_text())["cases"]
    (case,) = [case for case in cases if case["test"] == name]
    processor = ocio.Config.CreateRaw().getProcessor(cdl_transform(Cdl(**case["params"])))
    depth = ocio.BIT_DEPTH_F32
    processor = processor.getOptimizedCPUProcessor(depth, depth, ocio.OPTIMIZATION_LOSSLESS)
    rgba = np.array(case["input_rgba"], dtype=np.float32)
    processor.applyRGBA(rgba)
    expected = np.array(case["expected_rgba"], dtype=np.float64)
    assert len(expected) >= 7
    assert_allclose(rgba, expected, rtol=0.0, atol=float(case["tolerance"][1]), equal_nan=True)


def test_the_whole_look_ascolour_science_works_it():
    """BT.2020 to ACEScg by Bradford, ACEScct, the CDL written out, back to BT.709, BT.1886."""
    colour = colour_science()
    cdl = Cdl(slope=(1.05, 1.0, 0.95), offset=(0.01, -0.005, 0.0), power=(1.02, 1.0, 0.97), saturation=1.15)
    rgb = np.random.default_rng(3).uniform(0.01, 0.6, (20, 30, 3))

    def converted(values, source, target):
        spaces = colour.RGB_COLOURSPACES
        return colour.RGB_to_RGB(values, spaces[source], spaces[target], "Bradford")

    code = colour.models.log_encoding_ACEScct(converted(rgb, "ITU-R BT.2020", "ACEScg"))
    code = np.clip(code * cdl.slope + np.array(cdl.offset), 0.0, 1.0) ** cdl.power
    luma = code @ [[0.2126], [0.7152], [0.0722]]
    code = np.clip(luma + cdl.saturation * (code - luma), 0.0, 1.0)
    linear = converted(colour.models.log_decoding_ACEScct(code), "ACEScg", "ITU-R BT.709")
    expected = np.clip(linear, 0.0, 1.0) ** (1.0 / 2.4)

    shown = apply_grade(Grade(intent="x", cdl=cdl, shoulder=False), rgb.astype(np.float32))
    assert_allclose(shown, expected, atol=1e-5)
