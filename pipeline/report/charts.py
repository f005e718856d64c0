"""Which curves the page draws over the frames, from which reports, and what they teach."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median
from typing import Any, Literal

from pipeline.report.schema import Report, ReportedFrame

Role = Literal["before", "after", "kept"]


@dataclass(frozen=True)
class Series:
    """A curve: the sum of the values of `keys` in the frames of a report."""

    name: str
    role: Role
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Chart:
    """Curves of one stage over the frames; `caption` tells what a defect looks like.

    The axis spans at least `least_span`, so that a harmless ripple does not fill the picture. `centred`
    curves are drawn about their own medians, where only their shapes can be compared.
    """

    key: str
    stage: str
    title: str
    unit: str
    caption: str
    least_span: float
    series: tuple[Series, ...]
    centred: bool = False


def _motion(angle: str, title: str, caption: str) -> Chart:
    return Chart(
        key=angle,
        stage="stabilise",
        title=title,
        unit="degrees",
        caption=caption,
        least_span=1.0,
        series=(
            Series("as flown", "before", (f"{angle}_deg",)),
            Series("steady camera", "after", (f"steady_{angle}_deg",)),
        ),
    )


CHARTS = (
    Chart(
        key="exposure",
        stage="deflicker",
        title="Exposure",
        unit="EV",
        centred=True,
        caption="How bright the same ground is in each photo, in stops from the median. Flicker is a "
        "saw-tooth from frame to frame; a single spike is one photo that went wrong; a stair is a change "
        "of shutter, aperture or ISO. A slow curve is the light itself, and stays. After the correction "
        "only the slow curve should be left.",
        least_span=0.1,
        series=(
            Series("as photographed", "before", ("level_ev",)),
            Series("slow light, kept", "kept", ("light_ev",)),
            Series("corrected (measured on blocks held out)", "after", ("light_ev", "left_ev")),
        ),
    ),
    Chart(
        key="gain",
        stage="deflicker",
        title="Correction of the exposure",
        unit="EV",
        caption="The gain given to each frame: the mirror image of the flicker and of the stairs. A gain "
        "that wanders slowly would mean that light was taken for flicker.",
        least_span=0.1,
        series=(Series("gain", "after", ("gain_ev",)),),
    ),
    Chart(
        key="neutral",
        stage="balance",
        title="White balance, blue to amber",
        unit="mired",
        caption="The colour temperature that the camera took for neutral, on a scale of even steps (higher "
        "is a warmer light). Automatic white balance shows as steps or a wander; one flat line means that "
        "all frames are rendered alike.",
        least_span=10.0,
        series=(
            Series("camera's choice", "before", ("as_shot_mired",)),
            Series("rendered", "after", ("mired",)),
        ),
    ),
    Chart(
        key="tint",
        stage="balance",
        title="White balance, green to magenta",
        unit="Duv",
        caption="The same across that scale: above zero the light was taken for greenish, below for "
        "purplish. Jumps here are seen as flashes of green or magenta.",
        least_span=0.004,
        series=(
            Series("camera's choice", "before", ("as_shot_duv",)),
            Series("rendered", "after", ("duv",)),
        ),
    ),
    Chart(
        key="scene",
        stage="balance",
        title="Colour of the ground",
        unit="EV",
        caption="Red and blue against green of the same ground, in stops: what really changed in front of "
        "the lens. A slow slope is the light of the day; a step is a filter, a shadow or a cloud.",
        least_span=0.1,
        series=(
            Series("red against green", "before", ("scene_rg_ev",)),
            Series("blue against green", "after", ("scene_bg_ev",)),
        ),
    ),
    _motion(
        "yaw",
        "Heading",
        "Which way the camera pointed, clockwise from its first frame. A stair is a turn at a waypoint: it "
        "should become a slope. Fine teeth are shake: the steady line has none.",
    ),
    _motion(
        "pitch",
        "Tilt",
        "How far the camera looked up from where it began. Teeth are gusts and gimbal play, seen as a "
        "horizon that hops up and down.",
    ),
    _motion(
        "roll",
        "Roll",
        "How far the picture leans from where it began. Teeth make the horizon rock; a slow lean shows in "
        "turns.",
    ),
)


def chart_data(reports: Mapping[str, Report]) -> list[dict[str, Any]]:
    """Return the charts that have values: title, unit, caption and series as lists over frames."""
    drawn = []
    for chart in CHARTS:
        report = reports.get(chart.stage)
        if report is None:
            continue
        series = [_series_data(series, report.frames, chart.centred) for series in chart.series]
        series = [one for one in series if any(value is not None for value in one["y"])]
        if series:
            drawn.append(
                {
                    "key": chart.key,
                    "title": chart.title,
                    "unit": chart.unit,
                    "caption": chart.caption,
                    "range": _least_range(series, chart.least_span),
                    "series": series,
                }
            )
    return drawn


def _series_data(series: Series, frames: list[ReportedFrame], centred: bool) -> dict[str, Any]:
    values = [_sum(frame, series.keys) for frame in frames]
    known = [value for value in values if value is not None]
    middle = median(known) if centred and known else 0.0
    return {
        "name": series.name,
        "role": series.role,
        "x": [frame.frame for frame in frames],
        "y": [None if value is None else value - middle for value in values],
        "file": [frame.file or "no photo" for frame in frames],
    }


def _least_range(series: list[dict[str, Any]], least_span: float) -> list[float] | None:
    """Return the range of the axis where the values span too little to choose it, else None."""
    values = [value for one in series for value in one["y"] if value is not None]
    middle = (min(values) + max(values)) / 2
    if max(values) - min(values) >= least_span:
        return None
    return [middle - least_span / 2, middle + least_span / 2]


def _sum(frame: ReportedFrame, keys: tuple[str, ...]) -> float | None:
    values = [(frame.model_extra or {}).get(key) for key in keys]
    numbers = [v for v in values if isinstance(v, int | float) and not isinstance(v, bool)]
    return sum(numbers) if len(numbers) == len(keys) else None
