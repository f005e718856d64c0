"""Flicker that differs across the picture, on a coarse grid of each frame, from registered blocks.

An uneven shutter or banding brightens a part of one frame more than another. The same ground seen at two
places tells the difference of the two frames' fields there. Only what is fast in a field is flicker:
what stays (what is left of the vignette, haze, the sheen of the ground) is not touched.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from pipeline.measure.highpass import fast_part
from pipeline.measure.levels import LEAST_BLOCKS, block_errors, flat_ratio, part_of
from pipeline.measure.look import PairFigures
from pipeline.measure.robust import biweight_mode

Floats = NDArray[np.float64]

ROWS, COLUMNS = 6, 4
"""Nodes of the grid, evenly from the first row to the last and from the first column to the last.

A shutter or a row-wise read-out differs from top to bottom, so there are more rows than columns."""

_CELLS = ROWS * COLUMNS
_FIELD_PRIOR_EV = 0.2
_BEND_PRIOR_EV = 0.03
"""How far a node may stand off the mean of its neighbours, one standard deviation."""
_LEVEL_PRIOR_EV = 1e-3
"""The mean of a field belongs to the frame's level, not to the field."""
_INDEPENDENT_BLOCKS = 25.0
"""Parallax and haze lean many blocks alike: a pair counts as so many that err by themselves."""
_PASSES = 2
_CLEARLY_ABOVE = 3.0
_OFTEN = 0.1


@dataclass(frozen=True)
class Grids:
    """Fields (n, ROWS, COLUMNS) in EV, larger where the frame is brighter, and their standard errors.

    NaN for frames that no registered pair reaches. The mean of a field is nearly zero.
    """

    field_ev: Floats
    sigma_ev: Floats


def grid_weights(place: NDArray[np.floating], aspect: float) -> Floats:
    """Return the bilinear weights (k, ROWS * COLUMNS) of the nodes at places (k, 2).

    Places are from the centre over half the diagonal; `aspect` is width over height of the picture.
    """
    half = np.array([aspect, 1.0]) / np.hypot(aspect, 1.0)
    share = np.clip((place / half + 1.0) / 2.0, 0.0, 1.0)
    across, down = _hats(share[:, 0], COLUMNS), _hats(share[:, 1], ROWS)
    # Worked out node by node, for there are far more places than nodes.
    return (down[:, None] * across[None]).reshape(_CELLS, len(place)).T


def _hats(share: Floats, count: int) -> Floats:
    """Return the linear weights (count, k) of nodes evenly from 0 to 1 at shares (k,) of the way."""
    return np.maximum(1.0 - np.abs(share * (count - 1) - np.arange(count)[:, None]), 0.0)


def _prior() -> Floats:
    """Return the information (CELLS, CELLS) of a field before anything is measured: small and smooth."""
    rows = []
    for row in range(ROWS):
        for column in range(COLUMNS):
            for down, across in ((1, 0), (0, 1)):
                before, after = (row - down, column - across), (row + down, column + across)
                if before[0] >= 0 and before[1] >= 0 and after[0] < ROWS and after[1] < COLUMNS:
                    bend = np.zeros((ROWS, COLUMNS))
                    bend[row, column] = 1.0
                    bend[before] = bend[after] = -0.5
                    rows.append(bend.ravel() / _BEND_PRIOR_EV)
    rows.append(np.full(_CELLS, 1.0 / _CELLS / _LEVEL_PRIOR_EV))
    design = np.array(rows)
    return np.asarray(design.T @ design + np.eye(_CELLS) / _FIELD_PRIOR_EV**2)


