"""The output folder of one sequence: the names of its files, and reading and writing them whole."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.corrections import Corrections
from pipeline.errors import EvenflightError, UsageError
from pipeline.render.writer import size_bytes
from pipeline.report.schema import Report, read_report


@dataclass(frozen=True)
class Folder:
    """The names of files in the output folder of one sequence."""

    path: Path

    def report(self, stage: str) -> Path:
        """Return the path of a stage's report."""
        return self.path / f"{stage}.json"

    @property
    def corrections(self) -> Path:
        """The solved parameters."""
        return self.path / "corrections.json"

    @property
    def diagnosis(self) -> Path:
        """What is wrong with the flight."""
        return self.path / "diagnosis.json"

    @property
    def work(self) -> Path:
        """What may be deleted, costing only time."""
        return self.path / "work"

    @property
    def measurements(self) -> Path:
        """Measurements of frames and pairs."""
        return self.work / "measurements.npz"

    @property
    def thumbnails(self) -> Path:
        """8-bit pictures of the frames as the camera's own neutral shows them."""
        return self.work / "thumbs"

    @property
    def sequence(self) -> Path:
        """The sequence as it was found and measured."""
        return self.work / "sequence.json"


@contextmanager
def locked(folder: Folder) -> Iterator[None]:
    """Hold the folder for this process alone, and clear away what a killed one left half written.

    Raises EvenflightError where another process holds it. The system frees the lock of a process that
    ends, however it ends.
    """
    from filelock import FileLock, Timeout

    folder.work.mkdir(parents=True, exist_ok=True)
    try:
        with FileLock(folder.work / ".lock", timeout=0):
            _clear_away(folder)
            yield
    except Timeout:
        raise EvenflightError(
            f"another evenflight is at work in {folder.path}: wait until it has ended"
        ) from None


def _clear_away(folder: Folder) -> None:
    """Remove what a killed process left half written; what it had only set aside returns to its place."""
    for part in [*folder.path.glob(".*.part"), *folder.work.glob(".*.part")]:
        if part.is_dir():
            shutil.rmtree(part)
        else:
            part.unlink()
    for aside in folder.path.glob(".*.old"):
        place = aside.with_name(aside.name.removeprefix(".").removesuffix(".old"))
        if place.exists():
            shutil.rmtree(aside)
        else:
            aside.replace(place)


def read_corrections(path: Path) -> Corrections:
    """Read `corrections.json`; raise UsageError that names the folder where there is none."""
    try:
        return Corrections.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(
            f"{path.parent} holds no corrections: give the folder of a finished sequence"
        ) from None
    except (OSError, ValueError) as error:
        first = str(error).splitlines()[0]
        raise UsageError(f"{path} cannot be read ({first}): run the stage stabilise again") from error


def card_of(folder: Folder) -> Path:
    """Return the card that a finished sequence was made from; raise UsageError where it is gone."""
    corrections = read_corrections(folder.corrections)
    card = Path(os.path.normpath(folder.path / corrections.card))
    if not corrections.card or not card.is_dir():
        raise UsageError(f"the photos of {corrections.id} are not where they were: say where with --card")
    return card


def relative_card(card: Path, folder: Folder) -> str:
    """Return the card's path from `folder` with forward slashes, or "" across Windows drives."""
    try:
        return Path(os.path.relpath(card.resolve(), folder.path.resolve())).as_posix()
    except ValueError:
        return ""


def finished(folder: Folder, stage: str, mark: str) -> Report | None:
    """Return the report of `stage` where it is complete and was made from what `mark` names, else None."""
    path = folder.report(stage)
    if not path.is_file():
        return None
    report = read_report(path)
    return report if report.fingerprint == mark and report.status == "complete" else None


def listed_outputs(folder: Folder) -> list[dict[str, Any]]:
    """Return the videos that `encode.json` lists and that are there, whole."""
    path = folder.report("encode")
    outputs = read_report(path).applied.get("outputs", []) if path.is_file() else []
    assert isinstance(outputs, list)
    listed = [output for output in outputs if isinstance(output, dict)]
    return [dict(output) for output in listed if _is_whole(folder.path / str(output["file"]), output)]


def _is_whole(path: Path, output: dict[str, Any]) -> bool:
    return path.exists() and size_bytes(path) == output.get("bytes")
