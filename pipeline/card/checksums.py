"""SHA-256 sums of a card in the text form of GNU coreutils, to prove a copy whole before the card is wiped.

The form is that of `sha256sum`: the sum in hexadecimal, a space, a space or an asterisk, the name; a
backslash before the line says that in the name backslash, newline and carriage return are written as
\\\\, \\n and \\r (GNU coreutils manual, "md5sum invocation"). Names are relative to the card.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.parallel import ordered_map

_LINE = re.compile(r"(?P<escaped>\\?)(?P<sum>[0-9a-fA-F]{64}) [ *](?P<name>.+)", re.DOTALL)
_ESCAPES = {"\\": "\\\\", "\n": "\\n", "\r": "\\r"}
_UNESCAPES = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}


@dataclass
class Verdict:
    """What holding a folder against a list of sums showed, each list sorted by name."""

    same: list[str] = field(default_factory=list)
    different: list[str] = field(default_factory=list)
    absent: list[str] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Whether every listed file is there with its sum; further files do not matter."""
        return bool(self.same) and not self.different and not self.absent


def files_of(card: Path) -> list[str]:
    """Return the names of all files below `card`, hidden ones included, links to folders not followed."""
    if not card.is_dir():
        raise UsageError(f"there is no folder {card}; check its path")
    found = [Path(folder, name) for folder, _, names in os.walk(card) for name in names]
    return sorted(path.relative_to(card).as_posix() for path in found if path.is_file())


def sums_of(
    card: Path, names: list[str], executor: Executor, advance: Callable[[int], None]
) -> Iterator[tuple[str, str | None]]:
    """Yield each name with its sum, or with None where the file cannot be read."""
    for pair in ordered_map(executor, partial(_sum_of, card), names, window=8):
        advance(1)
        yield pair


def _sum_of(card: Path, name: str) -> tuple[str, str | None]:
    try:
        with (card / name).open("rb") as file:
            return name, hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return name, None


def line_of(name: str, digest: str) -> str:
    """Return the line for one file, without its newline."""
    plain = re.sub(r"[\\\n\r]", lambda match: _ESCAPES[match[0]], name)
    return f"{'' if plain == name else chr(92)}{digest}  {plain}"


def parse(text: str, where: str) -> dict[str, str]:
    """Return the sums of a list by name. Raises UsageError that names the list `where` and the line."""
    sums = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise UsageError(f"line {number} of {where} is no SHA-256 sum: make the list with --checksums")
        name = match["name"]
        if match["escaped"]:
            name = re.sub(r"\\[\\nr]", lambda escape: _UNESCAPES[escape[0]], name)
        sums[name.removeprefix("./")] = match["sum"].lower()  # as `find` writes names
    if not sums:
        raise UsageError(f"{where} lists no file: make it with --checksums")
    return sums


def write_sums(card: Path, target: Path, executor: Executor, advance: Callable[[int], None]) -> int:
    """Write the sums of all files of `card` to `target`; return how many.

    Raises UsageError where `target` lies on the card, which is only read, or cannot be written, or a
    file cannot be read.
    """
    if card.resolve() in target.resolve().parents:
        raise UsageError(f"{target} lies on the card {card}, which is only read; choose a place elsewhere")
    lines = []
    for name, digest in sums_of(card, files_of(card), executor, advance):
        if digest is None:
            raise UsageError(f"{name} cannot be read: copy the card again")
        lines.append(line_of(name, digest) + "\n")
    part = target.with_name(f".{target.name}.part")
    try:
        part.write_bytes("".join(lines).encode("utf-8", "surrogateescape"))
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise UsageError(f"{target} cannot be written ({error.strerror}): choose another place") from error
    return len(lines)


def verify(card: Path, listed: Path, executor: Executor, advance: Callable[[int], None]) -> Verdict:
    """Hold the files of `card` against the list of sums `listed`.

    Raises UsageError where the list cannot be read. Nothing is written or deleted.
    """
    try:
        text = listed.read_bytes().decode("utf-8", "surrogateescape")
    except OSError as error:
        raise UsageError(f"{listed} cannot be read ({error.strerror}): make it with --checksums") from error
    wanted = parse(text, listed.name)
    there = files_of(card)
    present = set(there)
    verdict = Verdict(
        absent=sorted(name for name in wanted if name not in present),
        unlisted=[name for name in there if name not in wanted],
    )
    names = [name for name in there if name in wanted]
    for name, digest in sums_of(card, names, executor, advance):
        (verdict.same if digest == wanted[name] else verdict.different).append(name)
    return verdict
