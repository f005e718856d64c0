"""Look-up tables of a grade, read by OpenColorIO from the text of their file.

The text travels with the grade, so a render needs no file but the photos, on any machine. Nothing
outside the text is read: a table that names another file, and XML that declares a document type (which
may name or define entities), are refused.
"""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import PurePath
from typing import Any, Literal
from xml.parsers import expat

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

LUT_SUFFIXES = (".cube", ".clf", ".spi1d", ".spi3d")
XML_SUFFIXES = (".clf", ".cc", ".ccc", ".cdl")

SceneSpace = Literal["acescct", "acescg", "aces2065-1"]
LutSpace = Literal["acescct", "acescg", "aces2065-1", "display"]

# A title names the table and changes nothing; OpenColorIO refuses it where a shaper comes with the cube.
_TITLE = re.compile(r"^[ \t]*TITLE\b.*$", re.MULTILINE)
_PROBE = 5

_listening = threading.Lock()


class Lut(BaseModel):
    """A look-up table of a grade, and the colour spaces it was made for.

    `acescct`, `acescg` and `aces2065-1` are the ACES spaces of those names (light of the scene, 18 %
    grey at 0.18); `display` is BT.709 code as the video shows it, after the shoulder.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    file: str = Field(description="the table's file: .cube, .clf, .spi1d or .spi3d")
    text: str = Field(description="what the file holds")
    input: LutSpace = Field("acescct", description="space of the colours the table takes")
    output: LutSpace = Field("acescct", description="space of the colours the table gives")
    strength: float = Field(1.0, ge=0.0, le=1.0, description="share of the table, mixed in its output space")


class UnusableTable(ValueError):
    """A file cannot be used; the message is the reason, as one sentence without a full stop."""


def check_lut(lut: Lut) -> None:
    """Raise UnusableTable where OpenColorIO cannot read the table, reads it with a warning, or it is unsound.

    A warning says that something in the file was passed over, so the picture would not be what its
    author meant.
    """
    if PurePath(lut.file).suffix.lower() not in LUT_SUFFIXES:
        raise UnusableTable(f"a table is one of {', '.join(LUT_SUFFIXES)}")
    if lut.input == "display" and lut.output != "display":
        raise UnusableTable("a table that takes display codes gives display codes: set output = 'display'")
    check_xml(lut.file, lut.text)
    with heard_warnings() as heard:
        try:
            processor = lossless([lut_transform(lut)], lut)
        except Exception as error:  # OpenColorIO's own exceptions have no common class
            raise UnusableTable(_reason(str(error), lut)) from error
    if heard:
        raise UnusableTable(_reason(heard[0], lut))
    steps = np.linspace(0.0, 1.0, _PROBE, dtype=np.float32)
    probe = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3).copy()
    processor.applyRGB(probe)
    if not np.isfinite(probe).all():
        raise UnusableTable("it gives values that are no numbers")


def check_xml(file: str, text: str) -> None:
    """Raise UnusableTable where an XML file is not well formed or declares a document type."""
    if PurePath(file).suffix.lower() not in XML_SUFFIXES:
        return

    def refuse(*_: Any) -> None:
        raise UnusableTable("it declares a document type, which colour files need not and may misuse")

    parser = expat.ParserCreate("utf-8")  # the text has been decoded, whatever it declares
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(text.encode(), True)
    except expat.ExpatError as error:
        raise UnusableTable(f"it is not well-formed XML ({error})") from error


def lut_transform(lut: Lut) -> Any:
    """Return the PyOpenColorIO.FileTransform of a table; its processor comes from `lossless`."""
    import PyOpenColorIO as ocio

    return ocio.FileTransform(src=_name(lut), interpolation=ocio.INTERP_BEST)


def lossless(transforms: list[Any], lut: Lut | None = None) -> Any:
    """Return an OpenColorIO CPU processor for float32 of the transforms, one after the other.

    OPTIMIZATION_LOSSLESS: the default approximates logarithms and powers (0.0003 in display code for
    one colour in ten thousand, up to 0.002).
    """
    import PyOpenColorIO as ocio

    config = ocio.Config.CreateRaw() if lut is None else _config_of(lut)[0]
    processor = config.getProcessor(ocio.GroupTransform(transforms))
    depth = ocio.BIT_DEPTH_F32
    return processor.getOptimizedCPUProcessor(depth, depth, ocio.OPTIMIZATION_LOSSLESS)


def _name(lut: Lut) -> str:
    # OpenColorIO keeps tables by name: the checksum keeps those of one name apart.
    return f"{hashlib.sha256(lut.text.encode()).hexdigest()}-{PurePath(lut.file).name}"


@lru_cache(maxsize=16)
def _config_of(lut: Lut) -> tuple[Any, Any]:
    """Return an OpenColorIO config whose only file is the text of `lut`, and what it refers to."""
    import PyOpenColorIO as ocio

    name, raw = _name(lut), ocio.Config.CreateRaw().serialize()
    text = _TITLE.sub("", lut.text) if name.lower().endswith(".cube") else lut.text

    class Held(ocio.PyConfigIOProxy):  # type: ignore[misc]
        """Hands OpenColorIO the text in place of a file."""

        def getLutData(self, path: str) -> list[int]:
            if not path.endswith(name):
                raise UnusableTable(f"it names another file, {PurePath(path).name}, which is not read")
            return list(text.encode())

        def getConfigData(self) -> str:
            return str(raw)

        def getFastLutFileHash(self, path: str) -> str:
            return path

    held = Held()
    # The config refers to `held` without owning it.
    return ocio.Config.CreateFromConfigIOProxy(held), held


@contextmanager
def heard_warnings() -> Iterator[list[str]]:
    """Collect what OpenColorIO warns of meanwhile, which it else prints; one caller at a time."""
    import PyOpenColorIO as ocio

    heard: list[str] = []
    with _listening:
        level = ocio.GetLoggingLevel()
        ocio.SetLoggingLevel(ocio.LOGGING_LEVEL_WARNING)
        ocio.SetLoggingFunction(heard.append)
        try:
            yield heard
        finally:
            # A Python function left with the library would keep the interpreter from ending.
            ocio.ResetToDefaultLoggingFunction()
            ocio.SetLoggingLevel(level)


def _reason(message: str, lut: Lut) -> str:
    """Return the library's own reason as one line, without its preamble and our name for the file."""
    text = " ".join(message.replace(f"{_name(lut)}", PurePath(lut.file).name).split())
    for preamble in ("[OpenColorIO Warning]: ", "failed with: "):
        text = text.partition(preamble)[2] or text
    return text.rstrip(". ")
