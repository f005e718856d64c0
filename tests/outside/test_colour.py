"""Colour against published constants and colour-science.

Sources are named beside each check. Tables: tables/colour in the data folder (scikit-image and
colour-science, BSD-3-Clause).
"""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from skimage.color import deltaE_ciede2000

from pipeline.colour.camera import (
    BRADFORD,
    CameraColour,
    bradford_adaptation,
    camera_to_xyz_d50,
    neutral_to_xy,
)
from pipeline.colour.display import (
    BT709_TO_XYZ,
    BT2020_TO_BT709,
    BT2020_TO_XYZ,
    limited_range,
    linear_to_srgb,
    rgb_to_ycbcr,
    srgb_camera,
    srgb_to_linear,
)
from pipeline.colour.ground import ground_delta_e, with_green
from pipeline.colour.temperature import cct_duv_to_xy, mired, xy_to_cct_duv
from pipeline.colour.whites import D50_XY, D65_XY
from tests.reference import colour_science

CODES = np.linspace(0.0, 1.0, 257)


@pytest.fixture(scope="module")
def colour():
    return colour_science()


def rows(path):
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith(('"#', "#"))))


def test_srgb_curve(colour):
    """IEC 61966-2-1 as colour-science has it."""
    assert_allclose(srgb_to_linear(CODES), colour.models.eotf_sRGB(CODES), atol=1e-12)
    assert_allclose(linear_to_srgb(CODES), colour.models.eotf_inverse_sRGB(CODES), atol=1e-12)


def test_rgb_matrices(colour):
    """ITU-R BT.709-6 and BT.2020-2 primaries with D65, derived by colour-science (SMPTE RP 177)."""
    for ours, name in ((BT709_TO_XYZ, "ITU-R BT.709"), (BT2020_TO_XYZ, "ITU-R BT.2020")):
        space = colour.RGB_COLOURSPACES[name]
        assert_allclose(ours, colour.normalised_primary_matrix(space.primaries, space.whitepoint), atol=1e-12)


def test_bt2020_to_bt709_is_the_published_matrix():
    """Report ITU-R BT.2407-0, section 2.2, equation of the linear conversion (values from memory)."""
    published = [[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]]
    assert_allclose(BT2020_TO_BT709, published, atol=6e-5)


def test_bradford(colour):
    """The Bradford matrix and its adaptation, D65 to A, as colour-science has them."""
    assert_allclose(BRADFORD, colour.adaptation.CAT_BRADFORD)
    white_a = np.array([0.44758, 0.40745])
    expected = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(D65_XY), colour.xy_to_XYZ(white_a), transform="Bradford"
    )
    assert_allclose(bradford_adaptation(D65_XY, white_a), expected, atol=1e-9)


@pytest.mark.parametrize("bits", [8, 10])
def test_ycbcr(colour, bits):
    """ITU-R BT.709 Y'CbCr, limited range, before rounding, as colour-science has it."""
    rgb = np.random.default_rng(1).random((100, 3))
    expected = colour.RGB_to_YCbCr(
        rgb,
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_legal=False,
        in_int=False,
        out_bits=bits,
        out_legal=True,
        out_int=False,
    )
    assert_allclose(limited_range(rgb_to_ycbcr(rgb), bits), expected * (2**bits - 1), atol=1e-9)


def test_cct_and_duv_of_standard_illuminants():
    """CIE 015: A is 2856 K and on the locus; D65 is 6504 K with Duv 0.0032 (ANSI C78.377, from memory)."""
    (a_k, a_duv), (d65_k, d65_duv) = xy_to_cct_duv([[0.44758, 0.40745], [0.3127, 0.3290]])
    assert a_k == pytest.approx(2856.0, abs=1.0) and a_duv == pytest.approx(0.0, abs=1e-4)
    assert d65_k == pytest.approx(6504.0, abs=1.0) and d65_duv == pytest.approx(0.0032, abs=5e-5)


