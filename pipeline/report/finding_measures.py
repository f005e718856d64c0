"""The measures that findings rest on, beside those of the stages (`pipeline/report/metrics.py`)."""

from __future__ import annotations

from pipeline.measure.blades import blade_shadows
from pipeline.measure.blur import blur_effect, sharpness_ratio
from pipeline.measure.course import off_course_pct, speed_steps_pct, steps, turn_changes
from pipeline.measure.exposure import captured_ev
from pipeline.measure.haze import veil_share
from pipeline.measure.highpass import fast_figures
from pipeline.measure.proxy import make_proxy
from pipeline.measure.speed import ground_motion
from pipeline.measure.spots import fixed_spots
from pipeline.measure.store import Measurements
from pipeline.measure.subject import follow_subject
from pipeline.report.evidence import StageFacts
from pipeline.report.measure import Measure
from pipeline.stages.load import load

FINDING_MEASURES = (
    Measure(
        key="turn_fields_per_s",
        name="turn",
        unit="fields of view a second",
        better="lower",
        definition="How far the camera turns from one photo to the next, in fields of view per second of"
        " video: of a step beyond the turn around it, or of a lasting turn.",
        source="A view should take seven seconds to pass (common practice of panning, no source).",
        function=steps,
    ),
    Measure(
        key="turn_change_deg",
        name="change of turn",
        unit="deg",
        better="lower",
        definition="How much the turn from photo to photo changes at once, beside an evenly growing turn.",
        source="Common practice, no source.",
        function=turn_changes,
    ),
    Measure(
        key="speed_step_pct",
        name="change of speed",
        unit="%",
        better="lower",
        definition="How far the ground's speed in one interval departs from that of the intervals before"
        " or after it, over the usual speed.",
        source="Ground speed by the ground's plane (Hartley and Zisserman, Multiple View Geometry, "
        "2nd ed., eq. 13.2).",
        function=speed_steps_pct,
    ),
    Measure(
        key="off_course_pct",
        name="drift off the course",
        unit="%",
        better="lower",
        definition="Root mean square of how far the camera lies off its smooth course, sideways and in "
        "height, over its distance from the ground.",
        source="Way by the ground's plane, high pass as for the flicker.",
        function=off_course_pct,
    ),
    Measure(
        key="tilt_deg",
        name="tilt of the horizon",
        unit="deg",
        better="lower",
        definition="How far the picture leans, by the camera's own attitude and the turning seen in the "
        "picture.",
        source="EXIF and XMP attitude; design, section 6.",
        function=StageFacts.column,
    ),
    Measure(
        key="shutter_angle_deg",
        name="shutter angle",
        unit="deg",
        better="higher",
        definition="360 degrees times the exposure time over the interval: how much of its way each "
        "thing leaves in a photo.",
        source="Design, section 4.",
        function=StageFacts.column,
    ),
    Measure(
        key="smear_pct",
        name="smear",
        unit="%",
        better="lower",
        definition="How far the ground moves in the steady view while the shutter is open, over the "
        "picture's width.",
        source="Design, section 4: ground motion times shutter over interval.",
        function=ground_motion,
    ),
    Measure(
        key="blur_effect",
        name="blur",
        unit="",
        better="lower",
        definition="Share of the differences between neighbouring pixels that a further blur leaves, "
        "along the sharper of the two axes.",
        source="F. Crete and others, The blur effect, Proc. SPIE 6492 (2007).",
        function=blur_effect,
    ),
    Measure(
        key="softening_pct",
        name="softening",
        unit="%",
        better="lower",
        definition="How much less contrast of fine texture a frame shows than others do of the same ground.",
        source="Gradient energy of registered blocks.",
        function=sharpness_ratio,
    ),
    Measure(
        key="exposure_step_ev",
        name="change of exposure settings",
        unit="EV",
        better="lower",
        definition="Change of shutter time, aperture and ISO from one photo to the next.",
        source="APEX: Exif 3.0 annex C; ISO 2720.",
        function=captured_ev,
    ),
    Measure(
        key="light_range_ev",
        name="change of the light",
        unit="EV",
        better="lower",
        definition="From the darkest to the brightest of the slow light of the flight.",
        source="Level and filter as for the flicker.",
        function=fast_figures,
    ),
    Measure(
        key="sky_clipped_pct",
        name="clipped",
        unit="%",
        better="lower",
        definition="Share of photosites at saturation, of the channel that has most.",
        source="Design, section 4.",
        function=make_proxy,
    ),
    Measure(
        key="ground_crushed_pct",
        name="crushed",
        unit="%",
        better="lower",
        definition="Share of photosites at black, of the middle one of the three channels.",
        source="Design, section 4.",
        function=make_proxy,
    ),
    Measure(
        key="veil_pct",
        name="haze",
        unit="%",
        better="lower",
        definition="How bright haze makes the darkest near ground, over the brightest white of the picture.",
        source="Dark channel: K. He, J. Sun, X. Tang, IEEE PAMI 33(12), 2011.",
        function=veil_share,
    ),
    Measure(
        key="spot_pct",
        name="lens spot",
        unit="%",
        better="lower",
        definition="Share of light that a spot fixed in the frame takes from its surroundings.",
        source="Light of the same ground at different places of the frame (after Goldman, PAMI 2010).",
        function=fixed_spots,
    ),
    Measure(
        key="blade_pct",
        name="propeller shadow",
        unit="%",
        better="lower",
        definition="Share of light that a dark band across the top of one photo takes, against the "
        "photos beside it.",
        source="Design, section 4; our own measure.",
        function=blade_shadows,
    ),
    Measure(
        key="hot_count",
        name="hot photosites",
        unit="photosites",
        better="lower",
        definition="Photosites that glow by themselves in all photos.",
        source="Our own measure (pipeline/measure/hot.py).",
        function=Measurements,
    ),
    Measure(
        key="torn_count",
        name="torn files",
        unit="files",
        better="lower",
        definition="Photos whose file is damaged or of another size than the others.",
        source="Design, section 2.",
        function=load,
    ),
    Measure(
        key="duplicate_count",
        name="copies",
        unit="files",
        better="lower",
        definition="Files that are copies of a photo already in the timeline.",
        source="Design, section 2.",
        function=load,
    ),
    Measure(
        key="interval_off_pct",
        name="uneven interval",
        unit="%",
        better="lower",
        definition="How far the time from one photo to the next departs from the interval of the sequence.",
        source="Capture times.",
        function=load,
    ),
    Measure(
        key="subject_shown_pct",
        name="subject in the picture",
        unit="%",
        better="higher",
        definition="Share of the subject's box that the steady view shows.",
        source="Matches in and around the box, from pair to pair.",
        function=follow_subject,
    ),
)
