"""An output folder as a finished job leaves it, with invented figures."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.report.invented import invented_results, put


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    """Folder of a finished sequence."""
    folder = tmp_path / "20260501-101500_HERON_0001"
    for stage, result in invented_results().items():
        put(folder, stage, result)
    (folder / "20260501-101500_HERON_0001_plain_1080p-h264.mp4").write_bytes(b"not a real video")
    return folder
