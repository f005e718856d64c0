"""Look-up tables against published files: every valid one is read, every invalid one refused for its fault.

Sources: the CLF files, valid and invalid, of the OpenColorIO project's tests (Common LUT Format, ACES
S-2014-006, version 3; BSD-3-Clause) and the tables of colour-science's tests (BSD-3-Clause), all in the
data folder and none in the project. colour-science reads the same cubes with code of its own.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.colour.look import lut_processors
from pipeline.colour.lut import Lut, UnusableTable, check_lut, lossless, lut_transform
from tests.reference import colour_science

# A word of the fault that each invalid file was made with, as its name and its comment tell.
FAULTS = {
    "array_bad_dimension": "dimensions",
    "array_bad_value": "Illegal values",
    "array_missing_values": "Expected 3x3 Array values, found 3",
    "array_too_many_values": "too many values",
    "cdl_bad_power": "power",
    "cdl_bad_sat": "SatNode",
    "cdl_bad_slope": "3 values required",
    "cdl_bad_style": "style",
    "cdl_missing_offset": "'Offset' is missing",
    "cdl_missing_power": "'Power' is missing",
    "cdl_missing_slope": "'Slope' is missing",
    "exponent_bad_param": "offset parameter",
    "exponent_bad_value": "less than lower bound",
    "image_png": "not well-formed XML|is no text",
    "indexMap_test2": "'IndexMap' is not valid since CLF 3",
    "log_bad_param": "'linSideBreak' is only allowed",
    "log_bad_style": "'invalidStyle' is invalid",
    "log_missing_breakpnt": "'linSideBreak' should be defined",
    "lut1d_half_domain_missing_values": "65536 required",
    "lut1d_half_domain_set_false": "'halfDomain' attribute 'false'",
    "lut1d_raw_half_set_false": "'rawHalfs' attribute 'false'",
    "lut3d_unequal_size": "dimensions 2 2 3 3",
    "matrix_end_missing": "not well-formed XML",
    "process_list_missing": "not a CTF/CLF file",
    "range_bad_noclamp": "have to be set",
    "range_bad_values": "too close",
    "range_empty": "must be set in Range",
    "range_nonmatching_clamp": "must be equal",
    "transform_bad_outdepth": "unknown value",
    "transform_bitdepth_mismatch": "Bit-depth mismatch",
    "transform_corrupted_tag": "not well-formed XML",
    "transform_element_end_missing": "not well-formed XML",
    "transform_empty": "Error is",
    "transform_missing": "no element found",
    "transform_missing_inbitdepth": "inBitDepth is missing",
    "transform_missing_outbitdepth": "outBitDepth is missing",
    "unknown_elements": "Unrecognized element 'B'",
}


def table(path: Path) -> Lut:
    return Lut(file=path.name, text=path.read_bytes().decode("utf-8", errors="replace"))


def test_every_published_table_is_read(data_dir: Path) -> None:
    files = sorted([*(data_dir / "tables" / "clf").iterdir(), *(data_dir / "tables" / "cube").iterdir()])
    assert len(files) == 35
    for path in files:
        check_lut(table(path))


def test_every_invalid_file_is_refused_for_its_fault(data_dir: Path) -> None:
    folder = data_dir / "tables" / "clf_invalid"
    files = sorted(path.stem for path in folder.iterdir())
    assert files == sorted(FAULTS)
    for name in files:
        with pytest.raises(UnusableTable, match=FAULTS[name]) as refused:
            check_lut(table(folder / f"{name}.clf"))
        assert "\n" not in str(refused.value)
        assert str(folder) not in str(refused.value)


def test_a_document_type_is_refused(data_dir: Path) -> None:
    """An external entity (XML 1.0, 4.2.2) is neither fetched nor passed over."""
    text = (data_dir / "tables" / "clf" / "matrix_3x4_example.clf").read_text()
    head, body = text.split("?>", 1)
    with pytest.raises(UnusableTable, match="document type"):
        check_lut(
            Lut(file="a.clf", text=f'{head}?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>{body}')
        )


@pytest.mark.parametrize(
    "name", ["RGB_1_0.5_0.25", "LogC_Video", "Three_Dimensional_Table_With_Shaper", "eotf_sRGB_3D", "Unit"]
)
def test_cubes_as_colour_science_reads_them(data_dir: Path, name: str) -> None:
    """Tetrahedral interpolation of the cube after linear interpolation of its shaper."""
    colour = colour_science()
    path = data_dir / "tables" / "cube" / f"{name}.cube"
    # The reader of cubes with a shaper is the one that knows both of their domains.
    text = path.read_text()
    shaped = "LUT_1D_SIZE" in text and "LUT_3D_SIZE" in text
    read = colour.io.read_LUT_ResolveCube if shaped else colour.io.read_LUT_IridasCube
    lut = read(str(path))
    low, high = (-0.1, 3.0) if "INPUT_RANGE" in text else (0.0, 1.0)
    rgb = np.random.default_rng(5).uniform(low, high, (500, 3))
    settings = {"interpolator": colour.algebra.table_interpolation_tetrahedral}
    expected = rgb
    for step in getattr(lut, "sequence", [lut]):
        expected = step.apply(expected, **(settings if step.__class__.__name__ == "LUT3D" else {}))
    seen = rgb.astype(np.float32)
    lossless([lut_transform(table(path))], table(path)).applyRGB(seen)
    assert_allclose(seen, expected, atol=2e-6 * max(1.0, float(np.abs(expected).max())))


def test_a_table_works_in_the_space_it_says(data_dir: Path) -> None:
    """RGB_1_0.5_0.25.cube multiplies by 1, 1/2 and 1/4 (its title): in ACEScct by colour-science's curve."""
    colour = colour_science()
    path = data_dir / "tables" / "cube" / "RGB_1_0.5_0.25.cube"
    linear = np.random.default_rng(6).uniform(0.05, 0.9, (4, 5, 3)).astype(np.float32)

    def between(values, source, target):
        spaces = colour.RGB_COLOURSPACES
        return colour.RGB_to_RGB(values, spaces[source], spaces[target], "Bradford")

    for space in ("acescct", "acescg"):
        lut = table(path).model_copy(update={"input": space, "output": space})
        inside = between(linear, "ITU-R BT.709", "ACEScg")
        if space == "acescct":
            inside = colour.models.log_encoding_ACEScct(inside)
        for strength in (1.0, 0.4):
            mixed = inside * (1.0 + strength * (np.array([1.0, 0.5, 0.25]) - 1.0))
            if space == "acescct":
                mixed = colour.models.log_decoding_ACEScct(mixed)
            expected = between(mixed, "ACEScg", "ITU-R BT.709")
            assert_allclose(lut_processors(lut).mixed(linear, strength), expected, atol=3e-5)


def test_spoiled_tables_are_read_or_refused(data_dir: Path) -> None:
    """Published files with parts cut out, doubled or overwritten: never another error, one line each."""
    rng = random.Random(7)
    files = sorted([*(data_dir / "tables" / "clf").iterdir(), *(data_dir / "tables" / "cube").iterdir()])
    files = [path for path in files if path.stat().st_size < 20_000]
    refused = 0
    for _ in range(150):
        path = rng.choice(files)
        text = path.read_bytes().decode("utf-8", errors="replace")
        place, other = rng.randrange(len(text)), rng.randrange(len(text))
        put = rng.choice(
            ["nan", "1e400", "99999999", "<", "&x;", "\0", "inf", "UTF-16", text[other : other + 40]]
        )
        text = text[:place] + put + text[place + rng.randrange(20) :]
        try:
            check_lut(Lut(file=path.name, text=text))
        except UnusableTable as error:
            refused += 1
            assert "\n" not in str(error)
    assert refused > 75
