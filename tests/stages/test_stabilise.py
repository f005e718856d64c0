"""The camera's turning, the steady path and the crop of synthetic flights of known truth."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, fields

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.corrections import Corrections, FrameCorrection, LensDistortion
from pipeline.geometry.lens import Lens
from pipeline.measure.highpass import slow_part
from pipeline.measure.light import BlockRatios
from pipeline.measure.look import PairFigures
from pipeline.measure.pairs import BASELINES, Registration
from pipeline.measure.turning import focal_length, shown_frames, solve_motion
from pipeline.render.resample import check_inside, output_to_source
from pipeline.sequence import Sequence
from pipeline.settings import StabiliseSettings
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, stabilise
from tests.geometry.scene import FOCAL, HEIGHT, WIDTH, camera_axes, ground, seen, shaken
from tests.stages.flights import sequence_of

COUNT = 30
SHAPE = (16, 9)
OUT_WIDTH = 1920
PERIOD = 60.0
SCALE = 1000.0 / WIDTH
SETTINGS = StabiliseSettings()
NO_BLOCKS = BlockRatios(**{field.name: np.zeros((0, 3), np.float32) for field in fields(BlockRatios)})


@pytest.fixture(scope="module")
def executor() -> Iterator[Executor]:
    with ThreadPoolExecutor(2) as pool:
        yield pool


@dataclass(frozen=True)
class Flight:
    """True orientations (n, 3, 3) and the pairs that measuring would give."""

    orientations: np.ndarray
    pairs: list[PairFigures]


def registration(here: np.ndarray, there: np.ndarray) -> Registration:
    """Matches as the measuring hands them on, and the homography of the plane that most lie on."""
    homography, mask = None, np.zeros((len(here), 1))
    if len(here) >= 12:
        reduced = [((points + 0.5) * SCALE - 0.5).astype(np.float32) for points in (here, there)]
        homography, mask = cv2.findHomography(*reduced, cv2.USAC_MAGSAC, 1.5, None, 2000, 0.999)
    return Registration(
        here.astype(np.float32), there.astype(np.float32), homography, mask.ravel().astype(bool), SCALE
    )


def flight(
    yaw_deg: np.ndarray,
    *,
    pitch_deg: float = -25.0,
    speed_m: float = 2.0,
    place_jitter_m: float = 0.0,
    shake_deg: float = 0.5,
    relief_m: float = 15.0,
    wrong: float = 0.1,
    noise_px: float = 0.2,
    missing: tuple[int, ...] = (),
    blind: tuple[int, ...] = (),
    course_deg: float = 0.0,
    climb_m: float = 0.0,
    matches: int = 350,
    seed: int = 0,
) -> Flight:
    """A flight `course_deg` off its heading, climbing by `climb_m` a photo; `blind` frames match nothing."""
    rng = np.random.default_rng(seed)
    count = len(yaw_deg)
    truth = np.stack([shaken(camera_axes(yaw, pitch_deg), rng, shake_deg) for yaw in yaw_deg])
    ways = np.stack([camera_axes(yaw + course_deg, 0.0)[2] for yaw in yaw_deg]) * speed_m
    ways[:, 2] += climb_m
    places = np.cumsum(ways, axis=0) - ways[0] + rng.normal(0.0, place_jitter_m, (count, 3))
    # tiles of ground about each frame's own place, so that every view is filled
    points = np.concatenate(
        [ground(500, camera_axes(yaw, pitch_deg), rng, relief_m) + place * [1.0, 1.0, 0.0]
         for yaw, place in zip(yaw_deg, places, strict=True)]
    )  # fmt: skip
    views = [seen(points, attitude, place) for attitude, place in zip(truth, places, strict=True)]
    there = [k for k in range(count) if k not in missing]
    pairs = []
    for place, j in enumerate(there):
        for i in [there[place - baseline] for baseline in BASELINES if baseline <= place]:
            both = rng.permutation(np.flatnonzero(views[i][1] & views[j][1]))[:matches]
            if i in blind or j in blind:
                both = both[:0]
            here, other = (views[k][0][both] + rng.normal(0.0, noise_px, (len(both), 2)) for k in (i, j))
            bad = rng.random(len(both)) < wrong
            other[bad] += rng.normal(0.0, 30.0, (int(bad.sum()), 2))
            registered = registration(here, other)
            pairs.append(PairFigures(i, j, registered, NO_BLOCKS, registered.homography is not None))
    return Flight(truth, pairs)


def sequence(count: int = COUNT, **how: object) -> Sequence:
    facts = {"focal_px": FOCAL, "focal_from": "invented", **how}
    return sequence_of(count, width=WIDTH, height=HEIGHT, **facts)  # type: ignore[arg-type]


def solved(
    flown: Flight,
    executor: Executor,
    sequence_: Sequence | None = None,
    settings: StabiliseSettings = SETTINGS,
) -> tuple[Stabilised, StageResult]:
    frames = sequence_ or sequence(len(flown.orientations))
    return stabilise(frames, flown.pairs, settings, SHAPE, OUT_WIDTH, PERIOD, executor)


def rotations(vectors: np.ndarray) -> np.ndarray:
    return Rotation.from_rotvec(vectors).as_matrix()


def highpassed_px(turns_rad: np.ndarray, crop: float) -> float:
    """RMS in px at 1080p of the fast part of turns (n, 3) about the picture's axes.

    Turning about the optical axis counts by its mean over the picture, radius sqrt((w² + h²) / 12).
    """
    zoom = OUT_WIDTH / WIDTH / crop
    weights = np.array([FOCAL * zoom, FOCAL * zoom, np.hypot(1920.0, 1080.0) / np.sqrt(12.0)])
    fast = np.stack([v - slow_part(v, min(PERIOD, len(v) / 2)) for v in turns_rad.T], axis=1) * weights
    return float(np.sqrt(np.mean(np.sum(fast**2, axis=1))))


def path_error_px(flown: Flight, out: Stabilised, result: StageResult, frames: list[int]) -> float:
    """Error of the solved orientations: the corrected true path against the path the stage meant to take."""
    meant = np.array(
        [[row[f"steady_{axis}_deg"] for axis in ("pitch", "yaw", "roll")] for row in result.frames]
    )
    steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
    turns = Rotation.from_matrix(steady[1:] @ np.swapaxes(steady[:-1], 1, 2)).as_rotvec()
    shown = np.concatenate([np.zeros((1, 3)), np.cumsum(turns, axis=0)])
    return highpassed_px((shown + np.deg2rad(meant))[frames], out.crop_ratio)


def least_margin_px(out: Stabilised) -> float:
    """Least distance of an output corner from the source's edge, projected by code of this test's own."""
    high = OUT_WIDTH * SHAPE[1] / SHAPE[0]
    focal_out = out.focal_px * OUT_WIDTH / (out.crop_ratio * WIDTH)
    moves = np.zeros((len(out.rotation_rad), 4)) if out.similarity is None else out.similarity
    least = np.inf
    for x, y in ((-0.5, -0.5), (OUT_WIDTH - 0.5, -0.5), (-0.5, high - 0.5), (OUT_WIDTH - 0.5, high - 0.5)):
        q = np.array([x - (OUT_WIDTH - 1) / 2, y - (high - 1) / 2]) / focal_out
        for vector, (right, down, log_scale, angle) in zip(out.rotation_rad, moves, strict=True):
            # shifts are in widths of the largest rectangle of the output's shape, here the source's own width
            cosine, sine = np.exp(log_scale) * np.cos(angle), np.exp(log_scale) * np.sin(angle)
            unit = WIDTH / out.focal_px
            ray = [
                cosine * q[0] - sine * q[1] + right * unit,
                sine * q[0] + cosine * q[1] + down * unit,
                1.0,
            ]
            place = Rotation.from_rotvec(vector).apply(ray)
            across = out.focal_px * place[0] / place[2] + WIDTH / 2
            below = out.focal_px * place[1] / place[2] + HEIGHT / 2
            least = min(least, across, below, WIDTH - across, HEIGHT - below)
    return float(least)


STEP = np.where(np.arange(COUNT) < COUNT // 2, 30.0, 33.0)
EVERY = list(range(COUNT))


@pytest.fixture(scope="module")
def waypoint(executor: Executor) -> tuple[Flight, Stabilised, StageResult]:
    """Shake of 0.5 degrees, a step of 3 degrees, and a place that jitters by 1 % of the height."""
    flown = flight(STEP, place_jitter_m=0.7)
    return flown, *solved(flown, executor)


# Bounds of the design, section 9: 0.25 px at 1080p of the high-passed orientation error, crop >= 0.85.
def test_orientation_error_of_a_waypoint_flight(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, out, result = waypoint
    assert path_error_px(flown, out, result, EVERY) <= 0.25
    assert out.crop_ratio >= 0.85
    assert least_margin_px(out) > 1.9
    assert out.focal_px == FOCAL


def test_figures_of_a_waypoint_flight(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, out, result = waypoint
    steps = Rotation.from_matrix(
        flown.orientations[1:] @ np.swapaxes(flown.orientations[:-1], 1, 2)
    ).as_rotvec()
    truth = highpassed_px(np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)]), out.crop_ratio)
    assert result.found["jitter_rms_px"] == pytest.approx(truth, rel=0.03)
    assert result.found["yaw_step_worst_deg"] == pytest.approx(3.0, abs=1.5)  # the shake is on top of it
    assert result.left["yaw_step_worst_deg"] < 0.3
    assert result.left["crop_ratio"] == out.crop_ratio
    assert {row["rests_on"] for row in result.frames} == {"features"}
    assert min(row["matches"] for row in result.frames) > 100
    assert result.applied["pairs_without_pose"] == 0
    assert result.applied["least_clearance_px"] >= 1.99
    assert result.warnings == []


def test_left_is_measured_and_near_the_truth(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    flown, out, result = waypoint
    steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
    turns = Rotation.from_matrix(steady[1:] @ np.swapaxes(steady[:-1], 1, 2)).as_rotvec()
    truth = highpassed_px(np.concatenate([np.zeros((1, 3)), np.cumsum(turns, axis=0)]), out.crop_ratio)
    left = result.left["jitter_rms_px"]
    assert left is not None
    # a fifth of the matches has sqrt(5) of the noise of all
    assert truth < 1.0
    assert 0.5 * truth < left < truth + 0.5


def test_rows_tell_degrees_by_the_pilot_s_signs(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    _, out, result = waypoint
    assert len(result.frames) == COUNT
    for row, correction in zip(result.frames, out.rotation_rad, strict=True):
        assert row["correction_rad"] == pytest.approx(list(correction))
    yaw = np.array([row["yaw_deg"] for row in result.frames])
    pitch = np.array([row["pitch_deg"] for row in result.frames])
    # three degrees to the right about the vertical are cos(25) of it about the picture's own y axis
    assert np.mean(yaw[18:]) - np.mean(yaw[:12]) == pytest.approx(3.0 * np.cos(np.deg2rad(25.0)), abs=0.5)
    assert abs(np.mean(pitch[18:]) - np.mean(pitch[:12])) < 0.5


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("place_jitter_m", [0.0, 0.7])
def test_orientation_error_of_straight_flights(place_jitter_m: float, seed: int, executor: Executor) -> None:
    flown = flight(np.full(COUNT, 30.0), place_jitter_m=place_jitter_m, seed=seed)
    out, result = solved(flown, executor)
    assert path_error_px(flown, out, result, EVERY) <= 0.25
    assert out.crop_ratio >= 0.85 and least_margin_px(out) > 1.9


def test_a_still_drone_over_level_ground(executor: Executor) -> None:
    flown = flight(np.full(COUNT, 30.0), speed_m=0.0, relief_m=0.0)
    out, result = solved(flown, executor)
    assert result.applied["pairs_by_parallax"] == 0
    assert path_error_px(flown, out, result, EVERY) <= 0.1


def test_an_orbit_of_360_degrees(executor: Executor) -> None:
    yaw = np.linspace(0.0, 360.0, 61)
    flown = flight(yaw, place_jitter_m=0.3)
    out, result = solved(flown, executor)
    assert path_error_px(flown, out, result, list(range(61))) <= 0.25
    steady = -np.deg2rad(
        [[row[f"steady_{axis}_deg"] for axis in ("pitch", "yaw", "roll")] for row in result.frames]
    )
    down = camera_axes(0.0, -25.0) @ np.array([0.0, 0.0, -1.0])
    assert -np.rad2deg((steady[-1] - steady[0]) @ down) == pytest.approx(360.0, abs=3.0)
    assert least_margin_px(out) > 1.9


def test_looking_straight_down_and_turning(executor: Executor) -> None:
    flown = flight(np.linspace(0.0, 120.0, COUNT), pitch_deg=-90.0, place_jitter_m=0.3)
    out, result = solved(flown, executor)
    assert path_error_px(flown, out, result, EVERY) <= 0.25
    assert least_margin_px(out) > 1.9


# 1 % and 10 % of the height flown between photos; at 60 degrees down, without attitude, two poses fit alike.
# tests/bench/test_orientation.py has more flights, and longer ones.
@pytest.mark.parametrize(
    ("pitch_deg", "relief_m", "speed_m"),
    [
        (-25.0, 0.0, 0.7),
        (-45.0, 0.0, 7.0),
        (-60.0, 0.0, 0.7),
        (-60.0, 0.0, 7.0),
        (-75.0, 0.0, 7.0),
        (-90.0, 0.0, 0.7),
        (-90.0, 15.0, 2.0),
    ],
)
def test_fields_and_marsh(pitch_deg: float, relief_m: float, speed_m: float, executor: Executor) -> None:
    """Level or nearly level ground, seen by a drone whose place jitters by 1 % of its height."""
    flown = flight(
        np.full(COUNT, 30.0), pitch_deg=pitch_deg, relief_m=relief_m, speed_m=speed_m, place_jitter_m=0.7
    )
    out, result = solved(flown, executor)
    assert path_error_px(flown, out, result, EVERY) <= 0.25


@pytest.mark.parametrize(
    "how",
    [
        {"course_deg": 90.0, "relief_m": 40.0, "yaw_step_deg": 3.0},  # round a tower
        {"climb_m": 1.0, "pitch_deg": -60.0},
        {"relief_m": 0.0, "matches": 60, "wrong": 0.25},  # sea
        {"matches": 120, "noise_px": 0.45, "wrong": 0.2},  # night
    ],
)
def test_other_flights_at_one_percent_of_the_height(how: dict, executor: Executor) -> None:
    yaw = 30.0 + how.get("yaw_step_deg", 0.0) * np.arange(COUNT)
    rest = {key: value for key, value in how.items() if key != "yaw_step_deg"}
    flown = flight(yaw, speed_m=0.7, place_jitter_m=0.7, seed=11, **rest)
    out, result = solved(flown, executor)
    assert path_error_px(flown, out, result, EVERY) <= 0.25
    assert out.crop_ratio >= 0.85 and least_margin_px(out) > 1.9


def test_missing_frames_show_the_nearest_photo(executor: Executor) -> None:
    missing = (10, 11, 20)
    frames = sequence(missing=missing)
    assert shown_frames(frames)[9:13] == [9, 9, 12, 12]
    flown = flight(np.full(COUNT, 30.0), missing=missing)
    out, result = solved(flown, executor, frames)
    there = [k for k in EVERY if k not in missing]
    assert out.rotation_rad.shape == (COUNT, 3)
    assert path_error_px(flown, out, result, there[:10]) <= 0.25  # the frames before the gap
    assert [row["rests_on"] for row in result.frames if row["frame"] in missing] == ["held"] * 3
    assert {row["rests_on"] for row in result.frames if row["frame"] in there} == {"features"}
    assert least_margin_px(out) > 1.9


def blind_flight(
    frames: Sequence, executor: Executor, blind: tuple[int, ...]
) -> tuple[Flight, Stabilised, StageResult]:
    flown = flight(np.full(COUNT, 30.0), blind=blind)
    return flown, *solved(flown, executor, frames)


def test_a_frame_that_matches_nothing_rests_on_its_neighbours(executor: Executor) -> None:
    _, out, result = blind_flight(sequence(), executor, tuple(range(12)))
    states = [row["rests_on"] for row in result.frames]
    assert states[:12] == ["bridged"] * 12 and set(states[12:]) == {"features"}
    assert any("taken as not turning" in warning for warning in result.warnings)
    # bridged frames are taken as not turning: all of one orientation, so all with like corrections
    flown = np.array([[row["yaw_deg"], row["pitch_deg"], row["roll_deg"]] for row in result.frames])
    assert np.ptp(flown[:12], axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1e-3)
    assert least_margin_px(out) > 1.9


def bent_pair(pair: PairFigures, lens: Lens) -> PairFigures:
    """The pair as seen through a lens."""
    matches = pair.matches
    here, there = (lens.bend(p.astype(float), WIDTH, HEIGHT) for p in (matches.points_i, matches.points_j))
    return PairFigures(pair.i, pair.j, registration(here, there), pair.blocks, pair.registered)


def test_a_lens_that_bends_is_told_and_straightened(executor: Executor) -> None:
    told = LensDistortion(radial=(1.0, -0.06, 0.01, 0.0), told_by="invented")
    lens = Lens(told.radial)
    flown = flight(np.full(COUNT, 30.0))
    bent = Flight(flown.orientations, [bent_pair(pair, lens) for pair in flown.pairs])
    frames = sequence(COUNT)
    out, result = stabilise(frames, bent.pairs, SETTINGS, SHAPE, OUT_WIDTH, PERIOD, executor, told)
    assert path_error_px(flown, out, result, EVERY) <= 0.25
    assert result.applied["lens"] == "invented"
    untold, _ = solved(bent, executor)
    ignored = path_error_px(flown, untold, result, EVERY)
    assert ignored > 0.25  # seen: the lens matters
    # no point of the output's border leaves the photo, by the render's own map
    corrections = Corrections(
        id="t", kind="raw", card="c", width=WIDTH, height=HEIGHT, focal_px=FOCAL, shape=SHAPE,
        crop_ratio=out.crop_ratio, lens=told, frames=[],
    )  # fmt: skip
    for k, vector in enumerate(out.rotation_rad):
        frame = FrameCorrection(
            frame=k, file="f", shown=k, shown_file="f", time_s=0.0, rotation_rad=tuple(vector),
            similarity=None if out.similarity is None else tuple(out.similarity[k]),
        )  # fmt: skip
        homography = output_to_source(corrections, frame, (1920, 1080))
        check_inside(homography, (1920, 1080), WIDTH, HEIGHT, "frame", lens)


def test_a_lone_blind_frame_inside_a_flight_is_named(executor: Executor) -> None:
    _, out, result = blind_flight(sequence(), executor, (15,))
    assert least_margin_px(out) > 1.9
    assert [k for k in EVERY if result.frames[k]["rests_on"] != "features"] == [15]
    assert result.frames[15]["rests_on"] == "bridged"


def test_attitude_angles_fill_in(executor: Executor) -> None:
    rng = np.random.default_rng(7)
    flown = flight(np.full(COUNT, 30.0), blind=tuple(range(12)))
    told: list[tuple[float, float, float] | None] = []
    for attitude in flown.orientations:
        forward, right, down = attitude[2], attitude[0], attitude[1]
        yaw = np.rad2deg(np.arctan2(forward[0], forward[1]))
        pitch = np.rad2deg(np.arcsin(forward[2]))
        roll = np.rad2deg(np.arctan2(-right[2], -down[2]))
        noise = rng.normal(0.0, 0.02, 3)
        told.append((float(yaw + noise[0]), float(pitch + noise[1]), float(roll + noise[2])))
    frames = sequence(attitudes=told)
    out, result = solved(flown, executor, frames)
    states = [row["rests_on"] for row in result.frames]
    assert states[:12] == ["attitude"] * 12 and set(states[12:]) == {"features"}
    assert any("attitude angles" in warning for warning in result.warnings)
    # 0.02 degrees of angle noise, sqrt(2) of it a step, at 1,300 px of focal length and more
    assert path_error_px(flown, out, result, list(range(12))) < 2.0


@pytest.mark.parametrize("count", [1, 2, 3])
def test_very_short_flights(count: int, executor: Executor) -> None:
    flown = flight(np.full(count, 30.0))
    out, result = solved(flown, executor)
    assert out.rotation_rad.shape == (count, 3) and np.isfinite(out.rotation_rad).all()
    assert 0.85 <= out.crop_ratio <= 1.0
    assert len(result.frames) == count
    if count < 3:
        assert np.array_equal(out.rotation_rad, np.zeros((count, 3)))


def test_no_pairs_at_all(executor: Executor) -> None:
    out, result = stabilise(sequence(10), [], SETTINGS, SHAPE, OUT_WIDTH, PERIOD, executor)
    assert np.max(np.abs(out.rotation_rad)) < 1e-6
    assert [row["rests_on"] for row in result.frames[1:]] == ["bridged"] * 9
    assert result.left["jitter_rms_px"] is None and "left.jitter_rms_px" in result.unmeasured


def test_without_room_to_crop(executor: Executor) -> None:
    flown = flight(np.full(10, 30.0))
    out, _ = solved(flown, executor, settings=StabiliseSettings(max_crop=0.0))
    assert np.array_equal(out.rotation_rad, np.zeros((10, 3)))
    assert out.crop_ratio == pytest.approx(1.0, abs=1e-9)


def test_focal_length_of_photos_that_do_not_tell_it(executor: Executor) -> None:
    told = focal_length(sequence(), [], executor)
    assert (told.px, told.told_by, told.tagged) == (FOCAL, "invented", True)
    untold = focal_length(sequence_of(3), [], executor)
    # common practice, no source: 73 degrees across
    assert np.rad2deg(2 * np.arctan(800.0 / untold.px)) == pytest.approx(73.0)
    assert untold.told_by.startswith("assumed") and untold.sigma_pct is None


def test_a_pair_without_a_pose_is_counted_and_left_out() -> None:
    flown = flight(np.full(4, 30.0))
    motion = solve_motion(sequence(4), flown.pairs, [None] * len(flown.pairs))
    assert np.allclose(motion.orientations, np.eye(3), atol=1e-6)
    assert motion.matches == [0] * 4


def test_parallax_jitter_goes_where_all_ground_shares_it(executor: Executor) -> None:
    """A place that jitters by 1 % of the height over level ground, looking down; crop and border kept."""
    flown = flight(np.full(40, 30.0), pitch_deg=-90.0, relief_m=3.0, place_jitter_m=0.7)
    out, result = solved(flown, executor)
    assert out.similarity is not None and result.applied["similarity"] is True
    assert result.found["parallax_jitter_px"] > 15.0
    assert result.left["parallax_jitter_px"] < 0.3 * result.found["parallax_jitter_px"]
    assert out.crop_ratio >= 0.85 and least_margin_px(out) > 1.9
    # what the orientation is known to does not change with it
    assert path_error_px(flown, out, result, list(range(40))) <= 0.25


def test_a_steady_place_is_left_alone(executor: Executor) -> None:
    out, result = solved(flight(np.full(40, 30.0)), executor)
    assert out.similarity is None
    assert result.left["parallax_jitter_px"] == result.found["parallax_jitter_px"]


def test_strength_is_the_share_of_the_shake_taken_out(
    waypoint: tuple[Flight, Stabilised, StageResult], executor: Executor
) -> None:
    flown, whole, _ = waypoint
    half, result = solved(flown, executor, settings=StabiliseSettings(strength=0.5))
    assert half.crop_ratio > whole.crop_ratio
    assert least_margin_px(half) > 1.9
    left, found = result.left["jitter_rms_px"], result.found["jitter_rms_px"]
    assert left is not None and found is not None
    # found is told at the crop of each run
    assert left == pytest.approx(0.5 * found, rel=0.1)
    none, _ = solved(flown, executor, settings=StabiliseSettings(strength=0.0))
    assert np.array_equal(none.rotation_rad, np.zeros((COUNT, 3)))


def heading_deg(out: Stabilised, flown: Flight) -> np.ndarray:
    steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
    return np.rad2deg(np.unwrap(np.arctan2(steady[:, 2, 0], steady[:, 2, 1])))


def test_a_turn_is_eased_or_kept(
    waypoint: tuple[Flight, Stabilised, StageResult], executor: Executor
) -> None:
    flown, eased, result = waypoint
    (turn,) = result.applied["waypoints"]
    assert turn["frame"] == COUNT // 2
    assert turn["heading_change_deg"] == pytest.approx(3.0, abs=0.8)
    kept, _ = solved(flown, executor, settings=StabiliseSettings(turns="keep"))
    assert np.max(np.abs(np.diff(heading_deg(eased, flown)))) < 0.3
    steps = np.diff(heading_deg(kept, flown))
    assert int(np.argmax(steps)) == COUNT // 2 - 1
    assert np.max(steps) == pytest.approx(3.0, abs=0.8)
    assert np.max(np.abs(np.delete(steps, COUNT // 2 - 1))) < 0.3
    assert least_margin_px(kept) > 1.9


def attitudes_of(flown: Flight, rng: np.random.Generator, off_deg: float) -> list:
    """Yaw, pitch and roll as the tags would tell them, each off at random."""
    told = []
    for attitude in flown.orientations:
        forward, right, down = attitude[2], attitude[0], attitude[1]
        yaw = np.rad2deg(np.arctan2(forward[0], forward[1]))
        pitch = np.rad2deg(np.arcsin(forward[2]))
        roll = np.rad2deg(np.arctan2(-right[2], -down[2]))
        told.append(tuple(float(v) for v in np.array([yaw, pitch, roll]) + rng.normal(0.0, off_deg, 3)))
    return told


def test_a_horizon_that_leans_is_levelled(executor: Executor) -> None:
    flown = flight(np.full(40, 30.0))
    lean = Rotation.from_rotvec([0.0, 0.0, np.deg2rad(-2.0)]).as_matrix()
    flown = Flight(lean @ flown.orientations, flown.pairs)  # matches tell turns alone, not which way is up
    pairs = [turned_pair(pair, -2.0) for pair in flown.pairs]
    flown = Flight(flown.orientations, pairs)
    frames = sequence(40, attitudes=attitudes_of(flown, np.random.default_rng(0), 0.3))
    as_flown, _ = solved(flown, executor, frames)
    level, result = solved(flown, executor, frames, StabiliseSettings(level_horizon=True))

    def lean_deg(out: Stabilised) -> np.ndarray:
        steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
        down = steady @ np.array([0.0, 0.0, -1.0])
        return np.rad2deg(np.arctan2(down[:, 0], down[:, 1]))

    assert np.mean(lean_deg(as_flown)) == pytest.approx(2.0, abs=0.4)
    assert np.max(np.abs(lean_deg(level))) < 0.3
    assert result.found["horizon_tilt_deg"] == pytest.approx(2.1, abs=0.3)
    assert result.left["horizon_tilt_deg"] < 0.2
    assert level.crop_ratio >= 0.85 and least_margin_px(level) > 1.9


def turned_pair(pair: PairFigures, roll_deg: float) -> PairFigures:
    """The pair as a camera sees it that is rolled about its axis."""
    angle = np.deg2rad(roll_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = np.array([WIDTH - 1, HEIGHT - 1]) / 2.0
    here, there = ((p - centre) @ turn.T + centre for p in (pair.matches.points_i, pair.matches.points_j))
    return PairFigures(pair.i, pair.j, registration(here, there), pair.blocks, pair.registered)


def test_no_roll_no_level_horizon(
    waypoint: tuple[Flight, Stabilised, StageResult], executor: Executor
) -> None:
    flown, _, result = waypoint
    assert result.found["horizon_tilt_deg"] is None and "found.horizon_tilt_deg" in result.unmeasured
    _, asked = solved(flown, executor, settings=StabiliseSettings(level_horizon=True))
    assert any("horizon could not be held level" in warning for warning in asked.warnings)


def test_uncertainty_of_each_frame(waypoint: tuple[Flight, Stabilised, StageResult]) -> None:
    _, _, result = waypoint
    sigmas = np.array([row["sigma_deg"] for row in result.frames])
    # a tenth of a px to a px at 1,081 px of focal length
    assert (sigmas > 5e-4).all() and (sigmas < 5e-2).all()
