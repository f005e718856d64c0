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

from pipeline.colour.cdl import Cdl, cdl_transform
from pipeline.colour.grade import Grade, apply_grade
from pipeline.colour.lut import lossless
from pipeline.render.grades import read_cdl
from tests.reference import colour_science

VECTORS = [
    *("apply_clamp_fwd", "apply_clamp_fwd_2", "apply_clamp_fwd_3", "apply_clamp_rev"),
    *("apply_noclamp_fwd", "apply_noclamp_fwd_3", "apply_noclamp_rev"),
]
# What the files of the data folder hold, as read off their text.
FOO = Cdl(slope=(1.1, 1.2, 1.3), offset=(2.1, 2.2, 2.3), power=(3.1, 3.2, 3.3), saturation=0.42)
CC0001 = Cdl(slope=(1.0, 1.0, 0.9), offset=(-0.03, -0.02, 0.0), power=(1.25, 1.0, 1.0), saturation=1.7)
CC0002 = Cdl(slope=(0.9, 0.7, 0.6), offset=(0.1, 0.1, 0.1), power=(0.9, 0.9, 0.9), saturation=0.7)


@pytest.mark.parametrize("name", VECTORS)
def test_published_vectors(data_dir, name):
    """Grades use the cases that clamp, forwards; the others set direction and style on our transform.

    Each case gives two tolerances, for two ways of building the library: the closer one holds forwards.
    Inverses are held to the other, because 1e-6 at a value of 19.8 is less than a step of float32.
    """
    import PyOpenColorIO as ocio

    cases = json.loads((data_dir / "tables" / "cdl" / "asc_cdl_vectors.json").read_text())["cases"]
    assert sorted(case["test"] for case in cases) == sorted(VECTORS)
    (case,) = [case for case in cases if case["test"] == name]
    transform = cdl_transform(Cdl(**case["params"]))
    if "noclamp" in name:
        transform.setStyle(ocio.CDL_NO_CLAMP)
    if "rev" in name:
        transform.setDirection(ocio.TRANSFORM_DIR_INVERSE)
    rgba = np.array(case["input_rgba"], dtype=np.float32)
    lossless([transform]).applyRGBA(rgba)
    expected = np.array(case["expected_rgba"], dtype=np.float64)
    assert len(expected) >= 7
    tolerance = (max if "rev" in name else min)(map(float, case["tolerance"]))
    assert_allclose(rgba, expected, rtol=0.0, atol=tolerance, equal_nan=True)


@pytest.mark.parametrize(
    ("file", "id", "expected"),
    [
        ("cdl_test1.cc", None, FOO.model_copy(update={"saturation": 0.7})),
        ("cdl_test2.cc", "cc0001", CC0001),
        ("cdl_test1.ccc", "cc0001", CC0001),
        ("cdl_test1.ccc", "cc0002", CC0002),
        ("cdl_test1.cdl", "cc0002", CC0002),
        ("cdl_test_ASC_SAT.cc", None, FOO),
        ("cdl_test_ASC_SOP.cc", None, FOO),
        ("cdl_test_SATNode.cc", None, FOO),
    ],
)
def test_published_files(data_dir, file, id, expected):
    read = read_cdl(data_dir / "tables" / "cdl" / file, id)
    for name in ("slope", "offset", "power", "saturation"):
        assert_allclose(getattr(read, name), getattr(expected, name), rtol=1e-7)


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
