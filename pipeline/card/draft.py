"""The files of a card as read, and a timeline in the making."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import PurePosixPath

from pipeline.card import timeline
from pipeline.photo.metadata import RAW_SUFFIXES
from pipeline.sequence import Kind, PhotoFacts


@dataclass(frozen=True)
class CardPhoto:
    """One file of the card: path relative to the card, what its metadata say, what is wrong with it."""

    file: str
    size_bytes: int
    modified_ns: int
    facts: PhotoFacts | None
    trouble: str | None

    @property
    def whole(self) -> bool:
        """Whether nothing is known to be wrong with the file."""
        return self.facts is not None and self.trouble is None

    @cached_property
    def stem(self) -> str:
        """The file name without its suffix."""
        return self.file.rpartition("/")[2].rpartition(".")[0]

    @cached_property
    def folder(self) -> str:
        """The folder on the card; empty for the card itself."""
        return self.file.rpartition("/")[0]

    @property
    def kind(self) -> Kind:
        """What sort of file it is; by its name where nothing else is known."""
        if self.facts is not None:
            return self.facts.kind
        return "raw" if PurePosixPath(self.file).suffix.lower() in RAW_SUFFIXES else "display-referred"

    @property
    def camera(self) -> str | None:
        """The camera, where known."""
        return None if self.facts is None else self.facts.camera

    @property
    def clock_s(self) -> float | None:
        """The capture time, where known."""
        return None if self.facts is None else self.facts.clock_s

    @property
    def shot(self) -> float | str:
        """What tells one shot of a camera from others: its time, else its name."""
        return self.stem.lower() if self.clock_s is None else self.clock_s

    @cached_property
    def numbered(self) -> tuple[str, int, int] | None:
        """Pattern, number and digits of the file name."""
        return timeline.file_number(self.stem)


@dataclass
class Slot:
    """A place in a timeline: a photo or a missing one."""

    clock_s: float
    photo: CardPhoto | None


@dataclass
class Draft:
    """A sequence in the making; `facts` are those of its first readable photo.

    `round_view` says that the camera looked around from one place, as for a panorama.
    """

    facts: PhotoFacts
    interval_s: float
    slots: list[Slot]
    warnings: list[str]
    zone_s: float | None = None
    timed: bool = True
    round_view: bool = False

    @property
    def photos(self) -> list[CardPhoto]:
        """The photos, whole or torn, in order."""
        return [slot.photo for slot in self.slots if slot.photo is not None]

    @property
    def first(self) -> CardPhoto:
        """The first photo, whole or torn."""
        return self.photos[0]

    @property
    def usable(self) -> bool:
        """Whether any photo is whole."""
        return any(slot.photo is not None and slot.photo.whole for slot in self.slots)
