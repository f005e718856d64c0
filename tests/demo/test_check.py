"""The comparison of the demo with its truth: it passes what is right and sees each thing that is wrong.

Truth and outcome are made by hand here, with invented numbers; the real ones take minutes.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.corrections import Corrections, FrameCorrection
from pipeline.demo.check import check_outcomes
from pipeline.geometry.rotation import exp
from pipeline.report.schema import Stage, write_report
from pipeline.stages.result import StageResult

COUNT, MISSING, TORN = 40, 11, 23
PERIOD = 15.0
FOCAL_PX = 1100.0


@dataclass
class Made:
    """What is needed of an outcome."""

    folder: Path
    videos: list[Path] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class World:
    """Random truth of one flight, and an outcome that is right unless it is spoilt before `check`."""

    folder: Path
    flicker_ev: Any
    shake_rad: Any
    mired: Any
    gain_ev: Any = None
    correction_rad: Any = None
    missing: list[int] = field(default_factory=lambda: [MISSING])
    left_out: list[tuple[str, str]] = field(default_factory=lambda: [(name(TORN), "cut short")])
    found_flicker_ev: float | None = None
    video_frames: int = COUNT
    videos: int = 1

    def check(self) -> dict[str, bool]:
        """Write truth and outcome, and return which checks pass, by what they look at."""
        truth = self.folder / "truth.json"
        truth.write_text(json.dumps(self._truth()), "utf-8")
        folder = self.folder / "flight"
        videos = [folder / f"{number}.mp4" for number in range(self.videos)]
        self._write(folder)
        for video in videos:
            video.write_bytes(b"-")
        checks = check_outcomes(truth, [Made(folder, videos, self.left_out)])
        return {check.what.split(",")[0].split(" of ")[0]: check.ok for check in checks}

    def _truth(self) -> dict[str, Any]:
        frames = [
            {
                "frame": k,
                "file": None if k == MISSING else name(k),
                "state": {MISSING: "missing", TORN: "torn"}.get(k, "photo"),
                "gain_ev": float(self.flicker_ev[k] + 0.01 * k),
                "exif_ev": 0.0,
                "as_shot_cct_k": float(1e6 / self.mired[k]),
                "rotation_world_to_camera": exp(self.shake_rad[k]).tolist(),
            }
            for k in range(COUNT)
        ]
        flight = {"name": "Lantern Hill", "missing": [MISSING], "frames": frames}
        return {"expected": {"sequences": 1, "torn": [name(TORN)], "exit_status": 3}, "flights": [flight]}

    def _write(self, folder: Path) -> None:
        gain = -self.flicker_ev if self.gain_ev is None else self.gain_ev
        turned = self.shake_rad if self.correction_rad is None else self.correction_rad
        corrections = Corrections(
            id="flight",
            kind="raw",
            card="../card",
            width=1600,
            height=1200,
            focal_px=FOCAL_PX,
            shape=(16, 9),
            crop_ratio=0.9,
            frames=[
                FrameCorrection(
                    frame=k,
                    file=None if k == MISSING else name(k),
                    shown=k,
                    shown_file=name(k),
                    time_s=2.0 * k,
                    gain_ev=float(gain[k]),
                    rotation_rad=tuple(map(float, turned[k])),
                )
                for k in range(COUNT)
            ],
        )
        photo = np.isin(np.arange(COUNT), [MISSING, TORN], invert=True)
        rms = float(np.sqrt(np.mean(self.flicker_ev[photo] ** 2)))
        figures = {"flicker_rms_ev": rms if self.found_flicker_ev is None else self.found_flicker_ev}
        rows = [{"frame": k, "file": name(k)} for k in range(COUNT)]
        put(folder, "load", StageResult(frames=[row | {"state": self._state(row["frame"])} for row in rows]))
        put(
            folder,
            "balance",
            StageResult(frames=[row | {"as_shot_mired": self.mired[row["frame"]]} for row in rows]),
        )
        put(folder, "deflicker", StageResult(figures, {"period_frames": PERIOD}, dict(figures)))
        outputs = [{"file": f"{n}.mp4", "frames": self.video_frames} for n in range(self.videos)]
        put(folder, "encode", StageResult(applied={"outputs": outputs}))
        (folder / "corrections.json").write_text(corrections.model_dump_json(by_alias=True), "utf-8")

    def _state(self, frame: Any) -> str:
        return "missing" if frame in self.missing else "photo"


def name(frame: int) -> str:
    return f"DCIM/HERN{frame:04}.DNG"


def put(folder: Path, stage: Stage, result: StageResult) -> None:
    write_report(folder / f"{stage}.json", stage, result, seconds=0.0, fingerprint="-", settings={})


@pytest.fixture
def world(tmp_path: Path) -> World:
    random = np.random.default_rng(5)
    return World(
        folder=tmp_path,
        flicker_ev=0.08 * (-1.0) ** np.arange(COUNT),  # as fast as can be: no filter touches it
        shake_rad=np.deg2rad(random.normal(0.0, 0.5, (COUNT, 3))),
        mired=180.0 + random.normal(0.0, 12.0, COUNT),
    )


def test_a_right_outcome_passes_every_check(world: World) -> None:
    checks = world.check()
    assert len(checks) == 12
    assert all(checks.values()), checks


def spoil_gain(world: World) -> None:
    world.gain_ev = -0.85 * world.flicker_ev


def spoil_rotation(world: World) -> None:
    world.correction_rad = 0.8 * world.shake_rad


def spoil_direction_of_rotation(world: World) -> None:
    world.correction_rad = -world.shake_rad


def spoil_missing(world: World) -> None:
    world.missing = [MISSING + 1]


def spoil_left_out(world: World) -> None:
    world.left_out = []


def spoil_found(world: World) -> None:
    world.found_flicker_ev = 0.06


def spoil_video(world: World) -> None:
    world.video_frames = COUNT - 1


def spoil_videos(world: World) -> None:
    world.videos = 0


@pytest.mark.parametrize(
    ("spoil", "wrong"),
    [
        (spoil_gain, {"flicker left"}),
        (spoil_rotation, {"jitter left"}),
        (spoil_direction_of_rotation, {"jitter left"}),
        (spoil_missing, {"missing frames"}),
        (spoil_left_out, {"photos left out", "exit status"}),
        (spoil_found, {"flicker found"}),
        (spoil_video, {"frames in the video"}),
        (spoil_videos, {"videos", "frames in the video"}),
    ],
)
def test_what_is_wrong_is_seen(world: World, spoil: Callable[[World], None], wrong: set[str]) -> None:
    spoil(world)
    assert {what for what, ok in world.check().items() if not ok} == wrong


def test_a_sequence_that_failed_is_seen(world: World) -> None:
    world.check()
    failed = check_outcomes(world.folder / "truth.json", [Made(world.folder / "nothing")])[-1]
    assert (failed.what, failed.truth, failed.seen, failed.ok) == ("found as sequences", "1", "0", False)
