"""Invented pictures for a finished folder: each frame can be told by its grey, before and after."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.report.diagnose import Diagnosis
from pipeline.report.findings.finding import Finding, Remedy
from pipeline.report.schema import write_text
from tests.report.invented import FRAMES, MISSING, TORN, invented_results, put

WIDTH, HEIGHT = 320, 240
VIDEO = "saltmere_plain_1080p-h264.mp4"


def before_grey(frame: int) -> int:
    """Grey of a photo's picture."""
    return 20 + 4 * frame


def after_grey(frame: int) -> int:
    """Grey of a video frame."""
    return 230 - 4 * frame


def add_pictures(folder: Path, *, flashing: bool = False) -> None:
    """Write thumbnails and a video into a finished folder; `flashing` thumbnails turn from black to white."""
    thumbs = folder / "work" / "thumbs"
    thumbs.mkdir(parents=True)
    for frame in range(FRAMES):
        if frame not in (TORN, MISSING):
            grey = 240 * (frame // 2 % 2) if flashing else before_grey(frame)
            cv2.imwrite(str(thumbs / f"{frame:05d}.jpg"), np.full((480, 640, 3), grey, np.uint8))
    write_video(folder / VIDEO, [after_grey(frame) for frame in range(FRAMES)])
    encode = invented_results()["encode"]
    encode.applied["outputs"] = [{"file": VIDEO, "fps": "30", "fingerprint": "f"}]
    encode.frames = [{**row, "place": float(row["frame"])} for row in encode.frames]
    put(folder, "encode", encode)


def write_video(path: Path, greys: list[int]) -> None:
    """Write a video of plain greys."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libx264", rate=30, options={"crf": "10"})
        stream.width, stream.height, stream.pix_fmt = WIDTH, 180, "yuv420p"
        for grey in greys:
            picture: NDArray[np.uint8] = np.full((180, WIDTH, 3), grey, np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode())


def add_diagnosis(folder: Path) -> None:
    """Write a diagnosis with two invented findings, one of them named with markup."""
    diagnosis = Diagnosis(
        id=folder.name,
        verdict="The shot jerks right: <b>the heading</b> changed. More was found. Next time: turn slowly.",
        findings=[
            Finding(
                cause="heading_step",
                frames=[9],
                seconds=(0.3, 0.333),
                seen="the shot jerks right",
                why="the heading changed by 4.0° at <script>document.title = 'owned'</script>",
                measured=4.0,
                unit="°",
                limit=0.35,
                ratio=11.4,
                severity="visible",
                mended=False,
                left=3.9,
                remedy=Remedy(air="spread the turn (check obstacles and the rules)", desk="raise `max_crop`"),
            ),
            Finding(
                cause="haze",
                frames=list(range(FRAMES)),
                seconds=(0.0, 1.0),
                seen="the picture is pale",
                why="a veil lies over it",
                measured=12.0,
                unit="%",
                limit=5.0,
                ratio=2.4,
                severity="note",
                mended=False,
                left=None,
                remedy=Remedy(air=None, desk=None),
            ),
        ],
        not_measured=[],
    )
    write_text(folder / "diagnosis.json", diagnosis.model_dump_json(by_alias=True))
