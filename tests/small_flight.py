"""A small flight over invented Saltmere, as mosaicked DNGs on a card, for whole runs that take seconds."""

from __future__ import annotations

from pathlib import Path

from pipeline.demo.card import write_flights
from pipeline.demo.flight import FlightSpec


def write_small_flight(folder: Path, photos: int = 10, size: tuple[int, int] = (480, 360)) -> Path:
    """Write `photos` photos below `folder`/card and return that card."""
    spec = FlightSpec(name="Reed Marsh", seed=11, frames=photos, size=size)
    return write_flights(folder, [spec], workers=2).card
