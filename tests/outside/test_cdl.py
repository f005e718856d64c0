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

from pipeline.colour.cdl import Cdl, apply_cdl, cdl_transform
from pipeline.colour.display import BT2020_TO_XYZ
from pipeline.colour.grade import Grade, apply_grade
from pipeline.colour.look import SceneLook
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


def cases_of(data_dir):
    cases = json.loads((data_dir / "tables" / "cdl" / "asc_cdl_vectors.json").read_text())["cases"]
    assert sorted(case["test"] for case in cases) == sorted(VECTORS)
    return {case["test"]: case for case in cases}


@pytest.mark.parametrize("name", [name for name in VECTORS if name.startswith("apply_clamp_fwd")])
def test_published_vectors_of_what_grades_apply(data_dir, name):
    """Within the closer of each case's tolerances; no picture has the values that are no numbers."""
    case = cases_of(data_dir)[name]
    given, expected = (np.array(case[key], np.float64)[:, :3] for key in ("input_rgba", "expected_rgba"))
    finite = np.isfinite(given).all(axis=1)
    assert finite.sum() >= 4
    seen = apply_cdl(given[finite].astype(np.float32)[None], Cdl(**case["params"]))[0]
    assert_allclose(seen, expected[finite], rtol=0.0, atol=min(map(float, case["tolerance"])))


@pytest.mark.parametrize("name", VECTORS)
def test_published_vectors_of_what_is_written_to_files(data_dir, name):
    """The transform that is written, with each case's direction and style set on it.

    Each case gives two tolerances, for two ways of building the library: the closer one holds forwards.
    Inverses are held to the other, because 1e-6 at a value of 19.8 is less than a step of float32.
    """
    import PyOpenColorIO as ocio

    case = cases_of(data_dir)[name]
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


def test_the_whole_look_as_colour_science_works_it():
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


LOOKS = {
    "CDL": (
        Cdl(slope=(1.1, 1.0, 0.9), offset=(0.02, -0.01, 0.0), power=(1.1, 1.0, 0.9), saturation=1.3),
        1.0,
    ),
    "contrast": (Cdl(), 1.25),
    "both": (Cdl(offset=(-0.03, -0.02, 0.0), saturation=0.6), 0.85),
}


@pytest.mark.parametrize("name", LOOKS)
def test_the_look_is_that_of_opencolorio(name):
    """Its exact processor (OPTIMIZATION_LOSSLESS) of the same steps, from below black to far above white."""
    import PyOpenColorIO as ocio

    cdl, contrast = LOOKS[name]
    inverse = ocio.TRANSFORM_DIR_INVERSE

    def scaled(matrix):
        padded = np.eye(4)
        padded[:3, :3] = matrix
        return ocio.MatrixTransform(padded.ravel().tolist())

    steps = [
        scaled(BT2020_TO_XYZ),
        ocio.BuiltinTransform("UTILITY - ACES-AP1_to_CIE-XYZ-D65_BFD", inverse),
        ocio.BuiltinTransform("CURVE - ACEScct-LOG_to_LINEAR", inverse),
        cdl_transform(cdl),
        ocio.BuiltinTransform("CURVE - ACEScct-LOG_to_LINEAR"),
        scaled(np.eye(3) / 0.18),
        ocio.ExponentTransform([contrast] * 3 + [1.0]),
        scaled(np.eye(3) * 0.18),
        ocio.BuiltinTransform("UTILITY - ACES-AP1_to_LINEAR-REC709_BFD"),
    ]
    rng = np.random.default_rng(11)
    rgb = np.concatenate([rng.uniform(-0.01, 1.0, (40, 50, 3)), 2.0 ** rng.uniform(-14.0, 6.0, (40, 50, 3))])
    expected = rgb.astype(np.float32)
    lossless(steps).applyRGB(expected)
    error = np.abs(SceneLook(cdl, contrast).apply(rgb.astype(np.float32)) - expected)
    # 1e-6 of code, the closest tolerance of the published vectors, is 17.52 ln 2 times as much of light, and
    # a dark channel beside a bright one is a difference of what is as bright.
    brightest = np.abs(expected).max(axis=-1, keepdims=True)
    assert np.max(error / (17.52 * np.log(2.0) * 1e-6 * brightest + 1e-6)) < 1.0
