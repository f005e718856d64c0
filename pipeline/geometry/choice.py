"""Which of the poses that a pair allows is true: the choice that all pairs of a flight make together.

Level ground has two poses that fit a pair alike (Hartley and Zisserman, Multiple View Geometry, 2nd ed.,
section 13.1; Faugeras and Lustman 1988). The true ones see one and the same ground, whose normal stays
where it is in the world; of the false ones the normal follows the way flown, and turns along with the
rotation that is wrongly taken out. So the poses are chosen by agreement: of rotations round loops of pairs,
and of the normals once turned into the world.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.pose import Pose
from pipeline.geometry.rotation import PairRotation, average, log

Floats = NDArray[np.float64]

_NORMAL_SIGMA_RAD = float(np.deg2rad(4.0))
_SEED_SIGMA_RAD = float(np.deg2rad(8.0))
_LEAST_MISFIT_RAD = float(np.deg2rad(0.03))
_MOST = 20.0
"""No single disagreement costs more than this, in units of half a squared sigma."""

_SEEDS = 4
_ROUNDS = 6


@dataclass(frozen=True)
class Candidates:
    """The poses that the pair (i, j) allows."""

    i: int
    j: int
    poses: list[Pose]


def choose(count: int, pairs: list[Candidates], fixed: list[PairRotation]) -> list[int | None]:
    """Return for each pair which of its poses agrees best with all others, None where none does.

    `fixed` are rotations known otherwise (bridges). Choices are improved in turn with the orientations
    averaged from them, from several directions that the ground's normal may have, and the choice that
    costs least wins. Where no pair allows two poses nothing is to be chosen. A pair is let go only where
    both its frames keep two others that agree.
    """
    if all(len(pair.poses) < 2 for pair in pairs):
        return [0] * len(pairs)
    table = _Table(count, pairs, fixed)
    starts = [np.zeros(len(pairs), int), *(table.nearest(seed) for seed in table.seeds())]
    tried: list[_Settled] = []
    for start in starts:
        if not any(np.array_equal(start, settled.labels) for settled in tried):
            tried.append(table.settle(start))
    best = min(tried, key=lambda settled: settled.cost)
    agrees = best.misfit < _MOST
    votes = np.zeros(count, int)
    np.add.at(votes, [pair.i for pair, good in zip(pairs, agrees, strict=True) if good], 1)
    np.add.at(votes, [pair.j for pair, good in zip(pairs, agrees, strict=True) if good], 1)
    return [
        None if not good and min(votes[pair.i], votes[pair.j]) >= 2 else int(label)
        for pair, good, label in zip(pairs, agrees, best.labels, strict=True)
    ]


@dataclass(frozen=True)
class _Settled:
    """A choice (m,), what it costs in all, and what each pair's rotation costs for its misfit (m,)."""

    cost: float
    labels: NDArray[np.int_]
    misfit: Floats


