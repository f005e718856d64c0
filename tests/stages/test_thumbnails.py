"""What the thumbnails show is looked at once, kept, and looked at again where the kept file is no good."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.measure.clip import Seen
from pipeline.parallel import local_executor
from pipeline.stages import thumbnails as module
from pipeline.stages.thumbnails import Thumbnails

COUNT = 5


def write_thumbnails(folder: Path) -> None:
    """Invented pictures of one texture, each 3 px further on."""
    folder.mkdir()
    rng = np.random.default_rng(5)
    world = cv2.GaussianBlur(rng.uniform(0.0, 255.0, (160, 300, 3)).astype(np.float32), (0, 0), 1.5)
    for frame in range(COUNT):
        picture = world[:, 3 * frame : 3 * frame + 240].astype(np.uint8)
        assert cv2.imwrite(str(folder / f"{frame:05d}.jpg"), picture)


def seen(folder: Path, fps: float = 30.0) -> Seen | None:
    with local_executor(1) as executor:
        return Thumbnails(folder, range(COUNT), fps, executor).seen()


def test_what_is_kept_is_what_was_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_thumbnails(tmp_path / "thumbs")
    first = seen(tmp_path / "thumbs")
    assert first is not None and first.trace.frames == COUNT and first.trace.path is not None
    np.testing.assert_allclose(np.diff(first.trace.path[:, :, 0], axis=0), -3.0, atol=0.1)

    def refuse(*_: object) -> None:
        raise AssertionError("looked at again")

    monkeypatch.setattr(module, "view_pictures", refuse)
    again = seen(tmp_path / "thumbs")
    assert again is not None and again.trace.path is not None
    np.testing.assert_array_equal(again.trace.path, first.trace.path)
    np.testing.assert_array_equal(again.trace.steps_ev, first.trace.steps_ev)
    np.testing.assert_array_equal(again.flashes.general, first.flashes.general)
    with pytest.raises(AssertionError, match="looked at again"):  # flashes are counted in a second
        seen(tmp_path / "thumbs", 25.0)


@pytest.mark.parametrize("spoiled", [b"", b"PK\x03\x04 half a file", b"{}"])
def test_a_spoiled_store_is_made_anew(tmp_path: Path, spoiled: bytes) -> None:
    write_thumbnails(tmp_path / "thumbs")
    first = seen(tmp_path / "thumbs")
    (tmp_path / "seen.npz").write_bytes(spoiled)
    again = seen(tmp_path / "thumbs")
    assert first is not None and again is not None
    np.testing.assert_array_equal(again.trace.steps_ev, first.trace.steps_ev)
    assert (tmp_path / "seen.npz").read_bytes() != spoiled


@pytest.mark.parametrize("spoiled", [None, b"", b"no picture"])
def test_without_all_thumbnails_nothing_is_told(tmp_path: Path, spoiled: bytes | None) -> None:
    write_thumbnails(tmp_path / "thumbs")
    broken = tmp_path / "thumbs" / "00002.jpg"
    broken.unlink() if spoiled is None else broken.write_bytes(spoiled)
    assert seen(tmp_path / "thumbs") is None
    assert not (tmp_path / "seen.npz").exists()
