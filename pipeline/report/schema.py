"""The one shape of all stage reports, and writing and reading them."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, Self, get_args

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue, ValidationError, model_validator

from pipeline import __version__
from pipeline.errors import EvenflightError
from pipeline.stages.result import StageResult

Stage = Literal["load", "balance", "deflicker", "stabilise", "encode"]
STAGES: tuple[Stage, ...] = get_args(Stage)
Status = Literal["complete", "skipped", "failed"]
Figure = int | float | None


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class ReportedSetting(_Record):
    """A setting as it was in effect, and who set it: `default`, a file, or `--set`."""

    value: JsonValue
    origin: str = Field(alias="from")


class ReportedFrame(BaseModel):
    """What a stage saw and did at one place of the timeline; further keys are the stage's own."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)
    __pydantic_extra__: dict[str, JsonValue] = Field(init=False)

    frame: int = Field(ge=0, description="0-based place in the timeline, missing photos counted")
    file: str | None = Field(description="path relative to the card; null for a missing photo")


class Report(_Record):
    """Report of one stage on one sequence (`load.json` to `encode.json`).

    `found` was measured before the stage, `left` after its correction, with the same keys (those of
    `pipeline.report.metrics`). A value that could not be measured is null, and `unmeasured` says why
    under "found.<key>" or "left.<key>".
    """

    schema_name: Literal["evenflight-report-1"] = Field("evenflight-report-1", alias="schema")
    stage: Stage
    version: str = Field(description="version of evenflight that wrote this")
    made_at: AwareDatetime
    seconds: float = Field(ge=0.0, description="wall time of the stage")
    status: Status
    why: str | None = Field(None, description="reason of a status other than complete")
    fingerprint: str = Field(description="of the inputs and settings; the same means nothing to repeat")
    settings: dict[str, ReportedSetting]
    found: dict[str, Figure]
    applied: dict[str, JsonValue]
    left: dict[str, Figure]
    frames: list[ReportedFrame]
    warnings: list[str]
    unmeasured: dict[str, str]

    @model_validator(mode="after")
    def _nothing_unexplained(self) -> Self:
        if self.status != "complete" and not self.why:
            raise ValueError(f"the status '{self.status}' needs a reason in 'why'")
        if self.found.keys() != self.left.keys():
            odd = ", ".join(sorted(self.found.keys() ^ self.left.keys()))
            raise ValueError(f"'found' and 'left' must hold the same keys; only one has {odd}")
        nulls = {
            f"{part}.{key}"
            for part, figures in (("found", self.found), ("left", self.left))
            for key, value in figures.items()
            if value is None
        }
        if nulls - self.unmeasured.keys():
            raise ValueError(
                f"no reason in 'unmeasured' for {', '.join(sorted(nulls - self.unmeasured.keys()))}"
            )
        if self.unmeasured.keys() - nulls:
            odd = ", ".join(sorted(self.unmeasured.keys() - nulls))
            raise ValueError(f"'unmeasured' gives a reason for what has a value: {odd}")
        return self


def as_json(value: Any) -> str:
    """Return JSON with sorted keys and a newline at the end; NaN and infinities become null.

    NumPy scalars and arrays are written as numbers and lists.
    """
    return json.dumps(_plain(value), indent=1, sort_keys=True, allow_nan=False, ensure_ascii=False) + "\n"


def write_text(path: Path, text: str) -> None:
    """Write a file so that it is either whole or not there: a temporary name, then a rename.

    Raises EvenflightError where the file cannot be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise EvenflightError(
            f"cannot write {path}: {reason}; choose an output folder with room that may be written to"
        ) from error


def write_report(
    path: Path,
    stage: Stage,
    result: StageResult,
    *,
    seconds: float,
    fingerprint: str,
    settings: Mapping[str, Mapping[str, Any]],
    status: Status = "complete",
    why: str | None = None,
) -> Report:
    """Write the report of a stage, and return it.

    `settings` is what `Configured.effective` returns. Raises ValueError (a mistake in the stage) for a
    figure without a value and without a reason, and EvenflightError where the file cannot be written.
    """
    report = Report(
        stage=stage,
        version=__version__,
        made_at=datetime.now(UTC).replace(microsecond=0),
        seconds=round(seconds, 3),
        status=status,
        why=why,
        fingerprint=fingerprint,
        settings={key: ReportedSetting.model_validate(value) for key, value in settings.items()},
        found=_plain(result.found),
        applied=_plain(result.applied),
        left=_plain(result.left),
        frames=[ReportedFrame.model_validate(_plain(frame)) for frame in result.frames],
        warnings=result.warnings,
        unmeasured=result.unmeasured,
    )
    write_text(path, as_json(report.model_dump(mode="json", by_alias=True)))
    return report


def read_report(path: Path) -> Report:
    """Read a report; raise EvenflightError, naming the file, where it is absent or not such a report."""
    name = f"{path.parent.name}/{path.name}"
    try:
        return Report.model_validate_json(path.read_bytes())
    except OSError as error:
        reason = error.strerror or str(error)
        raise EvenflightError(f"cannot read the report {name}: {reason}; run the sequence again") from error
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise EvenflightError(
            f"{name} is not a report of evenflight ({place + ': ' if place else ''}{first['msg']}); "
            "delete it and run the sequence again"
        ) from error


def _plain(value: Any) -> Any:
    """Return `value` in the types of JSON, with null for numbers that JSON does not have."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):  # NumPy arrays and scalars
        return _plain(value.tolist())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
