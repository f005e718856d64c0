"""How the camera turned over a flight: the poses of all pairs, chosen together and averaged."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from pipeline.geometry.calibrate import self_calibrate
from pipeline.geometry.camera import rescale_points
from pipeline.geometry.choice import Candidates, choose
from pipeline.geometry.lens import Lens
from pipeline.geometry.pose import Pose, angle_between, attitude, on_known_plane, pair_poses, rotation_near
from pipeline.geometry.rotation import PairRotation, average, exp, isotropic
from pipeline.measure.levels import HELD_OUT
from pipeline.measure.look import PairFigures
from pipeline.measure.speed import View, ground_normal
from pipeline.measure.tags import ATTITUDE_SIGMA_RAD, tag_pairs, tag_sigma_rad, told_attitude
from pipeline.sequence import Frame, Sequence

Floats = NDArray[np.float64]

ASSUMED_FIELD_DEG = 73.0
"""Horizontal field of view taken where no photo tells its focal length (common practice, no source)."""

MATCH_NOISE_PX = 0.5
"""Standard deviation of a matched feature's place, in px of a 1,000 px proxy."""

WEAK_RAD = float(np.deg2rad(0.1))
"""Matches that tell the turn of a pair worse than this, two pixels and a half, tell it badly."""

_CLEAR = 100
_CONFIRMING = 4
_MOST_OFF_TAGS_RAD = float(np.deg2rad(2.0))
_MOST_PAIRS = 0.5
_WEAK_POSE_RAD = float(np.deg2rad(0.02))
_GROUND_SIGMA_RAD = float(np.deg2rad(0.3))
_NEARLY_ALL = 0.7
_RICH = 80
_CALIBRATING = 30
_MOST_FOCAL_SIGMA = 0.12
LEAST_HELD_OUT = 12
DOUBTFUL_RAD = float(np.deg2rad(0.1))
"""Pairs that disagree by less than this, a pixel or two, are not worth naming."""

BRIDGE_SIGMA_RAD = float(np.deg2rad(1.0))


@dataclass(frozen=True)
class Motion:
    """Orientations (n, 3, 3) of the real camera at each frame of the timeline, and what each rests on.

    `sigma_rad` (n,) is the standard deviation of each against its neighbours, as the pairs' own tell it.
    """

    orientations: Floats
    sigma_rad: Floats
    rests_on: list[str]
    matches: list[int]
    doubtful: list[tuple[int, int]]


def shown_frames(sequence: Sequence) -> list[int]:
    """Return for each frame of the timeline the frame whose photo stands there: the nearest usable one."""
    usable = np.array([frame.frame for frame in sequence.photos])
    return [int(usable[np.argmin(np.abs(usable - k))]) for k in range(len(sequence.frames))]


@dataclass(frozen=True)
class FocalLength:
    """The focal length in px, where it comes from, its standard deviation in percent, None where untold."""

    px: float
    told_by: str
    sigma_pct: float | None
    tagged: bool


def focal_length(sequence: Sequence, pairs: list[PairFigures]) -> FocalLength:
    """Return the focal length that the tags tell, else the photos themselves, else a common one."""
    if sequence.focal_px is not None:
        return FocalLength(sequence.focal_px, sequence.focal_from, None, True)
    size = (sequence.width, sequence.height)
    noise_px = MATCH_NOISE_PX * max(1.0, max(size) / 1000.0)
    found = self_calibrate(_telling(pairs), size, noise_px)
    if found is not None and found.sigma <= _MOST_FOCAL_SIGMA:
        pct = 100.0 * found.sigma
        why = f"found from the photos themselves, give or take {pct:.1f} %: no photo tells it"
        return FocalLength(found.focal_px, why, pct, False)
    assumed = float(0.5 * sequence.width / np.tan(np.deg2rad(ASSUMED_FIELD_DEG) / 2.0))
    why = f"assumed {ASSUMED_FIELD_DEG:.0f} degrees across: neither tags nor the photos themselves tell it"
    return FocalLength(assumed, why, None, False)


