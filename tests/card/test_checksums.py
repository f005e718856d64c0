"""Sums of a card: written, held against copies, and read by GNU coreutils itself."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.card.checksums import Verdict, line_of, parse, verify, write_sums
from pipeline.errors import UsageError
from tests.watching import digests

NAMES = ("HRN_0001.DNG", "sub/a b.jpg", "new\nline.jpg", "back\\slash.jpg", "\\nboth\n.jpg", ".hidden", "*")


def card(folder: Path) -> Path:
    for name in NAMES:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode() * 1000)
    return folder


def count(_: int) -> None:
    pass


def written(folder: Path, target: Path) -> int:
    with ThreadPoolExecutor(2) as executor:
        return write_sums(folder, target, executor, count)


def held(folder: Path, target: Path) -> Verdict:
    with ThreadPoolExecutor(2) as executor:
        return verify(folder, target, executor, count)


def test_a_copy_is_proven_whole_and_faults_are_named(tmp_path: Path) -> None:
    original = card(tmp_path / "card")
    before = digests(original)
    assert written(original, tmp_path / "card.sha256") == len(NAMES)
    copy = Path(shutil.copytree(original, tmp_path / "copy"))
    assert held(copy, tmp_path / "card.sha256").whole
    (copy / "HRN_0001.DNG").write_bytes(b"HRN_0001.DNG" * 999 + b"HRN_0001.DNf")
    (copy / "sub" / "a b.jpg").unlink()
    (copy / "more.txt").write_text("more")
    verdict = held(copy, tmp_path / "card.sha256")
    assert not verdict.whole
    assert verdict.different == ["HRN_0001.DNG"]
    assert verdict.absent == ["sub/a b.jpg"]
    assert verdict.unlisted == ["more.txt"]
    assert len(verdict.same) == len(NAMES) - 2
    assert digests(original) == before


def test_sums_are_those_of_a_published_example() -> None:
    """FIPS 180-2, appendix B.1: SHA-256 of "abc"; from memory of the standard."""
    told = "ba7816bf 8f01cfea 414140de 5dae2223 b00361a3 96177a9c b410ff61 f20015ad".replace(" ", "")
    assert hashlib.sha256(b"abc").hexdigest() == told
    assert line_of("abc.txt", told) == f"{told}  abc.txt"


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="GNU coreutils are not installed")
def test_coreutils_read_our_list_and_we_theirs(tmp_path: Path) -> None:
    original = card(tmp_path / "card")
    written(original, tmp_path / "ours")
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", str(tmp_path / "ours")],
        cwd=original,
        capture_output=True,
    )
    assert (checked.returncode, checked.stderr) == (0, b"")
    for names in (NAMES, [f"./{name}" for name in NAMES]):  # as typed, and as `find` gives them
        theirs = subprocess.run(["sha256sum", "--", *names], cwd=original, capture_output=True, check=True)
        (tmp_path / "theirs").write_bytes(theirs.stdout)
        assert held(original, tmp_path / "theirs").whole


@given(
    st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1).filter(
        lambda name: name[:2] != "./"
    )
)
def test_any_name_comes_back(name: str) -> None:
    digest = "0" * 64
    assert parse(line_of(name, digest) + "\n", "a list") == {name: digest}


@given(st.text())
def test_any_text_is_a_list_or_one_clear_error(text: str) -> None:
    try:
        assert parse(text, "a list")
    except UsageError as error:
        assert "a list" in str(error)


def test_a_list_on_the_card_is_refused(tmp_path: Path) -> None:
    original = card(tmp_path / "card")
    with pytest.raises(UsageError, match="only read"):
        written(original, original / "sub" / "sums")
    assert not (original / "sub" / "sums").exists()


def test_an_empty_copy_is_not_whole(tmp_path: Path) -> None:
    written(card(tmp_path / "card"), tmp_path / "sums")
    (tmp_path / "copy").mkdir()
    assert not held(tmp_path / "copy", tmp_path / "sums").whole
