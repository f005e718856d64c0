"""The registry of measures and the limits they are held against."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import UsageError
from pipeline.report import metrics
from pipeline.report.finding_measures import FINDING_MEASURES
from pipeline.report.metrics import MEASURES, Limit, load_limits, verdict

DESIGNED = (
    "flicker_rms_ev",
    "flicker_worst_ev",
    "outlier_frames",
    "neutral_rms_mired",
    "neutral_duv_rms",
    "neutral_drift_mired",
    "ground_delta_e_rms",
    "ground_delta_e_worst",
    "jitter_rms_px",
    "ground_jitter_px",
    "yaw_step_worst_deg",
    "speed_uneven_pct",
    "crop_ratio",
    "flashes_per_s",
    "missing_count",
)


def test_every_designed_measure_is_registered_once() -> None:
    assert set(DESIGNED) <= MEASURES.keys()
    assert len(MEASURES) == len(metrics._ALL) + len(FINDING_MEASURES)


@pytest.mark.parametrize("key", DESIGNED)
def test_a_measure_says_what_it_is(key: str) -> None:
    measure = MEASURES[key]
    assert measure.key == key
    assert measure.definition.endswith(".") and measure.definition.count(". ") == 0, "one sentence"
    assert measure.source
    assert callable(measure.function)


def test_of_few_measures_more_is_better() -> None:
    better = [key for key, measure in MEASURES.items() if measure.better == "higher"]
    wanted = {"crop_ratio", "stability_score", "distortion_value", "shutter_angle_deg", "subject_shown_pct"}
    assert set(better) == wanted


def test_limits_point_the_way_that_is_better() -> None:
    limits = load_limits()
    assert limits.keys() <= MEASURES.keys()
    for key, limit in limits.items():
        assert limit.operator == (">=" if MEASURES[key].better == "higher" else "<="), key
        assert len(limit.source) > 10


@pytest.mark.parametrize(
    ("value", "operator", "judgement"),
    [
        (0.9, "<=", "within"),
        (1.0, "<=", "within"),
        (1.1, "<=", "beyond"),
        (0.9, ">=", "beyond"),
        (1.0, ">=", "within"),
        (None, "<=", "not measured"),
    ],
)
def test_a_verdict_is_value_against_limit(value: float | None, operator: str, judgement: str) -> None:
    limit = Limit.model_validate({"operator": operator, "value": 1.0, "source": "invented"})
    assert verdict(value, limit) == judgement


def test_without_a_limit_there_is_no_verdict() -> None:
    assert verdict(1.0, None) == "no limit"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[flicker_rms]\noperator = '<='\nvalue = 1\nsource = 'x'", "'flicker_rms', which is no measure"),
        ("[jitter_rms_px]\noperator = '<'\nvalue = 1\nsource = 'x'", r"jitter_rms_px\.operator"),
        ("[jitter_rms_px]\noperator = '<='\nvalue = 1", r"jitter_rms_px\.source"),
    ],
)
def test_a_wrong_limit_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, message: str
) -> None:
    (tmp_path / "limits.toml").write_text(text, "utf-8")
    monkeypatch.setattr(metrics, "configs_dir", lambda: tmp_path)
    with pytest.raises(UsageError, match=message):
        load_limits()