def _telling(pairs: list[PairFigures]) -> list[tuple[Floats, Floats]]:
    """Return the matches of some pairs that tell the focal length best: far apart, and with many matches."""
    rich = [pair for pair in pairs if len(pair.matches.points_i) >= _RICH]
    far = sorted(rich, key=lambda pair: pair.i - pair.j)[: max(len(rich) // 2, _CALIBRATING)]
    some = far[:: max(len(far) // _CALIBRATING, 1)][:_CALIBRATING]
    return [(p.matches.points_i.astype(float), p.matches.points_j.astype(float)) for p in some]


def straightened(pair: PairFigures, lens: Lens, size: tuple[int, int]) -> PairFigures:
    """Return a pair with its matches, and the homography of its plane, in the straight picture."""
    matches = pair.matches
    points_i, points_j = (
        lens.straighten(points.astype(float), *size).astype(np.float32)
        for points in (matches.points_i, matches.points_j)
    )
    homography = matches.homography
    if homography is not None:
        here, there = (
            rescale_points(points[matches.on_plane].astype(float), matches.scale)
            for points in (points_i, points_j)
        )
        fitted, _ = cv2.findHomography(here, there, 0)
        homography = None if fitted is None else np.asarray(fitted, np.float64)
    straight = replace(matches, points_i=points_i, points_j=points_j, homography=homography)
    return replace(pair, matches=straight)


def _split(count: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    held = np.arange(count) % HELD_OUT == 0
    return ~held, held


def poses_of(
    pair: PairFigures,
    frames: tuple[Frame, ...],
    focal_px: float,
    size: tuple[int, int],
    noise_px: float,
) -> list[Pose]:
    """Return the poses that the matches of a pair allow, but those held out; none where too few agree."""
    told_i, told_j = told_attitude(frames[pair.i]), told_attitude(frames[pair.j])
    expected = None
    if told_i is not None and told_j is not None:
        expected = (told_j @ told_i.T, ATTITUDE_SIGMA_RAD)
    down = None if told_i is None else told_i @ np.array([0.0, 0.0, -1.0])
    used, _ = _split(len(pair.matches.points_i))
    points_i = pair.matches.points_i[used].astype(float)
    points_j = pair.matches.points_j[used].astype(float)
    homography = pair.matches.full_size_homography()
    return pair_poses(points_i, points_j, focal_px, size, noise_px, homography, expected, down)


def trusted(
    sequence: Sequence, pairs: list[PairFigures], allowed: list[list[Pose]]
) -> tuple[Sequence, list[list[Pose]]]:
    """Return the sequence without the attitude angles that the pictures belie, and the poses without those
    that the angles belie.

    Waves are matched by chance, and by many of them a pose of any size, but not in most pairs of a photo. So
    where a pose and the tags are far apart the tags are right, unless most pairs of both photos have poses of
    many matches. Tags that nearly all of these are far from are wrong.
    """
    told = [told_attitude(frame) for frame in sequence.frames]
    compared, clear, belied = np.zeros((3, len(told)))
    far: list[list[bool]] = []
    for pair, poses in zip(pairs, allowed, strict=True):
        here, there = told[pair.i], told[pair.j]
        turn = np.eye(3) if here is None or there is None else there @ here.T
        known = here is not None and there is not None
        far.append([known and angle_between(pose.rotation, turn) > _MOST_OFF_TAGS_RAD for pose in poses])
        off = [is_far for pose, is_far in zip(poses, far[-1], strict=True) if pose.inliers >= _CLEAR]
        for end in (pair.i, pair.j):
            compared[end] += 1
            clear[end] += bool(off)
            belied[end] += bool(off) and all(off)
    rich, wrong = clear > _MOST_PAIRS * compared, belied > _NEARLY_ALL * compared
    frames = tuple(
        frame.model_copy(update=dict.fromkeys(("yaw_deg", "pitch_deg", "roll_deg"))) if bad else frame
        for frame, bad in zip(sequence.frames, wrong, strict=True)
    )
    kept = [
        [
            pose
            for pose, is_far in zip(poses, off, strict=True)
            if not is_far or (pose.inliers >= _CLEAR and rich[pair.i] and rich[pair.j])
        ]
        for pair, poses, off in zip(pairs, allowed, far, strict=True)
    ]
    return sequence.model_copy(update={"frames": frames}), kept


def confirmed(sequence: Sequence, pairs: list[PairFigures], allowed: list[list[Pose]]) -> list[list[Pose]]:
    """Return the poses less those of few matches that no other pairs can confirm, where tags tell instead.

    Poses found from waves or noise contradict each other only where a frame has several of them.
    """
    told = [told_attitude(frame) is not None for frame in sequence.frames]
    kept = list(allowed)
    while True:
        ends = [end for pair, poses in zip(pairs, kept, strict=True) if poses for end in (pair.i, pair.j)]
        times = np.bincount(np.array(ends, int), minlength=len(told))
        alone = [
            k
            for k, (pair, poses) in enumerate(zip(pairs, kept, strict=True))
            if poses
            and max(pose.inliers for pose in poses) < _CLEAR
            and min(times[pair.i], times[pair.j]) < _CONFIRMING
            and told[pair.i]
            and told[pair.j]
        ]
        if not alone:
            return kept
        for k in alone:
            kept[k] = []


def levelled(
    pairs: list[PairFigures],
    poses: list[Pose | None],
    motion: Motion,
    focal_px: float,
    size: tuple[int, int],
    noise_px: float,
) -> list[Pose | None]:
    """Return the poses, those that tell the turn badly refined by the ground that the whole flight shares.

    Matches on a strip of coast leave the ground's slope open, and with it the turn. All pairs together tell
    the slope. Where it is not quite the same everywhere, the turn that is wrongly told changes as slowly.
    """
    weak = [pose is not None and pose.sigma_rad > _WEAK_POSE_RAD for pose in poses]
    normal = ground_normal(pairs, View(motion.orientations, focal_px, size)) if any(weak) else None
    if normal is None:
        return poses
    better: list[Pose | None] = []
    for pair, pose, is_weak in zip(pairs, poses, weak, strict=True):
        if pose is not None and is_weak:
            used, _ = _split(len(pair.matches.points_i))
            here, there = (p[used].astype(float) for p in (pair.matches.points_i, pair.matches.points_j))
            level = (motion.orientations[pair.i] @ normal, _GROUND_SIGMA_RAD)
            pose = on_known_plane(pose, here, there, focal_px, size, noise_px, level)
        better.append(pose)
    return better


def held_out_rotation(
    pair: PairFigures, pose: Pose | None, focal_px: float, size: tuple[int, int], noise_px: float
) -> PairRotation | None:
    """Return the rotation that the held-out matches alone ask for, near the one found without them."""
    _, held = _split(len(pair.matches.points_i))
    if pose is None or np.count_nonzero(held) < LEAST_HELD_OUT:
        return None
    points_i = pair.matches.points_i[held].astype(float)
    points_j = pair.matches.points_j[held].astype(float)
    return PairRotation(pair.i, pair.j, *rotation_near(pose, points_i, points_j, focal_px, size, noise_px))


def bridges_between(
    frames: tuple[Frame, ...], pairs: list[PairRotation]
) -> tuple[list[PairRotation], dict[int, str]]:
    """Return pairs for the neighbours that no chain of measured pairs joins, and the frames resting on them.

    A frame that no pair ends in is bridged to both its neighbours.
    """
    size = max((f.frame for f in frames), default=0) + 1
    ends_i, ends_j = [p.i for p in pairs], [p.j for p in pairs]
    links = coo_matrix((np.ones(len(pairs)), (ends_i, ends_j)), shape=(size, size))
    _, island = connected_components(links, directed=False)
    seen = {*ends_i, *ends_j}
    bridges: list[PairRotation] = []
    rests: dict[int, str] = {}
    for before, after in pairwise(frames):
        blind = [f.frame for f in (before, after) if f.frame not in seen]
        if not blind and island[before.frame] == island[after.frame]:
            continue
        here, there = told_attitude(before), told_attitude(after)
        turn, sigma, state = np.eye(3), BRIDGE_SIGMA_RAD, "bridged"
        if here is not None and there is not None:
            turn, sigma, state = there @ here.T, ATTITUDE_SIGMA_RAD, "attitude"
        bridges.append(PairRotation(before.frame, after.frame, turn, isotropic(sigma)))
        rests.update(dict.fromkeys(blind or [after.frame], state))
    return bridges, rests


def far_pairs(pairs: list[PairFigures], *, held_out: bool = False) -> list[PairRotation]:
    """Return the turns that what is far tells; `held_out` is by what took no part in the others."""
    return [
        PairRotation(pair.i, pair.j, exp(pair.far[held_out].turn_rad), pair.far[held_out].covariance)
        for pair in pairs
        if len(pair.far) > held_out
    ]


def compact(sequence: Sequence, pairs: list[PairRotation]) -> tuple[Floats, Floats]:
    """Average over the photos alone and return orientations on the timeline, and the pairs' misfit."""
    place = {frame.frame: k for k, frame in enumerate(sequence.photos)}
    moved = [PairRotation(place[p.i], place[p.j], p.rotation, p.covariance) for p in pairs]
    solved, misfit = average(len(place), moved)
    return np.stack([solved[place[k]] for k in shown_frames(sequence)]), misfit


def choose_poses(
    sequence: Sequence, pairs: list[PairFigures], allowed: list[list[Pose]]
) -> list[Pose | None]:
    """Return of the poses that each pair allows the one that agrees with all others, or None."""
    place = {frame.frame: k for k, frame in enumerate(sequence.photos)}
    known = [k for k, poses in enumerate(allowed) if poses]
    candidates = [Candidates(place[pairs[k].i], place[pairs[k].j], allowed[k]) for k in known]
    alone = [PairRotation(pairs[k].i, pairs[k].j, np.eye(3), np.eye(3)) for k in known]
    far = far_pairs(pairs)
    bridges, _ = bridges_between(sequence.photos, alone + far)
    known_otherwise = bridges + far + tag_pairs(sequence, tag_sigma_rad(sequence, far))
    fixed = [PairRotation(place[p.i], place[p.j], p.rotation, p.covariance) for p in known_otherwise]
    labels = choose(len(place), candidates, fixed)
    chosen: list[Pose | None] = [None] * len(pairs)
    for k, label in zip(known, labels, strict=True):
        chosen[k] = None if label is None else allowed[k][label]
    return chosen


def worst_sigmas(count: int, pairs: list[PairRotation], misfit: Floats) -> Floats:
    """Return the standard deviation (count,) of each frame's turn about its least certain axis, in radians.

    Of each frame were its neighbours known exactly. A pair counts by its own covariance, and its misfit.
    """
    information = np.zeros((count, 3, 3))
    for pair, miss in zip(pairs, misfit, strict=True):
        weight = np.linalg.inv(pair.covariance + isotropic(float(miss)))
        information[pair.i] += pair.rotation.T @ weight @ pair.rotation
        information[pair.j] += weight
    least = np.linalg.eigvalsh(information)[:, 0]
    return np.asarray(1.0 / np.sqrt(np.maximum(least, 1e-6)))


def world_down(sequence: Sequence, orientations: Floats) -> Floats | None:
    """Return the downward direction (3,) in the axes of `orientations` (n, 3, 3), None where untold.

    By the pitch and roll of the photos' attitude, at least half of which must tell them: the robust mean.
    """
    told = [f for f in sequence.photos if f.pitch_deg is not None and f.roll_deg is not None]
    if not told or 2 * len(told) < len(sequence.photos):
        return None
    down = np.stack(
        [
            orientations[f.frame].T
            @ attitude(0.0, f.pitch_deg or 0.0, f.roll_deg or 0.0)
            @ np.array([0.0, 0.0, -1.0])
            for f in told
        ]
    )
    mean = np.median(down, axis=0)
    for _ in range(10):
        mean = mean / max(float(np.linalg.norm(mean)), 1e-12)
        off = np.linalg.norm(down - mean, axis=1)
        mean = (down / (1.0 + (off / ATTITUDE_SIGMA_RAD) ** 2)[:, None]).sum(axis=0)
    return np.asarray(mean / max(float(np.linalg.norm(mean)), 1e-12))


def solve_motion(
    sequence: Sequence,
    pairs: list[PairFigures],
    poses: list[Pose | None],
    let_go: list[tuple[int, int]] | None = None,
) -> Motion:
    """Return the orientation of the real camera at each frame from the poses of all pairs.

    `let_go` names pairs of which every pose disagreed; they are doubtful too.
    """
    measured = [
        PairRotation(pair.i, pair.j, pose.rotation, pose.covariance)
        for pair, pose in zip(pairs, poses, strict=True)
        if pose is not None
    ]
    far = far_pairs(pairs)
    bridges, rests = bridges_between(sequence.photos, measured + far)
    seen = {end for pair in measured for end in (pair.i, pair.j)}
    rests |= {end: "horizon" for pair in far for end in (pair.i, pair.j) if end not in seen}
    links = tag_pairs(sequence, tag_sigma_rad(sequence, measured + far))
    everything = measured + far + bridges + links
    orientations, misfit = compact(sequence, everything)
    typical = max(float(np.median(misfit[: len(measured)])) if measured else 0.0, 1e-5)
    doubtful = (let_go or []) + [
        (p.i, p.j)
        for p, miss in zip(measured, misfit, strict=False)
        if miss > max(10.0 * typical, 10.0 * p.sigma_rad, DOUBTFUL_RAD)
    ]
    matches = [0] * len(sequence.frames)
    for pair, pose in zip(pairs, poses, strict=True):
        if pose is not None:
            matches[pair.i] = max(matches[pair.i], pose.inliers)
            matches[pair.j] = max(matches[pair.j], pose.inliers)
    sigma = worst_sigmas(len(sequence.frames), everything, misfit)[shown_frames(sequence)]
    states = [rests.get(f.frame, "features") if f.usable else "held" for f in sequence.frames]
    return Motion(orientations, sigma, states, matches, doubtful)
