"""The shape of reports, and that nothing unexplained gets into one."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import report
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError
from pipeline.report.published import PUBLISHED, schema_text, write_schemas
from pipeline.report.schema import as_json, read_report, write_report, write_text
from pipeline.settings import load_settings
from pipeline.stages.result import StageResult

PACKAGE = Path(report.__file__).parent


def result() -> StageResult:
    return StageResult(
        found={"flicker_rms_ev": np.float64(0.08), "outlier_frames": np.int64(2), "jitter_rms_px": np.nan},
        applied={"gain_ev": np.array([0.25, -0.5]), "rule": "median"},
        left={"flicker_rms_ev": 0.004, "outlier_frames": 0, "jitter_rms_px": None},
        frames=[{"frame": 0, "file": "DCIM/A_0001.DNG", "gain_ev": np.nan}, {"frame": 1, "file": None}],
        warnings=["two frames were much brighter"],
        unmeasured={"found.jitter_rms_px": "too few matches", "left.jitter_rms_px": "too few matches"},
    )


def write(path: Path, outcome: StageResult, **more: object) -> None:
    settings = load_settings(None, ["deflicker.keep_slower_than_s=3"]).effective("deflicker")
    write_report(path, "deflicker", outcome, seconds=1.5, fingerprint="abc", settings=settings, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_published_schema_is_the_model(name: str) -> None:
    assert json.loads((PACKAGE / name).read_text("utf-8")) == json.loads(schema_text(PUBLISHED[name]))


def test_no_other_schema_is_published() -> None:
    assert {path.name for path in PACKAGE.glob("*.schema.json")} == set(PUBLISHED)


def test_the_published_schemas_are_written_as_they_are(tmp_path: Path) -> None:
    write_schemas(tmp_path)
    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert written == {name: (PACKAGE / name).read_bytes() for name in PUBLISHED}


def test_a_written_report_obeys_the_published_schema(tmp_path: Path) -> None:
    write(tmp_path / "deflicker.json", result())
    document = json.loads((tmp_path / "deflicker.json").read_text("utf-8"))
    schema = json.loads((PACKAGE / "report.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    for spoil in ({"stage": "develop"}, {"seconds": -1.0}, {"surprise": 1}, {"frames": [{"frame": 0}]}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(document | spoil, schema)


def test_corrections_obey_their_published_schema() -> None:
    corrections = Corrections(
        id="20260501-101500_A_0001",
        kind="raw",
        card="../../card",
        width=1600,
        height=1200,
        focal_px=1200.0,
        shape=(16, 9),
        crop_ratio=0.9,
        frames=[FrameCorrection(frame=0, file="a.DNG", shown=0, shown_file="a.DNG", time_s=0.0)],
    )
    document = corrections.model_dump(mode="json", by_alias=True)
    schema = json.loads((PACKAGE / "corrections.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document | {"schema": "something-else"}, schema)


def test_a_report_reads_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "deflicker.json"
    write(path, result())
    found = read_report(path)
    assert found.found == {"flicker_rms_ev": 0.08, "jitter_rms_px": None, "outlier_frames": 2}
    assert found.settings["deflicker.keep_slower_than_s"].value == 3
    assert found.settings["deflicker.keep_slower_than_s"].origin == "--set"
    assert found.applied["gain_ev"] == [0.25, -0.5]
    assert found.frames[0].model_extra == {"gain_ev": None}


def test_keys_are_sorted_and_the_file_ends_in_one_newline(tmp_path: Path) -> None:
    write(tmp_path / "deflicker.json", result())
    text = (tmp_path / "deflicker.json").read_text("utf-8")
    assert text.endswith("}\n")
    pairs = json.loads(text, object_pairs_hook=list)
    assert [key for key, _ in pairs] == sorted(key for key, _ in pairs)
    assert "NaN" not in text


def test_a_null_without_a_reason_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    outcome = result()
    del outcome.unmeasured["found.jitter_rms_px"]
    with pytest.raises(ValueError, match=r"no reason in 'unmeasured' for found\.jitter_rms_px"):
        write(tmp_path / "deflicker.json", outcome)
    assert list(tmp_path.iterdir()) == []


def test_a_reason_for_a_value_that_is_there_is_refused(tmp_path: Path) -> None:
    outcome = result()
    outcome.unmeasured["left.outlier_frames"] = "never looked"
    with pytest.raises(ValueError, match=r"left\.outlier_frames"):
        write(tmp_path / "deflicker.json", outcome)


def test_found_and_left_hold_the_same_keys(tmp_path: Path) -> None:
    outcome = result()
    del outcome.left["flicker_rms_ev"]
    with pytest.raises(ValueError, match="only one has flicker_rms_ev"):
        write(tmp_path / "deflicker.json", outcome)


def test_a_status_other_than_complete_says_why(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="needs a reason"):
        write(tmp_path / "deflicker.json", result(), status="skipped")
    write(tmp_path / "deflicker.json", result(), status="skipped", why="only display-referred photos")
    assert read_report(tmp_path / "deflicker.json").why == "only display-referred photos"


def test_a_failed_write_leaves_the_earlier_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "load.json"
    write_text(path, "whole\n")

    def no_room(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", no_room)
    with pytest.raises(EvenflightError, match="No space left on device"):
        write_text(path, "half")
    assert [item.name for item in tmp_path.iterdir()] == ["load.json"]
    assert path.read_text("utf-8") == "whole\n"


@pytest.mark.parametrize("text", ["", "{}", "[1, 2", '{"schema": "another"}'])
def test_what_is_not_a_report_is_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "flight" / "load.json"
    path.parent.mkdir()
    path.write_text(text, "utf-8")
    with pytest.raises(EvenflightError, match=r"flight/load\.json is not a report"):
        read_report(path)


def test_an_absent_report_is_named(tmp_path: Path) -> None:
    with pytest.raises(EvenflightError, match=r"cannot read the report .*load\.json"):
        read_report(tmp_path / "load.json")


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=8,
    )
)
def test_any_values_become_json_without_nan(value: object) -> None:
    def refuse(name: str) -> None:
        raise AssertionError(name)

    json.loads(as_json(value), parse_constant=refuse)
