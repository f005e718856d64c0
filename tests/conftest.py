"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def data_dir() -> Path:
    """Folder of the real photographs: $EVENFLIGHT_DATA, or ../shared/data beside the clone."""
    named = os.environ.get("EVENFLIGHT_DATA")
    folder = Path(named) if named else Path(__file__).resolve().parents[2] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip(f"the real photographs are not here ({folder}); set EVENFLIGHT_DATA to their folder")
    return folder
