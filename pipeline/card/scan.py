"""Finding the sequences of photographs on a card dump, whatever its folders are called."""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from pipeline.card.assembly import assemble
from pipeline.card.draft import CardPhoto
from pipeline.errors import PhotoError, UsageError
from pipeline.photo.metadata import PHOTO_SUFFIXES, read_facts
from pipeline.photo.structure import structure_trouble
from pipeline.photo.tags import Tags, read_tags
from pipeline.sequence import Frame, LeftAside, Sequence
from pipeline.settings import LoadSettings, nearest

SHORTEST_SEQUENCE = 10  # photos; fewer are single photos, which --sequence accepts from 3 on

_SYSTEM_NAMES = frozenset({"$recycle.bin", "system volume information", "__macosx", "@eadir", "lost+found"})
_SAME_SHOT_S = 2.0  # RAW and JPEG of one shot may be stamped when each was written
_TOGETHER = 32  # photos; reading the tags of a few before judging any saves a fifth of the time
_SAME_FOLDER_S = 60.0  # one number in one folder is one shot (DCF), unless the clocks say otherwise

Beside = dict[str, tuple[str, str]]  # a file left aside: the file kept instead, and why


@dataclass
class CardContents:
    """What a card holds: sequences, single photos, and files that belong to neither.

    Single photos are runs of fewer than ten, and panoramas.

    `left_aside` lists all of the latter, also those that a sequence lists as its own twins and
    duplicates.
    """

    sequences: list[Sequence] = field(default_factory=list)
    singles: list[Sequence] = field(default_factory=list)
    left_aside: list[LeftAside] = field(default_factory=list)


def scan_card(
    card: Path, settings: LoadSettings, advance: Callable[[int], None] = lambda count: None
) -> CardContents:
    """Find the sequences on a card dump: any nesting, any names.

    `advance` is called with how many photos were read since it was last called. Nothing is written to
    the card. Raises UsageError where the folder is absent, unreadable or without photographs, or where
    `settings.leave_out` names a photo that is not there.
    """
    paths, left_aside = _list_photos(card)
    if not paths:
        raise UsageError(f"no photographs in {card}; name the folder that holds the RAW or JPEG files")
    photos = []
    for start in range(0, len(paths), _TOGETHER):
        photos += _read_photos(card, paths[start : start + _TOGETHER])
        advance(len(paths[start : start + _TOGETHER]))
    photos, duplicates = _drop_duplicates(card, photos)
    photos, twins = _drop_twins(photos)
    photos, versions = _drop_versions(photos)
    found, unplaced = assemble(photos)
    beside = duplicates | twins | versions
    found = _leave_out(found, settings.leave_out)
    left_aside += unplaced
    found = _with_left_aside(found, beside, [item for item in left_aside if item.trouble])
    left_aside += [LeftAside(file=file, why=why) for file, (_, why) in beside.items()]
    contents = CardContents(left_aside=sorted(left_aside, key=lambda item: item.file))
    for sequence in found:
        (contents.sequences if _is_flight(sequence) else contents.singles).append(sequence)
    return contents


def _is_flight(sequence: Sequence) -> bool:
    files = sum(frame.file is not None for frame in sequence.frames)
    return files >= SHORTEST_SEQUENCE and not sequence.panorama


def _list_photos(card: Path) -> tuple[list[str], list[LeftAside]]:
    """Relative paths of the photographs on the card in a fixed order, and of what lies beside them."""
    try:
        with os.scandir(card) as entries:
            next(entries, None)
    except FileNotFoundError as error:
        raise UsageError(f"there is no folder {card}; check its path") from error
    except NotADirectoryError as error:
        raise UsageError(f"{card} is a file; name the folder that holds the photographs") from error
    except OSError as error:
        raise UsageError(f"the folder {card} cannot be read ({error.strerror}); check its rights") from error
    photos: list[str] = []
    aside: list[LeftAside] = []
    for file, trouble in _walk(card, "", set()):
        if trouble is not None:
            aside.append(LeftAside(file=file or ".", why=trouble, trouble=True))
        elif _suffix(file) in PHOTO_SUFFIXES:
            photos.append(file)
        else:
            aside.append(LeftAside(file=file, why="not a photograph"))
    return photos, aside


def _suffix(file: str) -> str:
    _, dot, suffix = file.rpartition(".")
    return (dot + suffix).lower()