def test_the_locus_and_the_light_around_it(colour):
    """Planck's law seen in CIE 1960 uv, as colour-science works it for Ohno 2013."""
    cct_k, duv = np.meshgrid(mired(np.linspace(17.0, 909.0, 200)), np.linspace(-0.03, 0.03, 7))
    given = np.stack([cct_k, duv], axis=-1)
    expected = colour.UCS_uv_to_xy(colour.temperature.CCT_to_uv_Ohno2013(given))
    assert_allclose(cct_duv_to_xy(given), expected, atol=1e-6)
    # Beyond some 0.03 the isotemperature lines meet; colour-science itself comes back within 0.002 mired.
    assert_allclose(mired(xy_to_cct_duv(expected)[..., 0]), mired(cct_k), atol=2e-3)
    assert_allclose(xy_to_cct_duv(expected)[..., 1], duv, atol=2e-7)


def test_cct_of_any_white(colour):
    """Ohno 2013 in colour-science, of 500 chromaticities about the locus."""
    random = np.random.default_rng(4)
    given = np.stack([mired(random.uniform(60.0, 500.0, 500)), random.uniform(-0.02, 0.02, 500)], axis=-1)
    xy = colour.UCS_uv_to_xy(colour.temperature.CCT_to_uv_Ohno2013(given))
    expected = colour.temperature.uv_to_CCT_Ohno2013(
        colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(xy)))
    )
    found = xy_to_cct_duv(xy)
    assert_allclose(mired(found[:, 0]), mired(expected[:, 0]), atol=3e-3)
    assert_allclose(found[:, 1], expected[:, 1], atol=2e-7)


def test_colour_difference_of_the_ground(colour):
    """CIEDE2000 (CIE 142:2001) in colour-science of the two renderings that `ground_delta_e` compares."""
    camera = srgb_camera()
    neutral, ground = np.array([0.6, 1.0, 0.7]), np.array([0.1, 0.2, 0.06])
    used, seen = np.array([[0.05, -0.1], [0.0, 0.0]]), np.array([[0.0, 0.0], [0.08, 0.2]])
    meant = camera_to_xyz_d50(camera, neutral) @ ground
    expected = []
    for of_neutral, of_ground in zip(with_green(used), with_green(seen), strict=True):
        rendered = camera_to_xyz_d50(camera, neutral * 2.0**of_neutral) @ (ground * 2.0**of_ground)
        rendered *= meant[1] / rendered[1]
        labs = [colour.XYZ_to_Lab(xyz, D50_XY) for xyz in (meant, rendered)]
        expected.append(colour.difference.delta_E_CIE2000(*labs))
    # scikit-image has the white of D50 to four places.
    assert_allclose(ground_delta_e(camera, neutral, ground, used, seen), expected, rtol=1e-3)


def test_cct_of_the_daylight_locus(data_dir):
    """CIE 015 formula of the D illuminants by their CCT (cie_d_xy_vs_cct.csv)."""
    table = rows(data_dir / "tables" / "colour" / "cie_d_xy_vs_cct.csv")
    xy = np.array([[row["x_D"], row["y_D"]] for row in table], dtype=float)
    expected_k = np.array([row["CCT_K"] for row in table], dtype=float)
    found = xy_to_cct_duv(xy)
    assert len(expected_k) >= 5
    # The formula is a fit: its chromaticities have the nominal CCT within 0.08 mired.
    assert_allclose(mired(found[:, 0]), mired(expected_k), atol=0.1)
    assert (found[:, 1] > 0.001).all()


def test_robertsons_lines(data_dir):
    """Robertson 1968, isotemperature lines: points on the locus, given in CIE 1960 uv to 5 places."""
    table = rows(data_dir / "tables" / "colour" / "robertson1968_isotemperature.csv")
    given = np.array([[row["mired"], row["u"], row["v"]] for row in table], dtype=float)
    given = given[(given[:, 0] >= 50.0) & (given[:, 0] <= 500.0)]  # 2000 K to 20000 K
    u, v = given[:, 1], given[:, 2]
    xy = np.stack([3.0 * u, 2.0 * v], axis=1) / (2.0 * u - 8.0 * v + 4.0)[:, np.newaxis]
    found = xy_to_cct_duv(xy)
    assert len(given) >= 15
    assert_allclose(mired(found[:, 0]), given[:, 0], atol=0.03)
    assert_allclose(found[:, 1], 0.0, atol=1e-5)


