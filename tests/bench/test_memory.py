"""Memory of our own processes, the encoder left out: bounded by the window, not by the flight.

    pytest tests/bench/test_memory.py -s

A flight of 300 photos of 12 megapixels against one of 60, by two workers. The photos are the 24 of the bench
of speed, there and back over and over, with times of their own. Takes several minutes and 8 GB of disk.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import exiv2
import psutil
import pytest

from tests.bench.flights import TWELVE_MEGAPIXELS, written_flight

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]
FRAMES = (60, 300)
MOST_BYTES = 2e9
MOST_GROWTH = 0.1


def long_card(folder: Path, count: int) -> Path:
    """A card of `count` photos, there and back over the written flight, 2 s apart."""
    photos = sorted((written_flight(TWELVE_MEGAPIXELS) / "card").rglob("*.DNG"))
    there_and_back = [*photos, *photos[-2:0:-1]]
    folder.mkdir(parents=True)
    for number in range(count):
        path = folder / f"LONG{number:04d}.DNG"
        path.write_bytes(there_and_back[number % len(there_and_back)].read_bytes())
        taken = datetime(2026, 5, 14, 9, 0, 0, tzinfo=UTC) + timedelta(seconds=2 * number)
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        exif = image.exifData()
        exif["Exif.Photo.DateTimeOriginal"] = taken.strftime("%Y:%m:%d %H:%M:%S")
        exif["Exif.Photo.SubSecTimeOriginal"] = "000"
        image.setExifData(exif)
        image.writeMetadata()
    return folder


def peak_bytes(card: Path, out: Path) -> int:
    """Run the whole job and return the most resident memory of its processes, the encoder left out."""
    process = subprocess.Popen([*COMMAND, "run", str(card), "-o", str(out), "--workers", "2"])
    peak = 0
    done = threading.Event()

    def watch() -> None:
        nonlocal peak
        parent = psutil.Process(process.pid)
        while not done.wait(0.1):
            total = 0
            try:
                for one in (parent, *parent.children(recursive=True)):
                    if "ffmpeg" not in one.name():
                        total += one.memory_info().rss
            except psutil.NoSuchProcess:
                continue
            peak = max(peak, total)

    watcher = threading.Thread(target=watch)
    watcher.start()
    status = process.wait()
    done.set()
    watcher.join()
    assert status == 0
    return peak


def test_memory_is_bounded_by_the_window(tmp_path: Path) -> None:
    peaks = []
    for count in FRAMES:
        started = time.perf_counter()
        peaks.append(peak_bytes(long_card(tmp_path / f"card{count}", count), tmp_path / f"out{count}"))
        print(f"\n{count:4d} frames: {peaks[-1] / 1e6:.0f} MB at most, {time.perf_counter() - started:.0f} s")
    few, many = peaks
    print(f"growth {many / few - 1:+.1%}, allowed ±{MOST_GROWTH:.0%}; allowed {MOST_BYTES / 1e9:g} GB")
    assert max(peaks) < MOST_BYTES
    assert many / few == pytest.approx(1.0, abs=MOST_GROWTH)
