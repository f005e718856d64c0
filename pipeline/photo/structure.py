"""Whether the file of a photograph can hold a whole picture, judged without decoding it."""

from __future__ import annotations

import os
import re
from io import FileIO
from pathlib import Path

from pipeline.photo.metadata import JPEG_SUFFIXES, TIFF_SUFFIXES
from pipeline.photo.tags import Tags, read_tags

_START_OF_SCAN = re.compile(rb"\xff\xda\x00[\x08\x0a\x0c\x0e]")  # marker and length, 1 to 4 components
_MOST_PIXELS_A_BYTE = 200
_JPEG_START, _END_OF_IMAGE = b"\xff\xd8", b"\xff\xd9"


def structure_trouble(path: Path, tags: Tags | None = None) -> str | None:
    """Say in a few words why the file cannot hold a whole picture, or return None.

    `tags` are those of the file where they were read already. Cheap: looks at the length, at the end of
    a JPEG, and at where the strips and tiles of every image directory of a TIFF-like file (TIFF, DNG and
    most RAWs) lie, never at the picture itself.
    """
    tags = tags or read_tags(path)
    try:
        with path.open("rb", buffering=0) as file:
            head = file.read(4)
            size = file.seek(0, os.SEEK_END)
            tail = _last(file, size, 4096)
            if head[:2] == _JPEG_START and _END_OF_IMAGE not in tail:
                tail = _last(file, size, 65536)  # cameras append data after the end
    except OSError as error:
        return f"the file cannot be read: {error.strerror}"
    if size == 0:
        return "the file is empty"
    if not any(tail):
        return "the end of the file holds only zeros"
    if head[:2] == _JPEG_START:
        # Some cameras append data after the end-of-image marker, so it need not come last; but it must
        # follow the last start of a scan, or it may be that of the thumbnail.
        scans = [match.start() for match in _START_OF_SCAN.finditer(tail)]
        ended = tail.rfind(_END_OF_IMAGE) > max(scans, default=-1)
        if not ended:
            return "the file ends before the JPEG's end-of-image marker"
        return _absurd(tags.width, tags.height, size)
    if path.suffix.lower() in JPEG_SUFFIXES:
        return "the file does not begin as a JPEG does"
    if head[:2] in (b"II", b"MM"):
        return _tiff_trouble(path, size, tags)
    return None


def _last(file: FileIO, size: int, count: int) -> bytes:
    file.seek(max(0, size - count))
    return file.read()


def _tiff_trouble(path: Path, size: int, tags: Tags) -> str | None:
    if tags.failure:
        return tags.failure
    parts = [key for key in tags.exif if key.endswith((".StripOffsets", ".TileOffsets"))]
    if not parts and path.suffix.lower() in TIFF_SUFFIXES | {".dng"}:
        return "the file ends before the directory of its picture"
    for key in parts:
        counts = tags.numbers(key.replace("Offsets", "ByteCounts"))
        end = max((a + n for a, n in zip(tags.numbers(key), counts, strict=False)), default=0.0)
        if end > size:
            return f"the file is {int(end) - size} bytes shorter than its picture needs"
    sizes = [
        (tags.number(key, low=1, high=1e9), tags.number(key.replace("Width", "Length"), low=1, high=1e9))
        for key in tags.exif
        if key.endswith(".ImageWidth")
    ]
    troubles = (_absurd(int(width or 0), int(height or 0), size) for width, height in sizes)
    return next((trouble for trouble in troubles if trouble), None)


def _absurd(width: int, height: int, size: int) -> str | None:
    """Refuse a picture far larger than its file can hold, before any memory is asked for it.

    Even a black picture takes a bit or so for each 8×8 block or line of pixels in JPEG and lossless
    JPEG; 200 pixels in a byte are beyond all of them.
    """
    if width * height > _MOST_PIXELS_A_BYTE * size:
        return f"it claims {width}×{height} px, more than its {size} bytes can hold"
    return None
