"""The photos are only read, nothing goes to a network, a folder belongs to one run at a time, and an
interrupted run goes on (whole runs on a small invented flight)."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.errors import EvenflightError
from pipeline.run.commands import run_card
from pipeline.run.outputs import Folder, locked
from pipeline.settings import load_settings
from tests.small_flight import write_small_flight
from tests.watching import Quiet, digests

# What every file opened and every connection of a command must obey. Python reports them to audit hooks
# (PEP 578); LibRaw and Exiv2 open files on their own, which the digests and times of the card cover.
WATCHED = """
import os, sys
card = sys.argv.pop(1)
def watch(event, args):
    if event.startswith("socket.") and event not in ("socket.__new__", "socket.gethostname"):
        sys.stderr.write(f"NETWORK {event}\\n"); os._exit(99)
    if event == "open" and isinstance(args[0], (str, bytes)):
        path = os.path.realpath(os.fsdecode(args[0]))
        mode, flags = args[1] or "", args[2] or 0
        writes = any(c in mode for c in "wax+") or flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if path.startswith(card + os.sep) and writes:
            sys.stderr.write(f"WRITTEN {path}\\n"); os._exit(98)
    if event in ("os.rename", "os.remove", "os.truncate", "os.chmod", "os.utime", "os.mkdir"):
        if os.path.realpath(os.fsdecode(args[0])).startswith(card + os.sep):
            sys.stderr.write(f"CHANGED {args[0]}\\n"); os._exit(97)