def _walk(folder: Path, within: str, visited: set[tuple[int, int]]) -> Iterator[tuple[str, str | None]]:
    """Yield the files below `folder` by their paths on the card, each folder once even where links loop.

    `within` is the path of the folder on the card, with a slash after it unless it is the card itself.
    """
    try:
        status = folder.stat()
        if (status.st_dev, status.st_ino) in visited:
            return
        visited.add((status.st_dev, status.st_ino))
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=lambda entry: (entry.is_symlink(), entry.name))
    except OSError as error:
        yield within.rstrip("/"), f"the folder cannot be read: {error.strerror}"
        return
    for entry in entries:
        if entry.name.startswith(".") or entry.name.lower() in _SYSTEM_NAMES:
            continue
        try:
            if entry.is_symlink():
                entry.stat()  # raises where the link leads to nothing or to itself
            is_folder, is_file = entry.is_dir(), entry.is_file()
        except OSError as error:  # a link to itself, or to nothing
            yield within + entry.name, f"the link cannot be read: {error.strerror}"
            continue
        if is_folder:
            yield from _walk(folder / entry.name, f"{within}{entry.name}/", visited)
        elif is_file:
            yield within + entry.name, None


def _read_photos(card: Path, files: list[str]) -> list[CardPhoto]:
    """Read a few photos, one after the other: Exiv2 reads no two files at once, and threads only cost."""
    paths = [card / file for file in files]
    tags = [read_tags(path) for path in paths]
    troubles = [structure_trouble(path, told) for path, told in zip(paths, tags, strict=True)]
    return [_photo(*told) for told in zip(files, paths, tags, troubles, strict=True)]


def _photo(file: str, path: Path, tags: Tags, trouble: str | None) -> CardPhoto:
    facts = None
    try:
        status = path.stat()
        facts = read_facts(path, tags)
    except PhotoError as error:
        trouble = trouble or str(error)
    except OSError as error:
        return CardPhoto(file, 0, 0, None, f"the file cannot be read: {error.strerror}")
    return CardPhoto(file, status.st_size, status.st_mtime_ns, facts, trouble)


def _drop_duplicates(card: Path, photos: list[CardPhoto]) -> tuple[list[CardPhoto], Beside]:
    """Keep one of each set of files with equal bytes, and the whole one of a whole and a torn copy.

    Only files whose length, camera and time agree are read for that.
    """
    beside: Beside = {}
    for candidates in _alike(photos, lambda photo: (photo.size_bytes, photo.camera, photo.shot)):
        if candidates[0].size_bytes == 0:
            continue  # empty files agree in nothing else
        kept: dict[bytes, CardPhoto] = {}
        for photo in sorted(candidates, key=lambda item: (len(item.stem), item.file)):
            first = kept.setdefault(_digest(card / photo.file), photo)
            if first is not photo:
                beside[photo.file] = first.file, f"the same file as {first.file}"
    torn = {_version(photo): photo for photo in photos if not photo.whole}
    whole = {_version(photo): photo for photo in photos if photo.whole} if torn else {}
    for photo in photos:
        if photo.whole or photo.file in beside or (better := whole.get(_version(photo))) is None:
            continue
        beside[photo.file] = better.file, f"a torn copy of {better.file}"
    return [photo for photo in photos if photo.file not in beside], beside


def _alike(photos: list[CardPhoto], mark: Callable[[CardPhoto], object]) -> list[list[CardPhoto]]:
    """Return the photos that share a mark with another, grouped by it."""
    first: dict[object, CardPhoto] = {}
    groups: dict[object, list[CardPhoto]] = {}
    for photo in photos:
        shared = mark(photo)
        other = first.setdefault(shared, photo)
        if other is not photo:
            groups.setdefault(shared, [other]).append(photo)
    return list(groups.values())


def _version(photo: CardPhoto) -> tuple[object, ...]:
    return photo.stem.lower(), photo.kind, photo.camera, photo.shot


def _digest(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "blake2b").digest()
    except OSError:
        return os.fsencode(path)  # unreadable now: like no other file


