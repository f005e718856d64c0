"""Opening any photograph."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import PhotoError
from pipeline.photo.jpeg import LinearPhoto, open_jpeg, open_tiff
from pipeline.photo.raw import RawPhoto, open_raw

Photo = RawPhoto | LinearPhoto

_JPEG_START = b"\xff\xd8\xff"


def open_photo(path: Path) -> Photo:
    """Open the photograph at `path` by what it is: a JPEG by its first bytes, a TIFF by its name, else RAW.

    Raises PhotoError, one sentence that names the file, where it is empty, torn, unreadable or refused.
    """
    try:
        with path.open("rb") as file:
            start = file.read(len(_JPEG_START))
    except OSError as error:
        raise PhotoError(f"{path.name} cannot be read ({error.strerror}): copy it again") from error
    if not start:
        raise PhotoError(f"{path.name} is empty: copy it again or leave it out")
    if start == _JPEG_START:
        return open_jpeg(path)
    if path.suffix.lower() in (".tif", ".tiff"):
        return open_tiff(path)
    return open_raw(path)
