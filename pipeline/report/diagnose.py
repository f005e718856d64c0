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
_MENDED_COUNTS = 0.5
_MOST_NAMES = 4


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
    return _GRAVITY[finding.severity], _disturbance(finding)


def _disturbance(finding: Finding) -> float:
    """How much a finding disturbed the viewer before any correction."""
    return min(finding.ratio, _MOST_RATIO) * _DISTURBS[finding.cause]


def gravest(found: list[Finding]) -> Finding:
    """Return the finding that the verdict begins with, of those that `found` holds in order.

    Flashing can do harm, so it is told whether mended or not. What still spoils the video comes next. Else it
    is what went most wrong in the air: a pilot learns more from a heavy fault that was mended than from a
    slight one that still shows, and so a mended one counts half.
    """
    flashing = next((finding for finding in found if finding.cause == "flashing"), None)
    if flashing is not None:
        return flashing
    if found[0].severity == "spoils":
        return found[0]
    return max(found, key=lambda finding: _disturbance(finding) * (_MENDED_COUNTS if finding.mended else 1.0))


def verdict(evidence: Evidence, found: list[Finding]) -> str:
    """Return three sentences: the cause that matters most, what else there is, and what to do about it."""
    if not found:
        return (
            "Nothing that was measured disturbs this flight. "
            f"All {evidence.count} frames stay within their limits. "
            "Fly the next one the same way."
        )
    worst = gravest(found)
    rest = [finding for finding in found if finding is not worst]
    return " ".join(
        (_first(worst, evidence.rendered), _second(worst, rest, evidence.rendered), _third(worst))
    )


def _first(worst: Finding, rendered: bool) -> str:
    seen = worst.seen[0].upper() + worst.seen[1:]
    mended = (" (mended in the video)" if rendered else " (`run` mends it)") if worst.mended else ""
    return f"{seen}{mended}: {worst.why}."


def _second(worst: Finding, rest: list[Finding], rendered: bool) -> str:
    """What else there is: what still shows, then what was mended, by name."""
    if not rest:
        if worst.mended:
            return "Nothing else is beyond its limit."
        state = "it is still there in the video" if rendered else "`run` will not mend it"
        return f"That is the only thing beyond its limit, and {state}."
    shows, mends = (
        ("still to be seen", "mended") if rendered else ("beyond what `run` mends", "`run` also mends")
    )
    parts = [
        f"{words}: {listed}"
        for words, listed in (
            (shows, _listed([finding for finding in rest if not finding.mended])),
            (mends, _listed([finding for finding in rest if finding.mended])),
        )
        if listed
    ]
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def _listed(found: list[Finding]) -> str:
    names = list(dict.fromkeys(finding.cause.replace("_", " ") for finding in found))
    return ", ".join(names[:_MOST_NAMES]) + (" and more" if len(names) > _MOST_NAMES else "")


def _third(worst: Finding) -> str:
    air, desk = worst.remedy.air, worst.remedy.desk
    return f"At the desk: {desk}." if air is None else f"Next time: {air}."


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