def _drop_twins(photos: list[CardPhoto]) -> tuple[list[CardPhoto], Beside]:
    """Where a shot was written as RAW and as JPEG, in one folder or two, keep the RAW."""
    if len({photo.kind for photo in photos}) == 1:
        return photos, {}
    raws: dict[str, list[CardPhoto]] = defaultdict(list)
    for photo in photos:
        if photo.kind == "raw":
            raws[photo.stem.lower()].append(photo)
    kept: list[CardPhoto] = []
    beside: Beside = {}
    for photo in photos:
        twins = [raw for raw in raws[photo.stem.lower()] if _same_shot(raw, photo)]
        if photo.kind == "raw" or not twins:
            kept.append(photo)
        else:
            beside[photo.file] = twins[0].file, f"the JPEG or TIFF twin of {twins[0].file}"
    timed = {raw: photo for photo in photos if photo.file in beside for raw in (beside[photo.file][0],)}
    # a RAW too torn to tell its time has the time of its twin
    return [_timed_by(photo, timed.get(photo.file)) for photo in kept], beside


def _drop_versions(photos: list[CardPhoto]) -> tuple[list[CardPhoto], Beside]:
    """Of files of one shot whose names differ only in capitals, keep the first.

    They cannot lie beside each other on the card itself, only on a disk that tells capitals apart.
    """
    beside: Beside = {}
    for first, *others in _alike(photos, lambda photo: (photo.file.lower(), photo.camera, photo.shot)):
        for photo in others:
            beside[photo.file] = first.file, f"another version of {first.file}: the names differ in capitals"
    return [photo for photo in photos if photo.file not in beside], beside


def _same_shot(raw: CardPhoto, other: CardPhoto) -> bool:
    if raw.clock_s is None or other.clock_s is None:
        return raw.folder == other.folder
    apart = abs(raw.clock_s - other.clock_s)
    if raw.folder == other.folder:
        return apart <= _SAME_FOLDER_S
    return raw.camera == other.camera and apart <= _SAME_SHOT_S


def _timed_by(photo: CardPhoto, twin: CardPhoto | None) -> CardPhoto:
    if photo.facts is not None or twin is None or twin.facts is None:
        return photo
    return replace(photo, facts=twin.facts.model_copy(update={"kind": "raw"}))


def _with_left_aside(sequences: list[Sequence], beside: Beside, troubles: list[LeftAside]) -> list[Sequence]:
    """Give each sequence its own twins and duplicates, and the unusable files that lie among its photos.

    Those that lie among no photos go to the first flight, so that they are named in a report.
    """
    own: list[list[LeftAside]] = [[] for _ in sequences]
    homes: dict[str, int] = {}
    kept_in: dict[str, int] = {}
    flights = [place for place, sequence in enumerate(sequences) if _is_flight(sequence)]
    for place in reversed(flights or range(len(sequences))):  # the first of a folder is its home
        homes |= {_folder(frame.file): place for frame in sequences[place].frames if frame.file is not None}
    for place, sequence in enumerate(sequences):
        kept_in |= {frame.file: place for frame in sequence.frames if frame.file is not None}
    for file, (kept, why) in beside.items():
        if kept in kept_in:
            own[kept_in[kept]].append(LeftAside(file=file, why=why))
    for item in troubles:
        if sequences:
            own[homes.get(_folder(item.file), (flights or [0])[0])].append(item)
    return [
        sequence.model_copy(update={"left_aside": tuple(aside)})
        for sequence, aside in zip(sequences, own, strict=True)
    ]


def _folder(file: str) -> str:
    return file.rpartition("/")[0]


def _leave_out(sequences: list[Sequence], names: tuple[str, ...]) -> list[Sequence]:
    """Mark the photos that settings name by file name or by path on the card."""
    if not names:
        return sequences
    known: dict[str, set[str]] = defaultdict(set)
    for sequence in sequences:
        for frame in sequence.frames:
            if frame.file is not None:
                known[frame.file].add(frame.file)
                known[PurePosixPath(frame.file).name].add(frame.file)
    dropped: set[str] = set()
    for name in names:
        if name.replace("\\", "/") not in known:
            raise UsageError(f"load.leave_out names '{name}', which is not on the card{nearest(name, known)}")
        dropped |= known[name.replace("\\", "/")]
    return [
        sequence.model_copy(update={"frames": tuple(_marked(frame, dropped) for frame in sequence.frames)})
        for sequence in sequences
    ]


def _marked(frame: Frame, dropped: set[str]) -> Frame:
    if frame.file not in dropped:
        return frame
    return frame.model_copy(update={"state": "left-out", "why": "named in load.leave_out"})