class _Table:
    """All candidates as arrays: row r is pose `label[r]` of pair `pair[r]`."""

    def __init__(self, count: int, pairs: list[Candidates], fixed: list[PairRotation]) -> None:
        rows = [(k, c, pose) for k, pair in enumerate(pairs) for c, pose in enumerate(pair.poses)]
        self.count, self.pairs, self.fixed = count, pairs, fixed
        self.pair = np.array([k for k, _, _ in rows])
        self.label = np.array([c for _, c, _ in rows])
        self.start = np.searchsorted(self.pair, np.arange(len(pairs)))
        self.rotation = np.stack([pose.rotation for _, _, pose in rows])
        self.sigma = np.array([pose.sigma_rad for _, _, pose in rows])
        self.cost = np.array([pose.cost for _, _, pose in rows])
        self.plane = np.array([pose.plane is not None for _, _, pose in rows])
        unseen = np.zeros(3)
        self.normal = np.stack([unseen if p.plane is None else p.plane.normal for _, _, p in rows])
        self.i = np.array([pairs[k].i for k, _, _ in rows])
        self.j = np.array([pairs[k].j for k, _, _ in rows])
        self.open = np.array([len(pairs[k].poses) > 1 for k, _, _ in rows])

    def best(self, score: Floats) -> NDArray[np.int_]:
        """Return for each pair the label of its row of least score."""
        order = np.lexsort((score, self.pair))
        return np.asarray(self.label[order[self.start]])

    def nearest(self, normal: Floats) -> NDArray[np.int_]:
        """Return the choice whose normals, in camera axes, are nearest to one direction."""
        off = np.arccos(np.clip(self.normal @ normal, -1.0, 1.0))
        return self.best(self.cost + _capped(off / _SEED_SIGMA_RAD) * self.plane)

    def seeds(self) -> list[Floats]:
        """Return directions (3,) that many candidates' normals share: a gimbal keeps them in the picture."""
        normals = self.normal[self.plane & self.open]
        found: list[Floats] = []
        left = np.ones(len(normals), bool)
        sample = normals[:: max(len(normals) // 400, 1)]
        while left.any() and len(found) < _SEEDS:
            near = sample @ normals[left].T > np.cos(_SEED_SIGMA_RAD)
            seed = sample[int(np.argmax(near.sum(axis=1)))]
            found.append(seed)
            left &= normals @ seed < np.cos(2.0 * _SEED_SIGMA_RAD)
        return found

    def settle(self, labels: NDArray[np.int_]) -> _Settled:
        """Return a choice improved in turn with the orientations it leads to."""
        best = _Settled(np.inf, labels, np.zeros(len(labels)))
        for _ in range(_ROUNDS):
            chosen = self.start + labels
            used = [
                PairRotation(pair.i, pair.j, pair.poses[label].rotation, pair.poses[label].covariance)
                for pair, label in zip(self.pairs, labels, strict=True)
            ]
            orientations, _ = average(self.count, used + self.fixed, passes=25)
            misfit, tilt = self.disagreement(orientations, chosen)
            score = self.cost + misfit + tilt
            total = float(score[chosen].sum())
            if total < best.cost:
                best = _Settled(total, labels, misfit[chosen])
            moved = self.best(score)
            if np.array_equal(moved, labels):
                break
            labels = moved
        return best

    def disagreement(self, orientations: Floats, chosen: NDArray[np.int_]) -> tuple[Floats, Floats]:
        """Return what each candidate costs beside orientations (n, 3, 3), and beside the chosen normals."""
        here, there = orientations[self.i], orientations[self.j]
        misfit = np.linalg.norm(log(np.swapaxes(there, 1, 2) @ self.rotation @ here), axis=1)
        world = np.einsum("nji,nj->ni", here, self.normal)
        common = _mode(world[chosen][self.plane[chosen]])
        off = np.zeros(len(misfit))
        if common is not None:
            off = np.arccos(np.clip(world @ common, -1.0, 1.0)) * self.plane
        allowed = np.maximum(3.0 * self.sigma, _LEAST_MISFIT_RAD)
        return _capped(misfit / allowed), _capped(off / _NORMAL_SIGMA_RAD)


def _capped(deviation: Floats) -> Floats:
    return np.asarray(np.minimum(0.5 * deviation**2, _MOST))


def _mode(directions: Floats) -> Floats | None:
    """Return the direction (3,) that most unit vectors (m, 3) share, their mean robustly weighted."""
    if len(directions) == 0:
        return None
    sample = directions[:: max(len(directions) // 200, 1)]
    near = (sample @ directions.T > np.cos(2.0 * _NORMAL_SIGMA_RAD)).sum(axis=1)
    mode = sample[int(np.argmax(near))]
    for _ in range(5):
        off = np.arccos(np.clip(directions @ mode, -1.0, 1.0))
        weights = 1.0 / (1.0 + (off / _NORMAL_SIGMA_RAD) ** 2) ** 2
        mode = weights @ directions
        mode = mode / max(float(np.linalg.norm(mode)), 1e-12)
    return np.asarray(mode)
