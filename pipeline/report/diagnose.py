"""The diagnosis of a flight: its findings, the gravest first, and a verdict of three sentences."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from pipeline.report.evidence import Evidence
from pipeline.report.findings.card import card_findings
from pipeline.report.findings.colour import colour_findings
from pipeline.report.findings.exposure import exposure_findings
from pipeline.report.findings.finding import Cause, Finding, Limits
from pipeline.report.findings.motion import motion_findings
from pipeline.report.findings.sharpness import sharpness_findings

CAUTION = (
    "These figures are photographic, not a clearance to fly: local aviation law and no-fly zones, the "
    "maker's limits, the drone in sight, a battery reserve, people below, obstacles and wind come first."
)

_GRAVITY = {"note": 0, "visible": 1, "spoils": 2}

# How much a cause of the same severity disturbs the viewer: what moves or blinks before what merely is.
_DISTURBS: dict[Cause, float] = {
    "flashing": 100.0,
    "exposure_flicker": 1.0,
    "heading_step": 1.0,
    "pitch_step": 1.0,
    "shake": 1.0,
    "subject_lost": 1.0,
    "propeller_shadow": 1.0,
    "soft": 1.0,
    "lens_spot": 0.9,
    "shutter_long": 0.9,
    "auto_white_balance": 0.8,
    "exposure_change": 0.8,
    "uneven_speed": 0.7,
    "haze": 0.7,
    "missing": 0.6,
    "torn": 0.6,
    "sky_clipped": 0.6,
    "horizon_tilt": 0.6,
    "interval_irregular": 0.5,
    "position_drift": 0.5,
    "shutter_short": 0.5,
    "ground_crushed": 0.4,
    "light_change": 0.3,
    "hot_pixel": 0.3,
    "duplicate": 0.1,
}

_MOST_RATIO = 10.0


class Diagnosis(BaseModel):
    """What is wrong with a flight (`diagnosis.json`): findings, the gravest first, and the verdict."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    schema_name: Literal["evenflight-diagnosis-1"] = Field("evenflight-diagnosis-1", alias="schema")
    id: str
    verdict: str = Field(description="three sentences, of which the first names the cause that matters most")
    findings: list[Finding]
    not_measured: list[str] = Field(description="what could not be looked at, and why")
    caution: str = CAUTION


def diagnose(evidence: Evidence) -> Diagnosis:
    """Draw the findings of a flight from all that is known of it."""
    limits = Limits()
    families = (
        exposure_findings,
        motion_findings,
        colour_findings,
        sharpness_findings,
        card_findings,
    )
    found = [finding for family in families for finding in family(evidence, limits)]
    found.sort(key=weight, reverse=True)
    return Diagnosis(
        id=evidence.id,
        verdict=verdict(evidence, found),
        findings=found,
        not_measured=_not_measured(evidence),
    )


def weight(finding: Finding) -> tuple[int, float]:
    """Return the order of findings: by what is left to see, then by what was there."""
    before = min(finding.ratio, _MOST_RATIO) * _DISTURBS[finding.cause]
    return _GRAVITY[finding.severity], before


def verdict(evidence: Evidence, found: list[Finding]) -> str:
    """Return three sentences: the cause that matters most, what else there is, and what to do about it."""
    if not found:
        return (
            "Nothing that was measured disturbs this flight. "
            f"All {evidence.count} frames stay within their limits. "
            "Fly the next one the same way."
        )
    worst = found[0]
    return " ".join((_first(worst), _second(evidence, found), _third(worst)))


def _first(worst: Finding) -> str:
    seen = worst.seen[0].upper() + worst.seen[1:]
    return f"{seen}: {worst.why}."


def _second(evidence: Evidence, found: list[Finding]) -> str:
    rest = found[1:]
    mends = "was mended" if evidence.rendered else "can be mended by `run`"
    mended = sum(finding.mended for finding in found)
    if not rest:
        state = f"it {mends}" if found[0].mended else "it is still there in the video"
        if not evidence.rendered and not found[0].mended:
            state = "`run` will not mend it"
        return f"That is the only thing beyond its limit, and {state}."
    names = list(dict.fromkeys(f.cause.replace("_", " ") for f in rest if f.cause != found[0].cause))
    listed = ", ".join(names[:4]) + (" and more" if len(names) > 4 else "")
    also = f"Also found: {listed}" if names else f"It happens {len(found)} times"
    return f"{also}; of all {len(found)} findings {mended} {'were' if mended != 1 else 'was'} " + (
        "mended." if evidence.rendered else "such as `run` mends."
    )


def _third(worst: Finding) -> str:
    air, desk = worst.remedy.air, worst.remedy.desk
    if worst.mended or air is None:
        return f"At the desk: {desk or air}."
    return f"Next time: {air}."


def _not_measured(evidence: Evidence) -> list[str]:
    absent: list[str] = []
    for name in ("load", "balance", "deflicker", "stabilise", "encode"):
        if not getattr(evidence, name).frames:
            absent.append(f"the stage {name} has not been done")
    if not evidence.looks:
        absent.append(
            "the measurements in work/ are gone, or of another version: clipping, haze, sharpness and spots "
            "were not judged"
        )
    if evidence.flashes_found is None:
        absent.append(
            "the thumbnails in work/thumbs are gone: flashing photos and propellers were not judged"
        )
    if evidence.settings.subject is not None and evidence.subject is None:
        absent.append("diagnose.subject names a frame that is not in this flight")
    return absent
