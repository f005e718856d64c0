"""Very many and very large photos: time, memory and outcome.

`pytest tests/bench/test_limits.py -s`; the photographs are invented.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.demo.card import write_flights
from pipeline.demo.flight import FlightSpec

SMALL = FlightSpec(name="Reed Marsh", seed=5, frames=200, size=(320, 240))
MEMORY_GB = 2.0  # design, section 9


def run(card: Path, out: Path) -> tuple[float, float, int]:
    """Run the whole job apart; return its seconds, its peak memory in GB and its exit status."""
    pytest.importorskip("resource", reason="Windows does not tell the memory of a process")
    program = (
        "import sys, resource\\n"
        "from pipeline.cli import app\\n"
        "status = 0\\n"
        "try:\\n    app(sys.argv[1:])\\n"
        "except SystemExit as end:\\n    status = end.code or 0\\n"
        "print('PEAK', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, status)\\n"
    ).replace("\\n", "\n")
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", program, "run", str(card), "-o", str(out)], capture_output=True, text=True
    )
    peak = next(line for line in done.stdout.splitlines() if line.startswith("PEAK")).split()
    return time.monotonic() - started, int(peak[1]) / 1e6, int(peak[2])


def test_two_thousand_photos_in_bounded_memory(tmp_path: Path) -> None:
    """The flight of 200 photos is flown to and fro, so that 2,000 take a minute to write."""
    told = []
    for photos in (200, 2000):
        folder = tmp_path / str(photos)
        long = replace(SMALL, frames=photos)
        card = write_flights(folder, [long]).card
        seconds, peak_gb, status = run(card, folder / "out")
        told.append((photos, seconds, peak_gb))
        assert status == 0
        page_mb = next((folder / "out").glob("*/report.html")).stat().st_size / 1e6
        print(f"\n{photos} photos of 320×240: {seconds:.0f} s, {peak_gb:.2f} GB, page {page_mb:.1f} MB")
    assert told[1][2] <= MEMORY_GB
    assert told[1][1] / told[0][1] < 15.0  # ten times the photos: the solves stay near linear


def test_sixty_megapixels(tmp_path: Path) -> None:
    spec = FlightSpec(name="Lantern Hill", seed=3, frames=10, size=(9504, 6336))
    card = write_flights(tmp_path, [spec]).card
    seconds, peak_gb, status = run(card, tmp_path / "out")
    print(f"\n10 photos of 9504×6336: {seconds:.0f} s, {peak_gb:.2f} GB")
    assert status == 0
    output = json.loads(next((tmp_path / "out").glob("*/encode.json")).read_text())["applied"]["outputs"][0]
    assert (output["width"], output["height"], output["frames"]) == (1920, 1080, 10)
