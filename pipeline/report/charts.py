"""Which curves the page draws over the frames, from which reports, and what they teach."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median
from typing import Any, Literal

from pipeline.report.columns import Column

# "bad" and "accent" tell two measures of the photos apart, as red and blue.
Role = Literal["before", "after", "kept", "bad", "accent"]


@dataclass(frozen=True)
class Series:
    """A curve: the sum over frames of the values of `keys`, each "key" of the chart's stage."""

    name: str
    role: Role
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Chart:
    """Curves of one stage over the frames; `caption` tells what a defect looks like.

    The axis spans at least `least_span`, so that a harmless ripple does not fill the picture. `centred`
    curves are drawn about their own medians, where only their shapes can be compared. `causes` are those
    of findings whose frames are marked in it. `from_zero` shows shares, which are never negative, from zero.
    """

    key: str
    stage: str
    title: str
    unit: str
    caption: str
    least_span: float
    series: tuple[Series, ...]
    centred: bool = False
    from_zero: bool = False
    causes: tuple[str, ...] = ()


def _motion(angle: str, title: str, caption: str, *causes: str) -> Chart:
    return Chart(
        key=angle,
        stage="stabilise",
        title=title,
        unit="degrees",
        caption=caption,
        least_span=1.0,
        causes=causes,
        series=(
            Series("as flown", "before", (f"{angle}_deg",)),
            Series("steady camera", "after", (f"steady_{angle}_deg",)),
        ),
    )


_CHANGES = ("exposure_flicker", "exposure_change", "flashing")

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
        causes=(*_CHANGES, "light_change"),
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
        causes=("auto_white_balance",),
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
            Series("red against green", "bad", ("scene_rg_ev",)),
            Series("blue against green", "accent", ("scene_bg_ev",)),
        ),
    ),
    _motion(
        "yaw",
        "Heading",
        "Which way the camera pointed, clockwise from its first frame. A stair is a turn at a waypoint: it "
        "should become a slope. Fine teeth are shake: the steady line has none.",
        "heading_step",
        "shake",
    ),
    _motion(
        "pitch",
        "Tilt",
        "How far the camera looked up from where it began. Teeth are gusts and gimbal play, seen as a "
        "horizon that hops up and down.",
        "pitch_step",
        "shake",
    ),
    _motion(
        "roll",
        "Roll",
        "How far the picture leans from where it began. Teeth make the horizon rock; a slow lean shows in "
        "turns.",
        "horizon_tilt",
        "shake",
    ),
    Chart(
        key="pace",
        stage="motion",
        title="Ground speed",
        unit="% of usual",
        caption="How fast the drone passes over the ground from each photo to the next, against its usual "
        "speed. A dip is seen as a stall, a peak as a rush; an even pace is flat.",
        least_span=40.0,
        causes=("uneven_speed",),
        series=(Series("as flown", "before", ("pace_pct",)),),
    ),
    Chart(
        key="motion",
        stage="motion",
        title="Ground motion and blur",
        unit="px a frame",
        caption="How far the ground moves in the video from frame to frame, and how much of that the open "
        "shutter smears. Blur far under half of the motion looks choppy, much more than it looks soft.",
        least_span=4.0,
        causes=("shutter_short", "shutter_long"),
        series=(
            Series("motion", "kept", ("px",)),
            Series("blur of the photo", "before", ("blur_px",)),
        ),
    ),
    Chart(
        key="sharpness",
        stage="photo",
        title="Sharpness",
        unit="stops of detail",
        caption="How much fine detail each photo shows of the same ground as its neighbours. A single dip "
        "is a photo shaken or blown; a long valley is focus, haze or a wet lens.",
        least_span=2.0,
        causes=("soft", "shutter_long"),
        series=(Series("as photographed", "before", ("sharper",)),),
    ),
    Chart(
        key="clipping",
        stage="photo",
        title="Clipping",
        unit="% of the picture",
        caption="The share of the picture that is burnt out at the top or lost in black, in the worst "
        "channel. What is burnt cannot be brought back: a white patch that comes and goes.",
        least_span=2.0,
        from_zero=True,
        causes=("sky_clipped", "ground_crushed"),
        series=(
            Series("burnt out", "bad", ("clipped_pct",)),
            Series("lost in black", "accent", ("crushed_pct",)),
        ),
    ),
    Chart(
        key="veil",
        stage="photo",
        title="Haze",
        unit="% of white",
        caption="The light that lies over the whole picture, even over its darkest parts. It rises with "
        "haze, against the sun, and with a smeared lens.",
        least_span=5.0,
        from_zero=True,
        causes=("haze",),
        series=(Series("veil", "before", ("veil_pct",)),),
    ),
)


def chart_data(columns: Mapping[tuple[str, str], Column]) -> list[dict[str, Any]]:
    """Return the charts that have values: title, unit, caption and series as lists over frames."""
    drawn = []
    for chart in CHARTS:
        series = [_series_data(one, chart, columns) for one in chart.series]
        series = [one for one in series if any(value is not None for value in one["y"])]
        if series:
            drawn.append(
                {
                    "key": chart.key,
                    "title": chart.title,
                    "unit": chart.unit,
                    "caption": chart.caption,
                    "range": _least_range(series, chart.least_span, from_zero=chart.from_zero),
                    "causes": chart.causes,
                    "series": series,
                }
            )
    return drawn


def _series_data(series: Series, chart: Chart, columns: Mapping[tuple[str, str], Column]) -> dict[str, Any]:
    found = [columns.get((chart.stage, key)) for key in series.keys]
    values: Column = []
    if all(column is not None for column in found):
        values = [_sum(row) for row in zip(*(column for column in found if column), strict=True)]
    known = [value for value in values if value is not None]
    middle = median(known) if chart.centred and known else 0.0
    return {
        "name": series.name,
        "role": series.role,
        "y": [None if value is None else float(f"{value - middle:.6g}") for value in values],
    }


def _least_range(series: list[dict[str, Any]], least_span: float, *, from_zero: bool) -> list[float] | None:
    """Return the range of the axis where the values span too little to choose it, else None."""
    values = [value for one in series for value in one["y"] if value is not None]
    middle = (min(values) + max(values)) / 2
    if max(values) - min(values) >= least_span:
        return None
    if from_zero and min(values) >= 0.0 and max(values) <= least_span:
        return [-0.03 * least_span, least_span]
    return [middle - least_span / 2, middle + least_span / 2]


def _sum(values: tuple[float | None, ...]) -> float | None:
    numbers = [value for value in values if value is not None]
    return sum(numbers) if len(numbers) == len(values) else None
