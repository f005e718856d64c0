"""The page of a sequence: what it says first, that it is one safe file, and that gaps do not break it."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from pathlib import Path
from statistics import median

import cv2
import numpy as np
import pytest

from pipeline.report.charts import CHARTS
from pipeline.report.html import write_page
from pipeline.report.pages import amount, number
from pipeline.report.timeline import reasons_without
from pipeline.stages.result import StageResult
from tests.report.invented import FRAMES, TORN, invented_results, put
from tests.report.pictured import add_diagnosis


class Page(HTMLParser):
    """Collects the visible text, the links and sources, the element ids, and data of a page."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.ids: list[str] = []
        self.text = ""
        self.data = ""
        self.scripts = 0
        self._inside: list[str] = []
        self._data = False
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self._inside.append(tag)
        self.scripts += tag == "script"
        own = [value or "" for name, value in attrs if name in ("src", "href", "poster")]
        self.addresses += [address for address in own if not address.startswith("#")]
        self.ids += [value or "" for name, value in attrs if name == "id"]
        self._data = ("id", "page-data") in attrs

    def handle_endtag(self, tag: str) -> None:
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.text += data
        elif self._data:
            self.data += data


def test_the_page_begins_with_the_verdicts(finished: Path) -> None:
    text = " ".join(Page(write_page(finished)).text.split())
    first = text[: text.index("What is to be seen, and why")]
    assert "Testcam Heron, photos of 1600 × 1200 px, one every 2 s" in first
    assert "The exposure still flickers: 0.08 EV found, 0.009 EV left in the video (limit 0.006 EV)." in first
    assert "The white balance holds: 12 mired found, 0 mired left (limit 5 mired)." in first
    assert "The motion could not be judged: stabilise: too few matches were held out." in first
    assert f"Photos are missing: 2 of {FRAMES} frames have no photo of their own" in first


def test_a_diagnosis_has_the_first_word(finished: Path) -> None:
    add_diagnosis(finished)
    text = " ".join(Page(write_page(finished)).text.split())
    order = ["The shot jerks right: <b>the heading</b> changed", "The video", "What is to be seen, and why"]
    order += [
        "The heading changed by 4.0°",
        "Raise max_crop.",
        "Measured 4°, limit 0.35",
        "Frame by frame",
    ]
    order += ["Found and left", "The exposure still flickers"]
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    assert "evenflight plan --from 20260501-101500_HERON_0001" in text


def test_a_broken_diagnosis_is_a_remark(finished: Path) -> None:
    (finished / "diagnosis.json").write_text("{}", "utf-8")
    text = Page(write_page(finished)).text
    assert "diagnosis.json cannot be read" in text and "This flight has not been diagnosed." in text


def test_a_figure_within_its_limit_is_told_so(finished: Path) -> None:
    results = invented_results()
    results["encode"].left["flicker_rms_ev"] = 0.006
    put(finished, "encode", results["encode"])
    assert (
        "The exposure is even: 0.08 EV found, 0.006 EV left in the video" in Page(write_page(finished)).text
    )


def test_the_page_is_one_self_contained_file(finished: Path) -> None:
    page = Page(write_page(finished))
    assert page.addresses, "the page links to the video and the reports"
    for address in page.addresses:
        assert "//" not in address and not address.startswith(("data:", "/")), address
        assert (finished / address).is_file(), address
    assert {f"{stage}.json" for stage in invented_results()} <= set(page.addresses)


def test_names_from_the_card_cannot_become_markup(finished: Path) -> None:
    page = Page(write_page(finished))
    assert page.scripts == 3, "the data, the plotting library and ours, and none from a file name"
    frames = json.loads(page.data)["frames"]
    assert any("<script>alert(1)</script>&" in frame["file"] for frame in frames)
    assert "frame 3 was <much> brighter" in page.text
    assert "data end early <b>" in page.text


