"""The level of light of every frame, solved from all log ratios between pairs."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from pipeline.geometry.arrays import median
from pipeline.measure.look import PairFigures
from pipeline.measure.robust import biweight_mode, joint_mode, quantile
from pipeline.sequence import Triple

Floats = NDArray[np.float64]

LEAST_BLOCKS = 24
"""A pair with fewer trusted blocks is left out."""

HELD_OUT = 5
"""Every fifth block and match is kept out of the solves and measures what they left."""

_COMMON_SIGMA_EV = 0.006
_SURE = 1.5
_GROUPS = 4
"""In each of so many parts by brightness, of the less sure half, blocks whose error is larger than `_SURE`
times that of the surest quarter are left out of a mode."""
_SIGMA_FLOOR_EV = 1.5e-3
"""Least error of a ratio of neighbours; sheen, haze and parallax err more the further two photos are apart,
as a walk does: by the root of the photos between."""
_VIGNETTE_PRIOR_EV = (0.5, 0.25, 0.15)
"""Standard deviations of the loss coefficients: stopped down, a drone's lens loses under 1 EV in the
corner, most of it as r**2 (common practice, no source)."""
_SLOPE_PRIOR_EV = 0.3
_INDEPENDENT_BLOCKS = 20.0
_UNREGISTERED_SIGMA_EV = 0.1
"""Level differences of pairs whose ground was not registered are trusted this far."""
_STATISTICS_SIGMA_EV = 0.3
"""Differences of the medians of two pictures that may show other ground are trusted this far."""
_TRUSTED_MEDIANS = (0.002, 0.95)
"""A median outside says nothing of the light: a black frame, a burnt-out one."""

ALIGNED, STATISTICS, NOTHING = -1, -2, -3


@dataclass(frozen=True)
class Levels:
    """Levels (n, 3) in EV per channel R, G, B, the first known frame at 0, NaN where nothing reaches.

    `sigma_ev` (n,) is the standard deviation of a level against its neighbours. `unregistered` marks frames
    whose every pair rests on an unregistered picture. `vignette` holds the loss coefficients. `group` (n,)
    numbers the groups of frames that registered ground connects, the largest 0, or tells what a frame
    outside them rests on (ALIGNED, STATISTICS, NOTHING); None where that was not asked.
    """

    level_ev: Floats
    sigma_ev: Floats
    unregistered: NDArray[np.bool_]
    vignette: tuple[float, float, float]
    group: NDArray[np.int_] | None = None


def vignette_basis(place: NDArray[np.floating]) -> Floats:
    """Return r**2, r**4, r**6 (k, 3) of places (k, 2), r = 1 in the corner."""
    x, y = place.T.astype(float)
    square = x * x + y * y
    return np.array([square, square * square, square * square * square]).T


def part_of(pair: PairFigures, held_out: bool) -> NDArray[np.int_]:
    """Return the numbers of the blocks that the solves use, or of those held out."""
    places = np.arange(len(pair.blocks.place_i))
    return np.flatnonzero((places % HELD_OUT == 0) == held_out)


def block_errors(pair: PairFigures, part: NDArray[np.int_]) -> Floats:
    """Return the standard errors (k,) in EV that the blocks `part` of a pair count with."""
    return np.asarray(np.hypot(pair.blocks.sigma_ev[part].astype(float), _COMMON_SIGMA_EV))


def sure_part(pair: PairFigures, held_out: bool) -> NDArray[np.int_]:
    """Return `part_of` a pair without the blocks that are unsure for their brightness.

    A shore is alike in both frames while the water beside it is not, and where leaves, cars or roofs moved
    the parts of a block disagree too: what the block says is then wrong all one way. Dark blocks are noisy
    and not wrong for it, so each is held against those about as bright, lest only what lies in the sun be
    heard.
    """
    part = part_of(pair, held_out)
    errors = block_errors(pair, part)
    sure = np.zeros(len(part), bool)
    by_level = np.argsort(pair.blocks.level_ev[part, 1], kind="stable")
    for alike in np.array_split(by_level, _GROUPS):
        if len(alike):
            own = errors[alike]
            sure[alike] = own <= max(_SURE * quantile(own, 0.25), median(own))
    return part[sure]


def flat_ratio(pair: PairFigures, vignette: Floats, part: NDArray[np.int_]) -> Floats:
    """Return the log ratios (k, 3) of the blocks `part` of a pair, freed of the vignette (3,)."""
    loss = vignette_basis(pair.blocks.place_j[part]) - vignette_basis(pair.blocks.place_i[part])
    return np.asarray(pair.blocks.ratio_ev[part].astype(float) + (loss @ vignette)[:, None])


def estimate_vignette(pairs: list[PairFigures]) -> tuple[float, float, float]:
    """Return the vignette's loss coefficients in EV (a1, a2, a3 of r**2, r**4, r**6).

    The same ground seen at two radii tells the loss between them (after Goldman, PAMI 2010): the green
    ratio of a block less the pair's mode is loss(r_i) - loss(r_j). Solved by iteratively reweighted
    least squares over all registered pairs, the modes estimated anew under each solution.

    Haze and the sheen of the ground change with the place in the picture too, so a slope across it is
    solved beside the loss and thrown away. What the overlaps do not tell is held near zero by a prior,
    and a pair counts as some twenty independent blocks, for its errors are alike over wide areas.
    """
    used = [
        (p, sure_part(p, held_out=False))
        for p in pairs
        if p.registered and len(p.blocks.place_i) >= LEAST_BLOCKS
    ]
    solved: Floats = np.zeros(5)
    prior = np.diag(1.0 / np.array([*_VIGNETTE_PRIOR_EV, _SLOPE_PRIOR_EV, _SLOPE_PRIOR_EV]) ** 2)
    for _ in range(4 if used else 0):
        normal, right = prior.copy(), np.zeros(5)
        for pair, part in used:
            place_i, place_j = pair.blocks.place_i[part], pair.blocks.place_j[part]
            slope = np.concatenate(
                [(vignette_basis(place_i) - vignette_basis(place_j)).T, (place_j - place_i).T]
            ).T
            ratio = pair.blocks.ratio_ev[part, 1].astype(float)
            residual = ratio - slope @ solved
            errors = block_errors(pair, part)
            mode, sure = biweight_mode(residual, errors)
            # How much wider than their own errors the residuals scatter.
            wider = max(sure * float(np.sqrt((1.0 / errors**2).sum())), 0.3)
            # As in a mode, the unsure are not trusted to stand further off than most.
            u = (residual - mode) / (4.685 * wider * np.minimum(errors, median(errors)))
            weights = (np.maximum(1.0 - u * u, 0.0) / (wider * errors)) ** 2
            weights *= min(1.0, _INDEPENDENT_BLOCKS / _effective(weights))
            # The mode takes up each pair's mean, so only the slope about its mean counts.
            present = weights + 1e-12
            centred = slope - present @ slope / present.sum()
            weighted = (centred * weights[:, None]).T
            normal += weighted @ centred
            right += weighted @ (ratio - mode)
        solved = np.asarray(np.linalg.solve(normal, right), np.float64)
    a1, a2, a3 = (float(value) for value in solved[:3])
    return (a1, a2, a3)


def _effective(weights: Floats) -> float:
    """Return how many equal samples weigh as much as these (Kish 1965)."""
    return float(weights.sum()) ** 2 / max(float(weights @ weights), 1e-12)


def pair_ratio(pair: PairFigures, vignette: Floats, held_out: bool) -> tuple[Floats, Floats] | None:
    """Return the exposure ratio m_ij (3,) in EV of a pair and its standard errors, or None."""
    if len(part_of(pair, held_out)) < (LEAST_BLOCKS // 2 if held_out else LEAST_BLOCKS):
        return None
    part = sure_part(pair, held_out)
    mode, sigma = joint_mode(flat_ratio(pair, vignette, part), block_errors(pair, part))
    if not pair.registered:
        sigma = np.maximum(sigma, _UNREGISTERED_SIGMA_EV)
    return mode, np.hypot(sigma, _SIGMA_FLOOR_EV * np.sqrt(pair.j - pair.i))


@dataclass(frozen=True)
class _Links:
    """Measured differences of level: frames (m,), values and errors (m, 3), and what each rests on (m,)."""

    i: NDArray[np.int_]
    j: NDArray[np.int_]
    ratio_ev: Floats
    error_ev: Floats
    kind: NDArray[np.int_]


def _links(
    pairs: list[PairFigures], vignette: Floats, medians: dict[int, Triple], held_out: bool
) -> _Links | None:
    """Return the links of all pairs, and links by the medians where no pair joins neighbours in time."""
    rows: list[tuple[int, int, Floats, Floats, int]] = []
    for pair in pairs:
        measured = pair_ratio(pair, vignette, held_out)
        if measured is not None:
            rows.append((pair.i, pair.j, *measured, 0 if pair.registered else ALIGNED))
    joined = {(i, j) for i, j, _, _, kind in rows if kind == 0}
    low, high = _TRUSTED_MEDIANS
    telling = sorted(f for f, level in medians.items() if low < min(level) and max(level) < high)
    for i, j in pairwise(telling):
        if (i, j) not in joined:
            ratio = np.log2(np.array(medians[j]) / np.array(medians[i]))
            rows.append((i, j, ratio, np.full(3, _STATISTICS_SIGMA_EV), STATISTICS))
    if not rows:
        return None
    first, second, ratios, errors, kinds = (np.array(column) for column in zip(*rows, strict=True))
    return _Links(first, second, ratios, errors, kinds)


def _groups(count: int, links: _Links) -> NDArray[np.int_]:
    """Return what each frame (n,) rests on, as `Levels.group` tells it."""
    group = np.full(count, NOTHING)
    for kind in (STATISTICS, ALIGNED):
        of_kind = links.kind == kind
        group[links.i[of_kind]] = group[links.j[of_kind]] = kind
    firm = links.kind == 0
    i, j = links.i[firm], links.j[firm]
    joined = coo_matrix((np.ones(len(i)), (i, j)), shape=(count, count))
    labels = connected_components(joined, directed=False)[1]
    found, sizes = np.unique(labels[np.union1d(i, j)], return_counts=True)
    for number, label in enumerate(found[np.argsort(-sizes, kind="stable")]):
        group[labels == label] = number
    return group


def solve_levels(
    count: int,
    pairs: list[PairFigures],
    vignette: tuple[float, float, float],
    held_out: bool = False,
    medians: dict[int, Triple] | None = None,
) -> Levels:
    """Solve the levels of `count` frames from all pairs by weighted robust least squares.

    Weights are one over the squared standard error, redescending (Geman-McClure) on the misfit, so that
    a pair which registered wrongly is outvoted by the others. Frames that share no registered ground with
    the photo before or after are held to it by the `medians` of their pictures (linear level per channel,
    by frame), loosely. Frames that nothing reaches get NaN.
    """
    level = np.full((count, 3), np.nan)
    sigma = np.full(count, np.nan)
    links = _links(pairs, np.array(vignette), medians or {}, held_out)
    if links is None:
        return Levels(level, sigma, np.ones(count, bool), vignette, np.full(count, NOTHING))
    group = _groups(count, links)
    reached = group != NOTHING
    for channel in range(3):
        values, errors = links.ratio_ev[:, channel], links.error_ev[:, channel]
        solved, spread = _solve_channel(count, links.i, links.j, values, errors)
        level[reached, channel] = solved[reached]
        if channel == 1:
            sigma = np.where(reached, spread, np.nan)
    level -= level[np.flatnonzero(reached)[0]]
    return Levels(level, sigma, group < 0, vignette, group)


def _solve_channel(
    count: int, i: NDArray[np.int_], j: NDArray[np.int_], values: Floats, errors: Floats
) -> tuple[Floats, Floats]:
    base = 1.0 / errors**2
    weights = base.copy()
    level = np.zeros(count)
    for _ in range(15):
        matrix = coo_matrix(
            (
                np.concatenate([weights, weights, -weights, -weights]),
                (np.concatenate([i, j, i, j]), np.concatenate([i, j, j, i])),
            ),
            shape=(count, count),
        )
        faint = coo_matrix((np.full(count, 1e-9 * base.max()), (range(count), range(count))))
        right = np.zeros(count)
        np.add.at(right, j, weights * values)
        np.add.at(right, i, -weights * values)
        moved = splu((matrix + faint).tocsc()).solve(right)
        misfit = (values - (moved[j] - moved[i])) / errors
        # Misregistration makes pairs disagree by more than their own errors: scale by what is seen.
        scale = 3.0 * max(1.0, 1.4826 * float(np.median(np.abs(misfit))))
        weights = base / (1.0 + (misfit / scale) ** 2) ** 2
        settled = float(np.max(np.abs((moved - moved.mean()) - (level - level.mean())))) < 1e-6
        level = moved
        if settled:
            break
    information = np.zeros(count)
    np.add.at(information, i, weights)
    np.add.at(information, j, weights)
    worse = max(1.0, 1.4826 * float(np.median(np.abs(misfit))))
    return level, worse / np.sqrt(np.maximum(information, 1e-9))