def solve_grids(
    count: int,
    pairs: list[PairFigures],
    vignette: tuple[float, float, float],
    aspect: float,
    held_out: bool = False,
) -> Grids:
    """Solve the fields of `count` frames from the green ratios of all registered pairs.

    Robust weighted least squares with a prior that a field is small and smooth; each pair's own level is
    free. One banded system over all frames, since no pair reaches further than the longest baseline.
    """
    used = [p for p in pairs if p.registered and len(p.blocks.place_i) >= LEAST_BLOCKS]
    fields = np.full((count, ROWS, COLUMNS), np.nan)
    sigma = np.full((count, ROWS, COLUMNS), np.nan)
    if not used:
        return Grids(fields, sigma)
    reached = sorted({p.i for p in used} | {p.j for p in used})
    rank = {frame: place for place, frame in enumerate(reached)}
    reach = max(rank[p.j] - rank[p.i] for p in used)
    solved = np.zeros((len(reached), _CELLS))
    for _ in range(_PASSES):
        blocks = np.zeros((len(reached), reach + 1, _CELLS, _CELLS))
        blocks[:, 0] = _prior()
        right = np.zeros((len(reached), _CELLS))
        for pair in used:
            i, j = rank[pair.i], rank[pair.j]
            normal, known = _pair_normal(pair, vignette, aspect, held_out, solved[i], solved[j])
            blocks[i, 0] += normal[:_CELLS, :_CELLS]
            blocks[j, 0] += normal[_CELLS:, _CELLS:]
            blocks[i, j - i] += normal[_CELLS:, :_CELLS]
            right[i] += known[:_CELLS]
            right[j] += known[_CELLS:]
        solved = solveh_banded(_banded(blocks), right.ravel(), lower=True).reshape(-1, _CELLS)
    fields[reached] = solved.reshape(-1, ROWS, COLUMNS)
    # The information of a frame's own blocks: its error against its neighbours, as for the levels.
    own = np.linalg.inv(blocks[:, 0])
    sigma[reached] = np.sqrt(np.diagonal(own, axis1=1, axis2=2)).reshape(-1, ROWS, COLUMNS)
    return Grids(fields, sigma)


def _pair_normal(
    pair: PairFigures,
    vignette: tuple[float, float, float],
    aspect: float,
    held_out: bool,
    field_i: Floats,
    field_j: Floats,
) -> tuple[Floats, Floats]:
    """Return the normal equations (2 CELLS, 2 CELLS) and (2 CELLS,) that one pair adds."""
    part = part_of(pair, held_out)
    ratio = flat_ratio(pair, np.array(vignette), part)[:, 1]
    errors = block_errors(pair, part)
    here, there = (grid_weights(place[part], aspect) for place in (pair.blocks.place_i, pair.blocks.place_j))
    residual = ratio - (there @ field_j - here @ field_i)
    mode, sure = biweight_mode(residual, errors)
    wider = max(sure * float(np.sqrt((1.0 / errors**2).sum())), 1.0)
    u = (residual - mode) / (4.685 * wider * errors)
    weights = (np.maximum(1.0 - u * u, 0.0) / (wider * errors)) ** 2
    total = float(weights.sum())
    if total <= 0.0:
        return np.zeros((2 * _CELLS, 2 * _CELLS)), np.zeros(2 * _CELLS)
    effective = total**2 / float(weights @ weights)
    weights *= min(1.0, _INDEPENDENT_BLOCKS / effective)
    mean = np.concatenate([weights @ -here, weights @ there]) / weights.sum()
    normal = np.zeros((2 * _CELLS, 2 * _CELLS))
    # In quarters, each small enough that the linear algebra does not wake its threads.
    weighted_here, weighted_there = here * weights[:, None], there * weights[:, None]
    normal[:_CELLS, :_CELLS] = weighted_here.T @ here
    normal[_CELLS:, _CELLS:] = weighted_there.T @ there
    normal[_CELLS:, :_CELLS] = -(weighted_there.T @ here)
    normal[:_CELLS, _CELLS:] = normal[_CELLS:, :_CELLS].T
    known = np.concatenate([ratio @ -weighted_here, ratio @ weighted_there])
    total = float(weights.sum())
    return normal - total * np.outer(mean, mean), known - mean * float(weights @ ratio)


def _banded(blocks: Floats) -> Floats:
    """Return the lower bands of the block matrix whose blocks (n, reach + 1, c, c) lie below its diagonal.

    `blocks[i, d]` is the block of rows of frame i + d and columns of frame i.
    """
    count, width = blocks.shape[:2]
    bands = np.zeros((width * _CELLS, count * _CELLS))
    for apart in range(width):
        for row in range(_CELLS):
            for column in range(_CELLS):
                below = apart * _CELLS + row - column
                if below >= 0:
                    bands[below, column::_CELLS] = blocks[:, apart, row, column]
    return bands


