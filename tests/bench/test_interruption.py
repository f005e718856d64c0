"""Killed at random moments, or out of space: what is left, and whether a rerun completes it.

`pytest tests/bench/test_interruption.py -s`; a small invented flight. Needs a system with signals; the
full disk needs the right to mount (root) and is skipped without it.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.small_flight import write_small_flight

MOMENTS = 20
SIGNALS = (signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGKILL", signal.SIGTERM))
UNLIKE = ("made_at", "seconds", "card")  # the card's path as seen from the folder, which lies elsewhere


def command(card: Path, out: Path) -> list[str]:
    return [sys.executable, "-c", "from pipeline.cli import main; main()", "run", str(card), "-o", str(out)]


def results(out: Path) -> dict[str, Any]:
    """Every finished file: the bytes of videos, and of JSON all but time and place."""
    told: dict[str, Any] = {}
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if not path.is_file() or "/work/" in name or path.name == "report.html":
            continue
        if path.name.startswith("."):  # half written by a killed process, which the rerun clears away
            continue
        if path.suffix == ".json":
            report = json.loads(path.read_text(encoding="utf-8"))
            told[name] = {key: value for key, value in report.items() if key not in UNLIKE}
        else:
            told[name] = path.read_bytes()
    return told


def encoders(out: Path) -> list[int]:
    """Processes that work on files below `out`, by the command lines in /proc."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            line = (process / "cmdline").read_bytes()
        except OSError:
            continue
        if str(out).encode() in line and b"ffmpeg" in line:
            found.append(int(process.name))
    return found


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], float]:
    folder = tmp_path_factory.mktemp("interruption")
    card = write_small_flight(folder, photos=16, size=(480, 360))
    started = time.monotonic()
    subprocess.run(command(card, folder / "out"), check=True, capture_output=True)
    return card, results(folder / "out"), time.monotonic() - started


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for orphans in /proc, which is not here")
@pytest.mark.parametrize("number", sorted(set(SIGNALS)), ids=lambda number: signal.Signals(number).name)
def test_a_rerun_completes_what_was_killed(
    flight: tuple[Path, dict[str, Any], float], tmp_path: Path, number: int
) -> None:
    card, undisturbed, seconds = flight
    chance = random.Random(int(number))
    statuses: dict[int, int] = {}
    for moment in range(MOMENTS):
        out = tmp_path / f"out{moment}"
        process = subprocess.Popen(command(card, out), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        time.sleep(chance.uniform(0.02, 1.0) * seconds)
        process.send_signal(number)
        _, said = process.communicate(timeout=60)
        statuses[process.returncode] = statuses.get(process.returncode, 0) + 1
        assert b"Traceback" not in said, said.decode()
        for name, value in results(out).items():  # what has its final name is whole
            if not name.endswith("encode.json"):
                assert value == undisturbed[name], name
        deadline = time.monotonic() + 20
        while encoders(out) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert encoders(out) == []
        again = subprocess.run(command(card, out), capture_output=True, text=True)
        assert again.returncode == 0, again.stderr
        assert results(out) == undisturbed
        assert not list(out.rglob(".*.part"))
        shutil.rmtree(out)
    print(f"\n{signal.Signals(number).name}: {MOMENTS} moments, exit statuses {statuses}, all completed")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    disk.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(disk)], capture_output=True)
    if done.returncode:
        pytest.skip("no right to mount a small disk")
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def fill(disk: Path, leave: int) -> Path:
    ballast = disk / "ballast"
    free = shutil.disk_usage(disk).free
    ballast.write_bytes(bytes(max(0, free - leave)))
    return ballast


@pytest.mark.skipif(os.name == "nt", reason="Windows mounts no tmpfs")
@pytest.mark.parametrize("leave_kb", [0, 60, 200, 400, 600, 800, 1200, 2400])
def test_a_full_disk_is_one_sentence_and_costs_nothing_made(
    flight: tuple[Path, dict[str, Any], float], small_disk: Path, leave_kb: int
) -> None:
    card, undisturbed, _ = flight
    out = small_disk / "out"
    # past the estimate that refuses to begin, as if another program had filled the disk meanwhile
    started = command(card, out)
    started[2] = "import pipeline.run.commands as r; r._refuse_full_disk = lambda *a: None\n" + started[2]
    ballast = fill(small_disk, leave_kb * 1024)
    done = subprocess.run(started, capture_output=True, text=True)
    said = [line for line in done.stderr.splitlines() if line.startswith("evenflight:")]
    print(f"\n{leave_kb} kB left: status {done.returncode}, {said}")
    assert "Traceback" not in done.stderr
    assert done.returncode == 0 or (done.returncode == 1 and len(said) == 1)
    for name, value in results(out).items():
        if not name.endswith("encode.json"):
            assert value == undisturbed[name], name
    ballast.unlink()
    again = subprocess.run(command(card, out), capture_output=True, text=True)
    assert again.returncode == 0, again.stderr
    assert results(out) == undisturbed