def test_the_curves_hold_the_values_of_the_reports(finished: Path) -> None:
    page = Page(write_page(finished))
    charts = {chart["key"]: chart for chart in json.loads(page.data)["charts"]}
    assert list(charts) == ["exposure", "gain", "neutral", "tint", "yaw"]
    before, kept, after = charts["exposure"]["series"]
    rows = [row for row in invented_results()["deflicker"].frames if row["level_ev"] is not None]
    level, even = [row["level_ev"] for row in rows], [row["light_ev"] + row["left_ev"] for row in rows]
    assert before["y"][3] == pytest.approx(level[3] - median(level), rel=1e-5)
    assert after["y"][3] == pytest.approx(even[3] - median(even), rel=1e-5)
    assert charts["neutral"]["series"][1]["y"][3] == 182.0
    assert before["y"][TORN] is None and kept["role"] == "kept"
    for key in charts:
        assert f"chart-{key}" in page.ids
        assert next(chart.caption for chart in CHARTS if chart.key == key) in page.text


def test_a_flat_curve_is_not_magnified(finished: Path) -> None:
    charts = {chart["key"]: chart for chart in json.loads(Page(write_page(finished)).data)["charts"]}
    low, high = charts["tint"]["range"]
    assert (low + high) / 2 == pytest.approx(0.001) and high - low == pytest.approx(0.004)
    assert charts["exposure"]["range"] is None


def test_photos_left_out_are_named_with_their_reason(finished: Path) -> None:
    page = Page(write_page(finished))
    frames = json.loads(page.data)["frames"]
    assert frames[TORN]["why"] == "data end early <b>"
    assert "no photo within half an interval" in page.text[page.text.index("why it is not used") :]


@pytest.mark.parametrize(
    ("numbers", "words"), [([3], "frame 3"), ([3, 5, 6, 7, 9], "frames 3, 5-7, 9"), ([0, 1], "frames 0-1")]
)
def test_frames_with_one_reason_are_told_together(numbers: list[int], words: str) -> None:
    rows = [{"frame": n, "why": "no photo" if n in numbers else None} for n in range(12)]
    assert reasons_without(rows) == [{"why": "no photo", "frames": words}]


def test_without_pictures_the_page_says_why(finished: Path) -> None:
    page = Page(write_page(finished))
    assert "The small pictures in work/thumbs are gone" in page.text
    assert "There is no video of this flight here" in page.text


def test_a_page_of_300_frames_stays_under_15_mb(finished: Path) -> None:
    rng = np.random.default_rng(5)
    noise = rng.integers(0, 255, (20, 240, 320, 3)).astype(np.uint8)  # nothing takes more room as a JPEG
    (finished / "work" / "thumbs").mkdir(parents=True)
    for frame in range(300):
        cv2.imwrite(str(finished / "work" / "thumbs" / f"{frame:05d}.jpg"), noise[frame % 20])
    rows = [{"frame": n, "file": f"{n}.DNG", "time_s": 2.0 * n, "state": "photo"} for n in range(300)]
    put(finished, "load", StageResult(frames=rows))
    size = write_page(finished).stat().st_size
    assert 10e6 < size < 15e6, "most of the room is used, and no more"


def test_an_empty_folder_still_gives_a_page(tmp_path: Path) -> None:
    text = Page(write_page(tmp_path)).text
    assert "Nothing has been measured yet." in text
    assert "There is no encode.json: this stage has not been done." in text


def test_a_broken_report_is_a_remark(finished: Path) -> None:
    (finished / "deflicker.json").write_text("{", "utf-8")
    text = Page(write_page(finished)).text
    assert f"{finished.name}/deflicker.json is not a report of evenflight" in text
    assert "The white balance holds" in text


def test_the_same_reports_give_the_same_page(finished: Path) -> None:
    first = write_page(finished).read_bytes()
    assert write_page(finished).read_bytes() == first


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "–"), (0.0, "0"), (2, "2"), (0.0041234, "0.00412"), (-1.5, "-1.5"), (123.456, "123")],
)
def test_figures_are_printed_with_three_digits(value: float | None, text: str) -> None:
    assert number(value) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (1.4, "° a photo", "1.4° a photo"),
        (1.0, "files", "1 file"),
        (3.0, "files", "3 files"),
        (1.0, "px RMS", "1 px RMS"),
        (0.5, "", "0.5"),
    ],
)
def test_a_figure_with_its_unit(value: float, unit: str, text: str) -> None:
    assert amount(value, unit) == text
