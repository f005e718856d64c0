"""Grades read from files: CDL files, tables, points along the video, and errors that name the remedy."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.colour.cdl import CDL_FORMS, Cdl, cdl_text
from pipeline.colour.grade import Blend, Grade, Grading, apply_grade
from pipeline.errors import UsageError
from pipeline.render.grades import load_grade, load_grading, read_cdl
from pipeline.settings import EncodeSettings

# Invented: a cube that swaps red and blue, and one that inverts.
SWAP = "LUT_3D_SIZE 2\n" + "".join(f"{b} {g} {r}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1))
INVERT = "LUT_3D_SIZE 2\n" + "".join(
    f"{1 - r} {1 - g} {1 - b}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1)
)
COLOURS = np.random.default_rng(2).uniform(0.02, 0.7, (6, 7, 3)).astype(np.float32)
CDL = Cdl(slope=(1.1, 1.0, 0.95), offset=(0.01, -0.02, 0.0), power=(1.0, 1.1, 0.9), saturation=1.25)


def written(folder: Path, text: str, **files: str) -> str:
    for name, content in files.items():
        (folder / name.replace("_", ".")).write_text(content)
    path = folder / "mine.toml"
    path.write_text(f'intent = "invented"\n{text}')
    return str(path)


def test_a_table_of_display_codes_comes_last(tmp_path: Path) -> None:
    plain = apply_grade(Grade(intent="x"), COLOURS)
    for strength in (1.0, 0.25):
        name = written(
            tmp_path,
            f'[lut]\nfile = "a.cube"\ninput = "display"\noutput = "display"\nstrength = {strength}\n',
            a_cube=SWAP,
        )
        expected = plain + strength * (plain[..., ::-1] - plain)
        assert_allclose(apply_grade(load_grade(name), COLOURS), expected, atol=1e-5)


def test_a_table_from_light_to_display_stands_in_for_the_curve(tmp_path: Path) -> None:
    """Inverting ACEScct codes: brighter light comes out darker, at half strength half way."""
    name = written(tmp_path, '[lut]\nfile = "a.cube"\noutput = "display"\n', a_cube=INVERT)
    ramp = np.repeat(np.linspace(0.02, 0.9, 20, dtype=np.float32)[None, :, None], 3, axis=2)
    whole = apply_grade(load_grade(name), ramp)[0]
    assert (np.diff(whole[:, 1]) < 0.0).all()
    half = load_grade(name)
    assert half.lut is not None
    half = half.model_copy(update={"lut": half.lut.model_copy(update={"strength": 0.5})})
    plain = apply_grade(Grade(intent="x"), ramp)[0]
    assert_allclose(apply_grade(half, ramp)[0], (whole + plain) / 2.0, atol=1e-6)


def test_the_table_is_part_of_the_fingerprint(tmp_path: Path) -> None:
    text = '[lut]\nfile = "a.cube"\n'
    first = load_grade(written(tmp_path, text, a_cube=SWAP)).fingerprint()
    assert load_grade(written(tmp_path, text, a_cube=SWAP)).fingerprint() == first
    assert load_grade(written(tmp_path, text, a_cube=INVERT)).fingerprint() != first


@pytest.mark.parametrize("form", ["cc", "ccc", "cdl"])
def test_a_written_cdl_reads_back(tmp_path: Path, form: str) -> None:
    path = tmp_path / f"look.{form}"
    path.write_text(cdl_text(CDL, "Reed Marsh", CDL_FORMS[form]))
    assert "ACEScct" in path.read_text()
    assert read_cdl(path) == CDL
    assert read_cdl(path, "Reed Marsh") == CDL
    grade = load_grade(written(tmp_path, f'cdl_file = "look.{form}"\ncdl_id = "Reed Marsh"\n'))
    assert grade.cdl == CDL


def test_the_correction_wanted_is_named(tmp_path: Path) -> None:
    one, two = (cdl_text(CDL, name, CDL_FORMS["ccc"]) for name in ("dawn", "dusk"))
    inner = re.search(r"<ColorCorrection .*</ColorCorrection>\n", two, re.DOTALL)
    assert inner is not None
    path = tmp_path / "looks.ccc"
    path.write_text(one.replace("</ColorCorrectionCollection>", inner[0] + "</ColorCorrectionCollection>"))
    assert read_cdl(path, "dusk") == CDL
    with pytest.raises(UsageError, match=r"looks\.ccc: name one of its corrections with cdl_id.*dawn, dusk"):
        read_cdl(path)
    with pytest.raises(UsageError, match=r"no correction 'dask'; did you mean 'dusk'"):
        read_cdl(path, "dask")


@pytest.mark.parametrize(
    ("text", "content", "message"),
    [
        ('cdl_file = "look.cc"\n', "<a/>", r"look\.cc is refused"),
        ('cdl_file = "look.cc"\n', "<a>", r"look\.cc is refused: it is not well-formed XML"),
        ('cdl_file = "look.cc"\n', '<!DOCTYPE a SYSTEM "b"><a/>', r"look\.cc is refused: .*document type"),
        (
            'cdl_file = "look.cc"\n',
            cdl_text(CDL, "a", CDL_FORMS["cc"]).replace("SatNode", "SatNood"),
            r"look\.cc is refused: .*'SatNood'",
        ),
        (
            'cdl_file = "look.cc"\n',
            cdl_text(CDL, "a", CDL_FORMS["cc"]).replace("1.25", "9.5"),
            r"look\.cc: saturation: .* less than or equal to 4",
        ),
        ('cdl_file = "none.cc"\n', "", r"cannot read the CDL file none\.cc"),
        ('cdl_file = "look.cc"\n[cdl]\nsaturation = 1\n', "", r"gives a CDL twice"),
        ('[lut]\nfile = "look.cc"\n', "", r"look\.cc of the grade mine\.toml is refused: a table is one of"),
        ('[lut]\nfile = "look.cube"\ninput = "display"\n', "", r"set output = 'display'"),
        ('[lut]\nfile = "look.cube"\nstrenght = 1\n', "", r"unknown 'lut\.strenght'.*'lut\.strength'"),
        ('[lut]\ntext = "x"\n', "", r"unknown 'lut\.text'"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_sentence(
    tmp_path: Path, text: str, content: str, message: str
) -> None:
    name = written(tmp_path, text, look_cc=content, look_cube=SWAP)
    with pytest.raises(UsageError, match=message) as told:
        load_grade(name)
    assert "\n" not in str(told.value)
    assert str(tmp_path) not in str(told.value)


def test_grade_points_change_evenly_and_hold_at_the_ends() -> None:
    settings = EncodeSettings(grade="plain", grade_points=((10, "plain"), (20, "storm-light")))
    name, grading = load_grading(settings)
    assert name == "plain+storm-light"
    plain, storm = load_grade("plain"), load_grade("storm-light")
    assert grading.at(0) == grading.at(10) == plain
    assert grading.at(12.5) == Blend(plain, storm, 0.25)
    assert grading.at(20) == grading.at(35) == storm
    ends = [apply_grade(grade, COLOURS) for grade in (plain, storm)]
    assert_allclose(apply_grade(grading.at(15), COLOURS), (ends[0] + ends[1]) / 2.0, atol=1e-6)
    assert grading.fingerprint() != Grading(((0, plain),)).fingerprint()


def test_points_out_of_order_are_refused() -> None:
    with pytest.raises(UsageError, match=r"must ascend from 0, and are \[20, 10\]"):
        load_grading(EncodeSettings(grade_points=((20, "plain"), (10, "plain"))))
