"""The flown course for the map on the page: metres from the first photo, speeds, troubled frames."""

from __future__ import annotations

import math
from collections.abc import Collection
from itertools import pairwise
from typing import Any

from pipeline.report.schema import Report


def course_data(load: Report | None, troubled: Collection[int]) -> dict[str, Any] | None:
    """Return the frames with positions in m, their speeds in m/s, and which of them are troubled.

    The speed at a frame is over ground, from the photo before to the photo after it. None where fewer
    than two photos tell their position, or where the drone stayed in one place.
    """
    if load is None:
        return None
    known = []
    for frame in load.frames:
        told = frame.model_extra or {}
        if told.get("position_m") is not None and told.get("time_s") is not None:
            known.append((frame.frame, told["time_s"], *told["position_m"]))
    if len(known) < 2 or max(math.dist(row[2:4], known[0][2:4]) for row in known) < 1.0:
        return None
    speeds = []
    for i in range(len(known)):
        before, after = known[max(i - 1, 0)], known[min(i + 1, len(known) - 1)]
        seconds = after[1] - before[1]
        speeds.append(math.dist(before[2:4], after[2:4]) / seconds if seconds > 0.0 else None)
    return {
        "frame": [row[0] for row in known],
        "east": [round(row[2], 2) for row in known],
        "north": [round(row[3], 2) for row in known],
        "up": [round(row[4], 2) for row in known],
        "speed": [None if speed is None else round(speed, 3) for speed in speeds],
        "troubled": [row[0] in troubled for row in known],
        "length_m": sum(math.dist(a[2:5], b[2:5]) for a, b in pairwise(known)),
    }