def fast_fields(grids: Grids, period_frames: float) -> Floats:
    """Return the fast part (n, ROWS, COLUMNS) of the fields, node by node; NaN where nothing is known."""
    flat = grids.field_ev.reshape(len(grids.field_ev), -1)
    fast = np.stack([fast_part(node, period_frames) for node in flat.T], axis=1)
    return np.asarray(fast.reshape(grids.field_ev.shape))


def without_fields(pairs: list[PairFigures], field_ev: Floats, aspect: float) -> list[PairFigures]:
    """Return the pairs with the fields (n, ROWS, COLUMNS) taken out of their ratios; NaN counts as none."""
    flat = np.nan_to_num(field_ev).reshape(len(field_ev), -1)
    cleared = []
    for pair in pairs:
        if not (flat[pair.i].any() or flat[pair.j].any()):
            cleared.append(pair)
            continue
        there = grid_weights(pair.blocks.place_j, aspect) @ flat[pair.j]
        here = grid_weights(pair.blocks.place_i, aspect) @ flat[pair.i]
        ratio = (pair.blocks.ratio_ev - (there - here)[:, None]).astype(np.float32)
        cleared.append(replace(pair, blocks=replace(pair.blocks, ratio_ev=ratio)))
    return cleared


def noticeable(field_ev: Floats, sigma_ev: Floats) -> NDArray[np.bool_]:
    """Return which frames (n,) have a field above its own uncertainty, by the RMS over the grid.

    A field must stand clearly above it; where a camera shows such fields often, it is believed to do so
    throughout, and one above its uncertainty is enough.
    """
    sure = np.where(np.isfinite(sigma_ev), sigma_ev, np.inf)
    ratio = _size(np.nan_to_num(field_ev)) / _size(sure)
    often = np.mean(ratio > _CLEARLY_ABOVE) > _OFTEN
    return np.asarray(ratio > (1.0 if often else _CLEARLY_ABOVE))


def _size(field_ev: Floats) -> Floats:
    return np.asarray(np.sqrt(np.mean(field_ev**2, axis=(1, 2))))


@dataclass(frozen=True)
class Parts:
    """Flicker that differs across the picture, all (n, ROWS, COLUMNS) in EV.

    `found_ev` is the fast part of the fields with its standard errors `sigma_ev`, `applied_ev` what of it is
    evened out (zero in frames whose field may be chance), `left_ev` what the blocks held out
    still show then. NaN where a frame shares no registered ground.
    """

    found_ev: Floats
    sigma_ev: Floats
    applied_ev: Floats
    left_ev: Floats

    def gain_ev(self, frame: int) -> tuple[tuple[float, ...], ...] | None:
        """Return the field of gains of a frame as corrections hold it, None where there is none."""
        applied = self.applied_ev[frame]
        return tuple(tuple(float(-value) for value in row) for row in applied) if applied.any() else None


def solve_parts(
    count: int,
    pairs: list[PairFigures],
    vignette: tuple[float, float, float],
    aspect: float,
    period_frames: float,
) -> Parts:
    """Find the flicker that differs across the picture in `count` frames, and which of it to even out."""
    grids = solve_grids(count, pairs, vignette, aspect)
    found = fast_fields(grids, period_frames)
    clear = noticeable(found, grids.sigma_ev)
    applied = np.where(clear[:, None, None], np.nan_to_num(found), 0.0)
    check = solve_grids(count, pairs, vignette, aspect, held_out=True)
    left = fast_fields(Grids(check.field_ev - applied, check.sigma_ev), period_frames)
    return Parts(found, grids.sigma_ev, applied, left)


def uneven_rms_ev(field_ev: Floats) -> float | None:
    """Return the RMS over frames and nodes of fields (n, ROWS, COLUMNS), NaN absent."""
    known = field_ev[np.isfinite(field_ev)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else None
