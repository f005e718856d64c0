"""The registry of measures: each once, with its unit, definition and source; limits are data."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.colour.ground import ground_delta_e
from pipeline.errors import UsageError
from pipeline.geometry.field import widest_crop
from pipeline.measure.flash import measure_flashes
from pipeline.measure.grid import uneven_rms_ev
from pipeline.measure.highpass import fast_figures
from pipeline.measure.motion import horizon_tilt_deg, jitter_rms_px, yaw_step_worst_deg
from pipeline.measure.parallax import jitter_by_cell
from pipeline.measure.speed import speed_uneven_pct
from pipeline.measure.triple import compare_with_photos, stability_score
from pipeline.measure.video import clip_figures
from pipeline.report.finding_measures import FINDING_MEASURES
from pipeline.report.measure import Measure
from pipeline.settings import configs_dir, read_toml
from pipeline.stages.balance import balance
from pipeline.stages.load import load

__all__ = ["MEASURES", "Judgement", "Limit", "Measure", "load_limits", "verdict"]

Judgement = Literal["within", "beyond", "not measured", "no limit"]

_OPERATORS: dict[str, Callable[[float, float], bool]] = {"<=": operator.le, ">=": operator.ge}


class Limit(BaseModel):
    """What a figure is held against: it passes where `figure operator value` holds."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    operator: Literal["<=", ">="]
    value: float
    source: str = Field(min_length=1)


