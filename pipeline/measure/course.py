"""Where a flight jerks: steps of an angle, turns that begin abruptly, and departures from a smooth course.

Shake is told from a step by what stays: after a step the angle keeps its new value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.highpass import fast_part
from pipeline.measure.robust import robust_sigma

Floats = NDArray[np.float64]

_STEP_WINDOW, _TURN_WINDOW, _LEAST_SIDE = 8, 6, 3
_SURE, _FAIRLY_SURE = 4.0, 3.0  # of pure shake one flight in 150 was told a step so
_SURE_OF_TURN = 4.5
_LEAST_NOISE_DEG = 0.01
_MOST_JERKS = 20


@dataclass(frozen=True)
class Jerk:
    """A sudden change of an angle in the interval that ends with `frame`, or, `of_turn`, of its turn there.

    `size_deg` is the step, or by how much the turn per photo changes.
    """

    frame: int
    size_deg: float
    of_turn: bool = False

    def path(self, count: int) -> Floats:
        """Return what it adds to an angle (count,)."""
        after = np.arange(count) - self.frame
        return self.size_deg * (np.maximum(after, 0.0) if self.of_turn else (after >= 0).astype(float))


def noise_of(angle_deg: Floats) -> float:
    """Return the standard deviation of the white part of an angle (n,), steps and turns aside.

    From third differences, whose variance is 20 times that of white noise.
    """
    if len(angle_deg) < 5:
        return _LEAST_NOISE_DEG
    return max(float(robust_sigma(np.diff(angle_deg, n=3))) / math.sqrt(20.0), _LEAST_NOISE_DEG)


def steps(angle_deg: Floats, present: NDArray[np.bool_], least_deg: float) -> list[Jerk]:
    """Return the steps of an angle (n,) beyond `least_deg`, the largest first.

    Each is fitted on eight photos before and after it, with an even turn, and once more with a turn that
    may change there; the smaller of the two sizes counts, and both must stand clear of the shake.
    """
    places = np.flatnonzero(present)
    values = angle_deg[places].astype(float)
    noise = noise_of(values)
    found: list[Jerk] = []
    while len(found) < _MOST_JERKS:
        tried = [
            _step_at(places, values, k, noise) for k in range(_LEAST_SIDE, len(places) - _LEAST_SIDE + 1)
        ]
        sizes = np.array([size for size in tried if abs(size) > least_deg])
        if not len(sizes):
            break
        size = float(sizes[np.argmax(np.abs(sizes))])
        k = _LEAST_SIDE + tried.index(size)
        found.append(Jerk(int(places[k]), size))
        values = values - size * (np.arange(len(values)) >= k)
    return found


def _step_at(places: NDArray[np.int_], values: Floats, k: int, noise: float) -> float:
    """The size of a step before the k-th photo, 0 where it is not clear of the noise."""
    near = slice(max(k - _STEP_WINDOW, 0), k + _STEP_WINDOW)
    time = places[near] - places[k] + 0.5
    after = (time > 0).astype(float)
    even, sure = _fitted(np.stack([np.ones_like(time), time, after]), values[near], noise, 2)
    if abs(even) < _SURE * sure:
        return 0.0
    turning, fairly = _fitted(
        np.stack([np.ones_like(time), time, after * time, after]), values[near], noise, 3
    )
    if abs(turning) < _FAIRLY_SURE * fairly or turning * even < 0.0:
        return 0.0
    return even if abs(even) < abs(turning) else turning


def turn_changes(angle_deg: Floats, present: NDArray[np.bool_], least_deg: float) -> list[Jerk]:
    """Return where the turn per photo changes by more than `least_deg` at once, the largest first.

    Fitted on six photos before and after beside an evenly growing turn, which is eased and does not jerk;
    steps must have been taken out.
    """
    places = np.flatnonzero(present)
    values = angle_deg[places].astype(float)
    noise = noise_of(values)
    changes = np.zeros(len(places))
    for k in range(_LEAST_SIDE, len(places) - _LEAST_SIDE):
        near = slice(max(k - _TURN_WINDOW, 0), k + _TURN_WINDOW + 1)
        time = (places[near] - places[k]).astype(float)
        change, sure = _fitted(
            np.stack([np.ones_like(time), time, time**2, np.maximum(time, 0.0)]), values[near], noise, 3
        )
        changes[k] = change if abs(change) > max(least_deg, _SURE_OF_TURN * sure) else 0.0
    found: list[Jerk] = []
    while np.any(changes) and len(found) < _MOST_JERKS:
        k = int(np.argmax(np.abs(changes)))
        found.append(Jerk(int(places[k]), float(changes[k]), of_turn=True))
        changes[max(k - _TURN_WINDOW, 0) : k + _TURN_WINDOW + 1] = 0.0
    return found


def _fitted(basis: Floats, values: Floats, noise: float, which: int) -> tuple[float, float]:
    """The least-squares coefficient `which` of the basis (k, n), and its standard error."""
    inverse = np.linalg.pinv(basis @ basis.T)
    solved = inverse @ (basis @ values)
    rest = values - basis.T @ solved
    freedom = max(len(values) - len(basis), 1)
    # Where the model does not fit (another step close by), the misfit counts as noise.
    spread = max(noise, float(np.sqrt(rest @ rest / freedom)))
    return float(solved[which]), spread * float(np.sqrt(inverse[which, which]))


def without_jerks(angle_deg: Floats, found: list[Jerk]) -> Floats:
    """Return an angle (n,) with its jerks taken out."""
    added = [jerk.path(len(angle_deg)) for jerk in found]
    return np.asarray(angle_deg - np.sum(added, axis=0) if added else angle_deg, np.float64)


def turn_per_photo(angle_deg: Floats, present: NDArray[np.bool_], window: int = 4) -> Floats:
    """Return the turn per photo (n,), by a straight line through `window` photos before and after."""
    places = np.flatnonzero(present)
    turn = np.full(len(angle_deg), np.nan)
    for k, place in enumerate(places):
        near = places[max(k - window, 0) : k + window + 1]
        if len(near) >= _LEAST_SIDE:
            turn[place] = np.polyfit(near - place, angle_deg[near], 1)[0]
    return turn


def off_course_pct(way: Floats, period_frames: float) -> Floats:
    """Return how far (n,) the camera lies off its smooth course, sideways and in height, at each frame.

    In per cent of its distance from the ground; `way` (n - 1, 3) is `speed.ground_way`. Along the course
    it is speed, not drift, so only what lies across counts. The smooth course is the slow part of the way
    flown, its period at most half the flight.
    """
    known = np.isfinite(way).all(axis=1)
    filled = np.stack(
        [np.interp(np.arange(len(way)), np.flatnonzero(known), a[known]) for a in way.T], axis=1
    )
    place = np.concatenate([np.zeros((1, 3)), np.cumsum(filled, axis=0)])
    period = min(period_frames, len(place) / 2.0)
    fast = np.stack([fast_part(axis, period) for axis in place.T], axis=1)
    along = np.gradient(place - fast, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    across = fast - np.sum(fast * along, axis=1, keepdims=True) * along
    return np.asarray(100.0 * np.linalg.norm(across, axis=1))


def speed_steps_pct(speed: Floats) -> Floats:
    """Return by how much (n - 1,) each interval's speed departs from its neighbours' course, per cent.

    The course is the median of up to five intervals before and as many after; the larger departure from
    either side's counts, so that both a single slow interval and a lasting change show. NaN where unknown.
    """
    off = np.full(len(speed), np.nan)
    usual = float(np.nanmedian(speed)) if np.isfinite(speed).any() else 0.0
    if usual <= 0.0:
        return off
    for k in np.flatnonzero(np.isfinite(speed)):
        before, after = speed[max(k - 5, 0) : k], speed[k + 1 : k + 6]
        sides = [float(np.nanmedian(s)) for s in (before, after) if np.isfinite(s).sum() >= 2]
        if sides:
            off[k] = 100.0 * max(abs(float(speed[k]) - side) for side in sides) / usual
    return off