ONE = CameraColour(
    colour_matrix_1=np.array([[0.86, -0.28, -0.1], [-0.44, 1.25, 0.21], [-0.09, 0.23, 0.57]]),
    illuminant_1_k=6504.0,
    colour_matrix_2=None,
    illuminant_2_k=None,
    forward_matrix_1=None,
    forward_matrix_2=None,
    calibration_1=np.diag([0.98, 1.0, 1.03]),
    calibration_2=np.eye(3),
    analog_balance=np.array([1.1, 1.0, 1.2]),
)
TWO = replace(
    ONE,
    colour_matrix_1=np.array([[1.05, -0.45, -0.06], [-0.42, 1.25, 0.19], [-0.06, 0.2, 0.55]]),
    illuminant_1_k=2856.0,
    colour_matrix_2=ONE.colour_matrix_1,
    illuminant_2_k=6504.0,
    calibration_1=np.diag([1.02, 1.0, 0.97]),
    calibration_2=np.diag([0.98, 1.0, 1.03]),
)
FORWARD = replace(
    TWO,
    forward_matrix_1=np.array([[0.69, 0.16, 0.1142], [0.29, 0.77, -0.06], [0.02, -0.18, 0.9851]]),
    forward_matrix_2=np.array([[0.65, 0.21, 0.1042], [0.26, 0.82, -0.08], [0.03, -0.12, 0.9151]]),
)


def _dng_chain(colour, camera: CameraColour, neutral: np.ndarray, patches: np.ndarray) -> np.ndarray:
    """The mapping of DNG 1.7.1.0, chapter 6, worked with colour-science: XYZ D50 (n, 3) of camera RGB.

    The CCT is by Robertson 1968, as in the reference code of the specification (from memory), and the
    iteration runs a fixed 60 times.
    """
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]

    def weights(xy):
        if camera.colour_matrix_2 is None:
            return 1.0, 0.0
        uv = colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(xy)))
        cct_k = colour.temperature.uv_to_CCT_Robertson1968(uv)[0]
        inverse = np.clip(1 / cct_k, 1 / camera.illuminant_2_k, 1 / camera.illuminant_1_k)
        first = np.interp(inverse, [1 / camera.illuminant_2_k, 1 / camera.illuminant_1_k], [0.0, 1.0])
        return first, 1.0 - first

    def mixed(xy, one, two):
        first, second = weights(xy)
        return first * one + (0.0 if two is None else second * two)

    def individual(xy):
        return np.diag(camera.analog_balance) @ mixed(xy, camera.calibration_1, camera.calibration_2)

    xy = d50
    for _ in range(60):
        to_camera = individual(xy) @ mixed(xy, camera.colour_matrix_1, camera.colour_matrix_2)
        xy = colour.XYZ_to_xy(np.linalg.inv(to_camera) @ neutral)
    if camera.forward_matrix_1 is not None:
        back = np.linalg.inv(individual(xy))
        forward = mixed(xy, camera.forward_matrix_1, camera.forward_matrix_2)
        return patches @ (forward @ np.diag(1.0 / (back @ neutral)) @ back).T
    xyz = patches @ np.linalg.inv(to_camera).T
    white = np.linalg.inv(to_camera) @ neutral
    return colour.adaptation.chromatic_adaptation_VonKries(
        xyz / white[1], colour.xy_to_XYZ(xy), colour.xy_to_XYZ(d50), transform="Bradford"
    )


@pytest.mark.parametrize("camera", [ONE, TWO, FORWARD], ids=["one matrix", "two illuminants", "forward"])
@pytest.mark.parametrize("neutral", [(0.62, 1.0, 0.72), (0.8, 1.0, 0.5), (1.1, 1.0, 0.32)])
def test_camera_to_xyz_is_the_specifications_chain(colour, camera, neutral):
    """Mean CIEDE2000 over invented patches; the design's bound is 0.1."""
    patches = np.random.default_rng(6).uniform(0.05, 0.8, (60, 3)) * neutral
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    expected = _dng_chain(colour, camera, np.array(neutral), patches)
    found = patches @ camera_to_xyz_d50(camera, neutral).T
    difference = deltaE_ciede2000(colour.XYZ_to_Lab(found, d50), colour.XYZ_to_Lab(expected, d50))
    assert difference.mean() <= 0.1
    assert np.isfinite(neutral_to_xy(camera, neutral)).all()