_ALL = (
    Measure(
        key="flicker_rms_ev",
        name="flicker",
        unit="EV",
        better="lower",
        definition="Root mean square over the frames of the fast part (periods under "
        "deflicker.keep_slower_than_s of video) of how far the level of registered ground stands from the "
        "light that is kept, in stops.",
        source="High pass by a second-difference smoother of half amplitude at that period "
        "(Whittaker 1923); level from Tukey biweight log ratios of block means (design, section 4).",
        function=fast_figures,
    ),
    Measure(
        key="flicker_worst_ev",
        name="worst flicker",
        unit="EV",
        better="lower",
        definition="The largest fast departure of one frame's level from the slow light, in stops.",
        source="As for the flicker.",
        function=fast_figures,
    ),
    Measure(
        key="outlier_frames",
        name="outlier frames",
        unit="frames",
        better="lower",
        definition="Number of frames whose fast departure is beyond three robust standard deviations.",
        source="Robust standard deviation = 1.4826 x median absolute deviation (Hampel 1974).",
        function=fast_figures,
    ),
    Measure(
        key="uneven_rms_ev",
        name="flicker across the picture",
        unit="EV",
        better="lower",
        definition="Root mean square over the frames and a grid of 6 x 4 places of the fast part of how far "
        "each place of the picture stands from the frame's level, in stops.",
        source="Fields fitted to the ratios of registered blocks; the same high pass as for the flicker.",
        function=uneven_rms_ev,
    ),
    Measure(
        key="neutral_rms_mired",
        name="wander of the neutral, blue to amber",
        unit="mired",
        better="lower",
        definition="Root mean square over the frames of the fast part of how far the neutral in use stands "
        "from the one that the ground asks for, in reciprocal megakelvin of correlated colour temperature.",
        source="CCT as Ohno 2013 defines it; mired = 1,000,000 / CCT (CIE 015).",
        function=balance,
    ),
    Measure(
        key="neutral_duv_rms",
        name="wander of the neutral, green to magenta",
        unit="Duv",
        better="lower",
        definition="The same across the Planckian locus, in CIE 1960 u, v.",
        source="Duv as Ohno 2013 defines it.",
        function=balance,
    ),
    Measure(
        key="neutral_drift_mired",
        name="slow drift between light and neutral",
        unit="mired",
        better="lower",
        definition="Range over the sequence of the slow part of that same distance: what the picture turns "
        "warmer or bluer by, which with a locked neutral is the light's own change and wanted.",
        source="As for the wander; slow and fast told apart by the filter of the flicker.",
        function=balance,
    ),
    Measure(
        key="ground_delta_e_rms",
        name="colour flicker of the ground",
        unit="ΔE2000",
        better="lower",
        definition="Root mean square over the frames of the CIEDE2000 between the ground as rendered and as "
        "the slow part of its colour would have it, at the same luminance.",
        source="CIE 142:2001 (Sharma, Wu, Dalal 2005) through scikit-image; ground as for the flicker.",
        function=ground_delta_e,
    ),
    Measure(
        key="ground_delta_e_worst",
        name="worst colour flicker of the ground",
        unit="ΔE2000",
        better="lower",
        definition="The largest such CIEDE2000 of one frame.",
        source="As for the colour flicker.",
        function=ground_delta_e,
    ),
    Measure(
        key="jitter_rms_px",
        name="jitter",
        unit="px",
        better="lower",
        definition="Root mean square of the fast part of the orientation path, in pixels of the delivered "
        "picture: what turning alone does to it.",
        source="High pass as for the flicker (design, section 4).",
        function=jitter_rms_px,
    ),
    Measure(
        key="yaw_step_worst_deg",
        name="worst yaw step",
        unit="deg",
        better="lower",
        definition="The largest change of heading from one photo to the next, less the slow turning.",
        source="Heading of the camera rotation averaged over pairs of frames (design, section 6).",
        function=yaw_step_worst_deg,
    ),
    Measure(
        key="speed_uneven_pct",
        name="uneven speed over the ground",
        unit="%",
        better="lower",
        definition="Root mean square departure from its mean of the camera's way from frame to frame, in "
        "distances from the ground, per cent of the mean.",
        source="Way between two views of a plane, turning taken out (Hartley and Zisserman, Multiple View "
        "Geometry, 2nd ed., eq. 13.2).",
        function=speed_uneven_pct,
    ),
    Measure(
        key="horizon_tilt_deg",
        name="tilt of the horizon",
        unit="deg",
        better="lower",
        definition="Root mean square of how far the horizon is turned from level.",
        source="Downward direction by the photos' attitude, averaged over the flight (design, section 6).",
        function=horizon_tilt_deg,
    ),
    Measure(
        key="parallax_jitter_px",
        name="parallax jitter",
        unit="px",
        better="lower",
        definition="Root mean square over parts of the picture of the fast part of the ground's way in the "
        "steady view, in pixels of the delivered picture: what the drone's unsteady place does to it.",
        source="Way of held-out matches in 3 x 3 parts; high pass as for the flicker.",
        function=jitter_by_cell,
    ),
    Measure(
        key="ground_jitter_px",
        name="jitter of the ground",
        unit="px",
        better="lower",
        definition="Root mean square over the picture of the fast part of the ground's way as it is seen, in "
        "pixels of the delivered picture: turning, the drone's place and the rendering together.",
        source="Points followed from frame to frame; high pass as for the flicker (design, section 4).",
        function=clip_figures,
    ),
    Measure(
        key="crop_ratio",
        name="crop ratio",
        unit="",
        better="higher",
        definition="Width of the delivered picture over the width of the largest rectangle of its shape in "
        "the photo.",
        source="Liu, Yuan, Tan, Sun, Bundled camera paths for video stabilization, ACM TOG 32(4), 2013.",
        function=widest_crop,
    ),
    Measure(
        key="flashes_per_s",
        name="flashes",
        unit="a second",
        better="lower",
        definition="The most general or red flashes in any second over more than a quarter of a field of 10 "
        "degrees.",
        source="WCAG 2.2, success criterion 2.3.1 (W3C Recommendation).",
        function=measure_flashes,
    ),
    Measure(
        key="stability_score",
        name="stability score",
        unit="",
        better="higher",
        definition="Share of the energy of the ground's path, freed of a quadratic, at its five lowest "
        "frequencies; the least of x, y and turning (pipeline/measure/triple.py, version 1).",
        source="Liu, Yuan, Tan, Sun, Bundled camera paths for video stabilization, ACM TOG 32(4), 2013.",
        function=stability_score,
    ),
    Measure(
        key="distortion_value",
        name="distortion value",
        unit="",
        better="higher",
        definition="Smaller over larger singular value of the affine part of the homography from photo to "
        "video frame, the least of a dozen frames; 1 is none.",
        source="Liu, Yuan, Tan, Sun, Bundled camera paths for video stabilization, ACM TOG 32(4), 2013.",
        function=compare_with_photos,
    ),
    Measure(
        key="missing_count",
        name="missing photos",
        unit="photos",
        better="lower",
        definition="Places of the timeline without a usable photo: missing, torn, or left out.",
        source="Capture times against the sequence's own interval (design, section 2).",
        function=load,
    ),
)

MEASURES: dict[str, Measure] = {measure.key: measure for measure in (*_ALL, *FINDING_MEASURES)}


def load_limits() -> dict[str, Limit]:
    """Read `configs/limits.toml`: key of a measure -> its limit.

    Raises UsageError, naming the entry, where the file is wrong.
    """
    limits = {}
    for key, entry in read_toml(configs_dir() / "limits.toml").items():
        if key not in MEASURES:
            raise UsageError(f"limits.toml holds a limit for '{key}', which is no measure")
        try:
            limits[key] = Limit.model_validate(entry)
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in (key, *first["loc"]))
            raise UsageError(f"limits.toml: {place}: {first['msg']}") from error
    return limits


def verdict(value: float | None, limit: Limit | None) -> Judgement:
    """Hold a figure against its limit."""
    if value is None:
        return "not measured"
    if limit is None:
        return "no limit"
    return "within" if _OPERATORS[limit.operator](value, limit.value) else "beyond"
