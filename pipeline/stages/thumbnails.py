"""What the photos' thumbnails show one after the other: the flight as it was before any correction."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Executor, Future
from pathlib import Path

import numpy as np

from pipeline.cluster import near
from pipeline.errors import EvenflightError
from pipeline.fingerprint import fingerprint
from pipeline.measure.clip import Seen, view_pictures
from pipeline.measure.flash import FlashFigures
from pipeline.measure.store import SPOILED
from pipeline.measure.video import ClipTrace

VIEW_VERSION = 4  # raise it when the thumbnails of a flight are looked at differently


class Thumbnails:
    """The thumbnails of a flight (`folder`/<frame>.jpg, five digits), as a clip.

    A worker begins at once to look at them, beside whatever else is done. What it saw is kept beside them in
    `seen.npz`, for another grade or delivery changes nothing of it.
    """

    def __init__(self, folder: Path, shown: Iterable[int], fps: float, executor: Executor) -> None:
        """`shown` are the frames whose photos stand one after the other, at `fps`."""
        self.pictures = [folder / f"{frame:05d}.jpg" for frame in shown]
        self._store = folder.parent / "seen.npz"
        self._seen: Future[Seen | None] | None = None
        if all(picture.is_file() for picture in self.pictures):
            self._seen = near(executor).submit(_seen, self.pictures, fps, self._store)

    def seen(self) -> Seen | None:
        """Return what they show, once that is known; None where not all are there and can be read."""
        return None if self._seen is None else self._seen.result()


def _seen(pictures: list[Path], fps: float, store: Path) -> Seen | None:
    facts = [(one.name, one.stat().st_size, one.stat().st_mtime_ns) for one in pictures]
    mark = fingerprint(facts, fps, VIEW_VERSION)
    seen = _kept(store, mark)
    if seen is None:
        try:
            seen = view_pictures(pictures, fps)
        except EvenflightError:
            return None
        _keep(store, seen, mark)
    return seen


def _keep(store: Path, seen: Seen, mark: str) -> None:
    part = store.with_name(f".{store.name}.part")
    trace, path = seen.trace, seen.trace.path
    with part.open("wb") as file:
        np.savez_compressed(
            file,
            mark=mark,
            size=[trace.frames, trace.width_px],
            steps_ev=trace.steps_ev,
            path=np.zeros(0) if path is None else path,
            general=seen.flashes.general,
            red=seen.flashes.red,
        )
    part.replace(store)


def _kept(store: Path, mark: str) -> Seen | None:
    """Return what is kept in `store` where it has the mark."""
    try:
        with store.open("rb") as file, np.load(file) as stored:
            if str(stored["mark"]) != mark:
                return None
            frames, width_px = (int(one) for one in stored["size"])
            path = stored["path"] if stored["path"].size else None
            trace = ClipTrace(frames, width_px, stored["steps_ev"], path)
            return Seen(trace, FlashFigures(stored["general"], stored["red"]))
        return None
    except (*SPOILED, OSError, ValueError, KeyError, EOFError):
        return None
