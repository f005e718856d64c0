"""Flights that several benches share, written once and kept in the system's folder for temporary files."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from pathlib import Path

from pipeline.demo.card import write_flights
from pipeline.demo.flight import FlightSpec

TWELVE_MEGAPIXELS = FlightSpec(
    name="Harbour Wall", frames=72, size=(4000, 3000), yaw_steps=((36, 3.0),), outlier_frames=(7,)
)
"""Photos of 4000×3000 px, every other one lossless-JPEG compressed, as the demo writes them."""


def written_flight(spec: FlightSpec) -> Path:
    """Return the folder that holds card/ and truth.json of a flight; write it where it is not there yet.

    Remove the folder `evenflight-bench` of the temporary files to have flights written anew.
    """
    mark = hashlib.sha256(repr(spec).encode()).hexdigest()[:12]
    folder = Path(tempfile.gettempdir()) / "evenflight-bench" / mark
    if not (folder / "truth.json").is_file():
        shutil.rmtree(folder, ignore_errors=True)
        write_flights(folder, [spec])
    return folder
