"""Stage results with invented figures."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from pipeline.report.schema import Stage, write_report
from pipeline.settings import load_settings
from pipeline.stages.result import StageResult

FRAMES = 30
NAMES = [f"DCIM/100SALT/HERON_{number:04}.DNG" for number in range(FRAMES)]
NAMES[7] = "DCIM/100SALT/<script>alert(1)</script>&.DNG"
TORN = 12
MISSING = 20


def frames(**columns: Any) -> list[dict[str, Any]]:
    """Rows of a report: each column is a function of the frame number."""
    return [
        {"frame": n, "file": None if n == MISSING else NAMES[n]}
        | {key: None if n in (TORN, MISSING) else column(n) for key, column in columns.items()}
        for n in range(FRAMES)
    ]


def put(folder: Path, stage: Stage, result: StageResult) -> None:
    settings = load_settings(None, []).effective(stage)
    write_report(folder / f"{stage}.json", stage, result, seconds=2.0, fingerprint="f", settings=settings)


def invented_results() -> dict[Stage, StageResult]:
    def shake(n: int) -> float:
        return math.sin(7.0 * n)

    load = StageResult(
        found={"missing_count": 2, "interval_s": 2.0},
        left={"missing_count": 2, "interval_s": 2.0},
        applied={"camera": "Testcam Heron", "width": 1600, "height": 1200, "started_at": None},
        frames=frames(time_s=float),
    )
    for row in load.frames:
        row["state"] = {TORN: "torn", MISSING: "missing"}.get(row["frame"], "photo")
        row["why"] = {TORN: "data end early <b>", MISSING: "no photo within half an interval"}.get(
            row["frame"]
        )
    balance = StageResult(
        found={"neutral_rms_mired": 12.0, "neutral_duv_rms": 0.002},
        left={"neutral_rms_mired": 0.0, "neutral_duv_rms": 0.0},
        frames=frames(
            as_shot_mired=lambda n: 180 + 10 * shake(n), mired=lambda n: 182.0, as_shot_duv=lambda n: 0.001
        ),
    )
    deflicker = StageResult(
        found={"flicker_rms_ev": 0.08, "flicker_worst_ev": 0.31, "outlier_frames": 1},
        left={"flicker_rms_ev": 0.004, "flicker_worst_ev": 0.01, "outlier_frames": 0},
        frames=frames(
            level_ev=lambda n: 0.01 * n + 0.08 * shake(n),
            light_ev=lambda n: 0.01 * n,
            gain_ev=lambda n: -0.08 * shake(n),
            left_ev=lambda n: 0.003 * shake(n),
        ),
        warnings=["frame 3 was <much> brighter"],
    )
    stabilise = StageResult(
        found={"jitter_rms_px": 9.0, "yaw_step_worst_deg": 3.0, "crop_ratio": 1.0},
        left={"jitter_rms_px": None, "yaw_step_worst_deg": 0.2, "crop_ratio": 0.88},
        frames=frames(yaw_deg=lambda n: shake(n), steady_yaw_deg=lambda n: 0.05 * n),
        unmeasured={"left.jitter_rms_px": "too few matches were held out"},
    )
    encode = StageResult(found={"flicker_rms_ev": 0.08}, left={"flicker_rms_ev": 0.009}, frames=frames())
    return {
        "load": load,
        "balance": balance,
        "deflicker": deflicker,
        "stabilise": stabilise,
        "encode": encode,
    }
