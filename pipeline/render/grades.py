"""Reading grades: the TOML files of `configs/grades/` or of the user, with the files that they name."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pydantic import ValidationError

from pipeline.colour.cdl import Cdl, cdl_of
from pipeline.colour.grade import Grade, Grading
from pipeline.colour.lut import (
    XML_SUFFIXES,
    Lut,
    UnusableTable,
    check_lut,
    check_xml,
    heard_warnings,
)
from pipeline.errors import UsageError
from pipeline.settings import EncodeSettings, named_config, nearest, read_toml

# The schema of ASC CDL 1.01 knows both; OpenColorIO reads the newer ones.
_NEW_NAMES = {"ASC_SOP": "SOPNode", "ASC_SAT": "SatNode"}
_OLD_NAMES = re.compile(r"(</?)(ASC_SOP|ASC_SAT)\b")
# What users add beside a correction is theirs; what is not understood within one would change it.
_PASSED_OVER = re.compile(r"parent is '(ColorCorrection|SOPNode|SatNode|SATNode)'")

_CDL_SUFFIXES = tuple(suffix for suffix in XML_SUFFIXES if suffix != ".clf")


def load_grade(name: str) -> Grade:
    """Read the grade called `name` in configs/grades/, or in the TOML file at the path `name`.

    The files it names (`cdl_file` with `cdl_id`, `lut.file`) lie beside it or at their whole path. Raises
    UsageError, with the nearest known name, the bounds or the reason, where there is none or it is wrong.
    """
    path = named_config("grades", name, "grade")
    values = read_toml(path)
    label = f"the grade {path.name}"
    if "cdl_file" in values or "cdl_id" in values:
        if "cdl" in values:
            raise UsageError(f"{label} gives a CDL twice: keep 'cdl' or 'cdl_file'")
        file, id = values.pop("cdl_file", None), values.pop("cdl_id", None)
        if not isinstance(file, str) or not isinstance(id, str | None):
            raise UsageError(f"'cdl_file' and 'cdl_id' in {label} are a file's name and a correction's name")
        values["cdl"] = read_cdl(path.parent / file, id)
    lut = values.get("lut")
    if isinstance(lut, dict) and "text" in lut:
        raise UsageError(f"unknown 'lut.text' in {label}; did you mean 'lut.file'?")
    if isinstance(lut, dict) and isinstance(lut.get("file"), str):
        values["lut"] = {**lut, "text": _text(path.parent / lut["file"], "look-up table")}
    try:
        grade = Grade.model_validate(values)
    except ValidationError as error:
        raise UsageError(_explain(error, path)) from error
    if grade.lut is not None:
        try:
            check_lut(grade.lut)
        except UnusableTable as error:
            raise UsageError(f"the look-up table {grade.lut.file} of {label} is refused: {error}") from error
    return grade


def load_grading(settings: EncodeSettings) -> tuple[str, Grading]:
    """Return the short name of the settings' grades, joined by +, and the grades along the video.

    `encode.grade` stands at the first frame; raises UsageError as `load_grade` does, or where the points
    are not in ascending order.
    """
    points = [(0, settings.grade), *settings.grade_points]
    if settings.grade_points and settings.grade_points[0][0] == 0:
        points = list(settings.grade_points)
    frames = [frame for frame, _ in points]
    if any(later <= earlier for earlier, later in pairwise(frames)):
        raise UsageError(f"the frames of encode.grade_points must ascend from 0, and are {frames[1:]}")
    names = [Path(name).stem for _, name in points]
    shown = [name for place, name in enumerate(names) if place == 0 or name != names[place - 1]]
    return "+".join(shown), Grading(tuple((frame, load_grade(name)) for frame, name in points))


def read_cdl(path: Path, id: str | None = None) -> Cdl:
    """Read an ASC CDL from a .cc, .ccc or .cdl file: the correction called `id`, or the only one.

    Elements that the standard leaves to its users are passed over; the older names ASC_SOP and ASC_SAT
    count as SOPNode and SatNode. Raises UsageError, with the reason or the known names.
    """
    import PyOpenColorIO as ocio

    if path.suffix.lower() not in _CDL_SUFFIXES:
        raise UsageError(f"{path.name} is no CDL file: one of {', '.join(_CDL_SUFFIXES)}")
    text = _OLD_NAMES.sub(lambda tag: tag[1] + _NEW_NAMES[tag[2]], _text(path, "CDL file"))
    try:
        check_xml(path.name, text)
        with TemporaryDirectory() as folder, heard_warnings() as heard:
            copy = Path(folder) / path.name
            copy.write_text(text, encoding="utf-8")
            found = list(ocio.CDLTransform.CreateGroupFromFile(str(copy)))
    except Exception as error:  # OpenColorIO's own exceptions have no common class
        raise UsageError(f"the CDL file {path.name} is refused: {_one_line(str(error))}") from error
    for warning in heard:
        if _PASSED_OVER.search(warning):
            raise UsageError(f"the CDL file {path.name} is refused: {_one_line(warning)}")
    named = {transform.getID(): transform for transform in found}
    if id is None and len(found) == 1:
        return _valid_cdl(found[0], path)
    if id not in named or not id:
        wanted = "name one of its corrections with cdl_id" if id is None else f"no correction '{id}'"
        raise UsageError(f"the CDL file {path.name}: {wanted}{nearest(id or '', [n for n in named if n])}")
    return _valid_cdl(named[id], path)


def _valid_cdl(transform: Any, path: Path) -> Cdl:
    try:
        return cdl_of(transform)
    except ValidationError as error:
        first = error.errors()[0]
        place = first["loc"][0]
        raise UsageError(f"the CDL file {path.name}: {place}: {first['msg'].lower()}") from error


def _one_line(message: str) -> str:
    """Return a message of the library without its preamble and the place of our copy."""
    text = " ".join(message.split())
    text = re.sub(r"\S*[/\\](?=[^/\\\s]+\.(cc|ccc|cdl)\b)", "", text)
    return text.rpartition("failed with: ")[2].removeprefix("[OpenColorIO Warning]: ").rstrip(". ")


def _text(path: Path, what: str) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"the {what} {path.name} is no text: {error.reason}") from error
    except OSError as error:
        raise UsageError(f"cannot read the {what} {path.name}: {error.strerror}") from error


def _explain(error: ValidationError, path: Path) -> str:
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        known = [*Grade.model_fields, "cdl_file", "cdl_id"]
        known += [f"cdl.{key}" for key in Cdl.model_fields]
        known += [f"lut.{key}" for key in Lut.model_fields if key != "text"]
        return f"unknown '{place}' in the grade {path.name}{nearest(place, known)}"
    problem = first["msg"][0].lower() + first["msg"][1:]
    return f"bad value for '{place}' in the grade {path.name}: {problem}"
