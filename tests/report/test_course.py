"""The course on the page: metres and speeds, and nothing where nothing is known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.report.course import course_data
from pipeline.report.schema import Report, read_report
from pipeline.stages.result import StageResult
from tests.report.invented import put


def load(folder: Path, places: list[Any]) -> Report:
    rows = [
        {"frame": n, "file": f"{n}.DNG", "time_s": 2.0 * n, "position_m": place}
        for n, place in enumerate(places)
    ]
    put(folder, "load", StageResult(frames=rows))
    return read_report(folder / "load.json")


def test_speeds_and_length(tmp_path: Path) -> None:
    report = load(tmp_path, [(0.0, 0.0, 0.0), (0.0, 4.0, 0.0), None, (6.0, 12.0, 0.0), (6.0, 12.0, 3.0)])
    course = course_data(report, {3})
    assert course is not None
    assert course["frame"] == [0, 1, 3, 4] and course["troubled"] == [False, False, True, False]
    assert course["speed"][0] == pytest.approx(2.0)
    assert course["speed"][3] == pytest.approx(0.0)
    assert course["speed"][1] == pytest.approx((6.0**2 + 12.0**2) ** 0.5 / 6.0, abs=1e-3)
    assert course["length_m"] == pytest.approx(4.0 + 10.0 + 3.0)


@pytest.mark.parametrize("places", [[], [None, None], [(0.0, 0.0, 0.0)], [(0.0, 0.0, 0.0), (0.2, 0.1, 0.0)]])
def test_no_course_is_drawn_of_nothing(tmp_path: Path, places: list[Any]) -> None:
    assert course_data(load(tmp_path, places), set()) is None
    assert course_data(None, set()) is None