sys.addaudithook(watch)
from pipeline.cli import main
main()
"""


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_flight(tmp_path_factory.mktemp("care"))


def watched(card: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WATCHED, str(card.resolve()), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
    )


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-c", "from pipeline.cli import main; main()", *map(str, arguments)]


def state(card: Path) -> dict[str, tuple[int, int, int]]:
    told = {str(p): p.stat() for p in card.rglob("*")}
    return {name: (s.st_mtime_ns, s.st_size, s.st_mode) for name, s in told.items()}


def test_commands_only_read_the_card_and_use_no_network(card: Path, tmp_path: Path) -> None:
    before, files = state(card), digests(card)
    done = watched(card, "run", card, "-o", tmp_path / "out", "--json")
    assert done.returncode == 0, done.stderr
    folder = Path(json.loads(done.stdout)["outcomes"][0]["folder"])
    for arguments in (
        ("list", card),
        ("list", card, "--checksums", tmp_path / "sums"),
        ("list", card, "--verify", tmp_path / "sums"),
        ("regrade", folder, "--grade", "soft-haze"),
        ("stage", "deflicker", folder),
    ):
        done = watched(card, *arguments)
        assert done.returncode == 0, (arguments, done.stderr)
    assert len(list(folder.glob("*.mp4"))) == 2
    assert (state(card), digests(card)) == (before, files)


def test_the_watch_itself_sees_what_it_must(card: Path, tmp_path: Path) -> None:
    """Else the test above could not fail."""
    for code, said in (
        (f"open({str(card / 'x')!r}, 'w')", "WRITTEN"),
        ("import socket; socket.create_connection(('127.0.0.1', 9))", "NETWORK"),
    ):
        program = WATCHED.replace("from pipeline.cli import main\nmain()", code)
        done = subprocess.run(
            [sys.executable, "-c", program, str(card.resolve())], capture_output=True, text=True
        )
        assert said in done.stderr and done.returncode >= 97
    assert not (card / "x").exists()


def bound_by_rights(place: Path) -> list[str]:
    """How to start a command that the rights of files bind: it cannot write to `place`, now read-only.

    Root may do everything, so it is started without that privilege where util-linux is there; the test
    is skipped where nothing keeps a command from writing.
    """
    attempt = [sys.executable, "-c", f"open({str(place / 'written')!r}, 'w')"]
    for start in ([], ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all"]):
        if start and shutil.which(start[0]) is None:
            continue
        done = subprocess.run([*start, *attempt], capture_output=True, text=True)
        if "Permission denied" in done.stderr:
            return start
        (place / "written").unlink(missing_ok=True)
    pytest.skip("nothing keeps this user from writing to a folder without the right to (root, or Windows)")


def test_a_card_that_cannot_be_written_to_is_enough(card: Path, tmp_path: Path) -> None:
    """The rights to write are gone, as on a locked card: files, folders, and the folder one works in."""
    locked_card = Path(shutil.copytree(card, tmp_path / "card"))
    places = [locked_card, *locked_card.rglob("*")]
    for place in places:
        place.chmod(place.stat().st_mode & ~0o222)
    try:
        start = bound_by_rights(locked_card)
        before = state(locked_card)
        for arguments in (
            ("list", "."),
            ("list", ".", "--checksums", tmp_path / "sums"),
            ("list", ".", "--verify", tmp_path / "sums"),
            ("run", ".", "-o", tmp_path / "out"),
            ("diagnose", "."),
        ):
            done = subprocess.run(
                [*start, *command(*arguments)], cwd=locked_card, capture_output=True, text=True, timeout=120
            )
            assert done.returncode == 0, (arguments, done.stderr)
        assert list(tmp_path.glob("out/*/*.mp4"))
        assert state(locked_card) == before
    finally:
        for place in places:
            place.chmod(place.stat().st_mode | 0o200)


def test_what_may_not_be_read_is_named_and_the_rest_is_listed(card: Path, tmp_path: Path) -> None:
    closed = Path(shutil.copytree(card, tmp_path / "card"))
    photos = sorted(closed.rglob("*.DNG"))
    (closed / "private").mkdir()
    shut = [photos[3], closed / "private"]
    closed.chmod(0o555)
    for place in shut:
        place.chmod(0)
    try:
        done = subprocess.run(
            [*bound_by_rights(closed), *command("list", closed, "--json")], capture_output=True, text=True
        )
        assert "Traceback" not in done.stderr
        told = json.loads(done.stdout)
        (trouble,) = told["sequences"][0]["trouble"]
        assert Path(trouble["file"]).name == photos[3].name and "Permission denied" in trouble["why"]
        (aside,) = told["left_aside"]
        assert aside["file"] == "private" and aside["trouble"] and "Permission denied" in aside["why"]
    finally:
        for place in (closed, *shut):
            place.chmod(0o755)


def test_a_folder_belongs_to_one_run_at_a_time(card: Path, tmp_path: Path) -> None:
    folder = Folder(tmp_path / "out" / "20260514-093000_HERN0001")
    with (
        locked(folder),
        pytest.raises(EvenflightError, match="another evenflight is at work"),
        locked(folder),
    ):
        pass
    half = folder.path / ".corrections.json.77.part"
    half.write_text("{")
    frames = folder.path / ".20260514-093000_HERN0001_plain_frames-tiff.part"
    frames.mkdir()
    kept, lost = folder.path / ".a_frames.old", folder.path / ".b_frames.old"
    for aside in (kept, lost):
        aside.mkdir()
        (aside / "frame.tif").write_bytes(b"before")
    (folder.path / "a_frames").mkdir()  # the new frames had taken their place when the process was killed
    with locked(folder):
        assert not half.exists() and not frames.exists() and not kept.exists() and not lost.exists()
        assert (folder.path / "b_frames" / "frame.tif").read_bytes() == b"before"


def test_the_second_of_two_runs_on_one_output_stops_at_once(card: Path, tmp_path: Path) -> None:
    first = subprocess.Popen(
        command("run", card, "-o", tmp_path / "out"), stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL
    )
    try:
        deadline = time.monotonic() + 60
        while not list((tmp_path / "out").glob("*/work/thumbs/*.jpg")):
            assert first.poll() is None and time.monotonic() < deadline
            time.sleep(0.02)
        second = subprocess.run(command("run", card, "-o", tmp_path / "out"), capture_output=True, text=True)
        assert (second.returncode, second.stdout) == (1, "")
        assert "another evenflight is at work" in second.stderr and "Traceback" not in second.stderr
    finally:
        assert first.wait(timeout=120) == 0


@pytest.fixture
def heeded() -> Iterator[None]:
    """Children heed SIGINT, also where the tests run in the background, to which shells have it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("heeded")
@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals to send")
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
@pytest.mark.parametrize("moment", ["*/work/thumbs/*.jpg", "*/.*.mp4.part"])
def test_an_interrupted_run_leaves_no_half_file_and_goes_on(
    card: Path, tmp_path: Path, number: int, status: int, moment: str
) -> None:
    out = tmp_path / "out"
    process = subprocess.Popen(command("run", card, "-o", out), stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 60
    while not list(out.glob(moment)):
        assert process.poll() is None and time.monotonic() < deadline
        time.sleep(0.005)
    process.send_signal(number)
    _, said = process.communicate(timeout=60)
    assert process.returncode == status
    assert "goes on from the finished parts" in said and "Traceback" not in said
    assert not list(out.glob("*/.*.part")) and not list(out.glob("*/*.mp4"))
    outcome = run_card(card, out, load_settings(None, []), sequence=None, progress=Quiet(), workers=2)[0]
    assert outcome.videos and outcome.videos[0].is_file()


def test_a_disk_without_room_is_told_before_the_work(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=1_000_000)
    monkeypatch.setattr("pipeline.run.commands.disk_usage", lambda path: usage)
    with pytest.raises(EvenflightError, match=r"MB more, and the disk of .* has 1 MB free"):
        run_card(card, tmp_path / "out", load_settings(None, []), sequence=None, progress=Quiet())
    assert not list(tmp_path.rglob("*.json"))
