"""Writing single frames: 16-bit TIFF files in a folder that takes its name when all are whole."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from pipeline.errors import EvenflightError
from pipeline.render.compose import Samples
from pipeline.render.delivery import FrameFormat
from pipeline.render.writer import FULL_RANGE, Stamp, VideoFacts, asked_facts

RGB_MATRIX = 0
"""Samples are R'G'B' themselves (ITU-T H.273, matrix coefficients 0)."""


class FrameWriter:
    """Writes the frames of one delivery as TIFF 6.0 files. Use as a context manager.

    Frames go to a hidden folder beside `path`, each is read back, and the folder is then renamed. A
    folder of that name is replaced whole. On any error, or an interruption, the hidden folder is removed.
    """

    def __init__(self, path: Path, format: FrameFormat, stamp: Stamp) -> None:
        self.path = path
        self.facts: VideoFacts | None = None
        self._format = format
        self._stamp = stamp
        self._part = path.with_name(f".{path.name}.part")
        self._frames = 0

    def __enter__(self) -> Self:
        shutil.rmtree(self._part, ignore_errors=True)
        try:
            self._part.mkdir()
        except OSError as error:
            raise self._failure(error) from error
        return self

    def write(self, samples: Samples) -> None:
        """Write one frame. Raises EvenflightError where it cannot be written or reads back otherwise."""
        import tifffile

        picture = samples.reshape(self._format.height, self._format.width, 3)
        file = self._part / f"{self.path.name}_{self._frames:05d}.tif"
        rate = float(self._stamp.fps)
        told = (
            "R'G'B' of ITU-R BT.709 primaries for a BT.1886 display, full range; "
            f"frame {self._frames} of time code {self._stamp.timecode} at {rate:.5g} frames a second"
        )
        try:
            tifffile.imwrite(
                file, picture, photometric="rgb", compression="zlib", predictor=True, description=told,
                metadata=None, software="evenflight", datetime=_tiff_time(self._stamp.created_at),
            )  # fmt: skip
            same = np.array_equal(tifffile.imread(file), picture)
        except OSError as error:
            raise self._failure(error) from error
        if not same:
            raise EvenflightError(f"{file.name} reads back with other samples: check the disk")
        self._frames += 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._finish()
        finally:
            shutil.rmtree(self._part, ignore_errors=True)

    def _finish(self) -> None:
        if not self._frames:
            raise EvenflightError(f"{self.path.name} holds no frame: encode it again")
        old = self.path.with_name(f".{self.path.name}.old")
        shutil.rmtree(old, ignore_errors=True)
        try:
            if self.path.exists():
                self.path.replace(old)
            self._part.replace(self.path)
        except OSError as error:
            raise self._failure(error) from error
        shutil.rmtree(old, ignore_errors=True)
        self.facts = asked_facts(self._format, self._stamp, self._frames, RGB_MATRIX, FULL_RANGE)

    def _failure(self, error: OSError) -> EvenflightError:
        return EvenflightError(
            f"the frames {self.path.name} could not be written ({error.strerror}): check the space "
            "on the disk"
        )


def _tiff_time(iso: str | None) -> str | None:
    """Return a time as TIFF 6.0 has it (section 8, DateTime): YYYY:MM:DD HH:MM:SS, of the camera's clock."""
    return None if iso is None else f"{iso[:10].replace('-', ':')} {iso[11:19]}"
