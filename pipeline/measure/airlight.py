"""The light of haze, which ground loses as it comes nearer from photo to photo.

Ground of light J at the distance d is seen as I = J exp(-b d) + A (1 - exp(-b d)), where A is the airlight
and b the extinction (H. Koschmieder, Theorie der horizontalen Sichtweite, 1924). Between two photos, of
which the second is a step s nearer to it, ln I changes by b s (1 - A / I). The flight's step towards the
ground is much the same all over the picture, so that the ratios of a pair lean by one unknown times the
inverse of a block's level: dark ground loses much of its light, bright ground little. Unheeded it adds up
over a flight to a drift of the light's colour that there was not. What the other term adds is alike in all
channels, and is left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.measure.levels import LEAST_BLOCKS, block_errors, flat_ratio, sure_part, vignette_basis
from pipeline.measure.look import PairFigures
from pipeline.measure.robust import joint_mode, robust_sigma

Floats = NDArray[np.float64]

_PASSES = 3
_SHARED_FRAMES = 8
"""Frames that see much the same ground and err alike, as the longest baseline has it."""
_SURELY = 3.0
_LEAST_FRAMES = 24


@dataclass(frozen=True)
class Airlight:
    """The change of airlight in the picture from each frame to the next (n, 3), over saturation, in EV.

    A block of the level I, freed of flicker and vignette, has its log ratio changed by
    `change` / I from one frame to the next. `sigma` (3,) is the standard error; zero all over where no haze
    is surely there.
    """

    change: Floats
    sigma: Floats

    @property
    def found(self) -> bool:
        """Whether there is any."""
        return bool(self.change.any())

    def told(self) -> dict[str, object]:
        """Return what reports say of it: a sentence, and the median over the frames."""
        sentence = "no light of haze that changes with the distance was surely found"
        if self.found:
            sentence = "the ground's light of haze, which changes as the distance does, was taken out"
        return {
            "haze": sentence,
            "haze_change": [float(value) for value in np.median(self.change, axis=0)],
            "haze_change_sigma": [float(value) for value in self.sigma],
        }


def estimate_airlight(
    pairs: list[PairFigures], vignette: tuple[float, float, float], level_ev: Floats, period_frames: float
) -> Airlight:
    """Estimate the change of airlight from frame to frame, slow in time, in a flight of levels (n, 3).

    Each pair tells it by the slope of its ratios on the inverse level, by iteratively reweighted least
    squares; slopes are averaged over a Gaussian of a quarter period, longer baselines counting by their
    square. What does not stand clearly above the scatter of the slopes is shrunk away, and
    only airlight that falls where the ground comes nearer, or rises where it recedes, is haze.
    """
    count = len(level_ev)
    normal, right = np.zeros((count, 3)), np.zeros((count, 3))
    nearer = np.zeros(count)
    for pair in pairs:
        told = _slope(pair, np.array(vignette), level_ev) if pair.registered else None
        if told is not None:
            slope, information = told
            apart, middle = pair.j - pair.i, (pair.i + pair.j) // 2
            normal[middle] += information * apart**2
            right[middle] += information * apart * slope
            nearer[middle] += pair.nearer * apart
    nothing = Airlight(np.zeros((count, 3)), np.zeros(3))
    known = (normal > 0.0).all(axis=1)
    if np.count_nonzero(known) < _LEAST_FRAMES:
        return nothing
    width = 0.25 * period_frames
    change = _about(right, width) / np.maximum(_about(normal, width), 1e-30)
    own = right[known] / normal[known]
    scatter = np.array([robust_sigma(column) for column in (own - change[known]).T])
    independent = min(np.sqrt(2.0 * np.pi) * width, count) / _SHARED_FRAMES
    sigma = scatter / np.sqrt(max(independent, 1.0))
    believed = np.maximum(1.0 - (_SURELY * sigma / np.maximum(np.abs(change), 1e-30)) ** 2, 0.0)
    haze = change * np.sign(_about(nearer[:, np.newaxis], width)) < 0.0
    return Airlight(np.where(haze.all(axis=1, keepdims=True), believed * change, 0.0), sigma)


def without_airlight(
    pairs: list[PairFigures], vignette: tuple[float, float, float], level_ev: Floats, airlight: Airlight
) -> list[PairFigures]:
    """Return the pairs with the airlight's change taken out of their ratios."""
    told = np.concatenate([np.zeros((1, 3)), np.cumsum(airlight.change, axis=0)])
    cleared = []
    for pair in pairs:
        inverse = _inverse_level(pair, np.array(vignette), level_ev, np.arange(len(pair.blocks.place_i)))
        ratio = pair.blocks.ratio_ev - inverse * (told[pair.j] - told[pair.i])
        cleared.append(replace(pair, blocks=replace(pair.blocks, ratio_ev=ratio.astype(np.float32))))
    return cleared


def _about(values: Floats, width: float) -> Floats:
    """Return the sums (n, k) of values weighted by a Gaussian of that many frames."""
    # OpenCV is loaded anyway; SciPy's filters would take a quarter of a second to load.
    bell = cv2.getGaussianKernel(2 * round(4.0 * width) + 1, width)
    return np.asarray(cv2.sepFilter2D(values, -1, np.ones(1), bell, borderType=cv2.BORDER_CONSTANT))


def _slope(pair: PairFigures, vignette: Floats, level_ev: Floats) -> tuple[Floats, Floats] | None:
    """Return the slopes (3,) of a pair's ratios on the inverse level and their information, or None."""
    part = sure_part(pair, held_out=False)
    if len(part) < LEAST_BLOCKS or not np.isfinite(level_ev[[pair.i, pair.j]]).all():
        return None
    errors = block_errors(pair, part)
    # By channel, (3, k): sums along it take a tenth of the time.
    ratio = np.ascontiguousarray(flat_ratio(pair, vignette, part).T)
    inverse = np.ascontiguousarray(_inverse_level(pair, vignette, level_ev, part).T)
    slope = np.zeros(3)
    for _ in range(_PASSES):
        residual = ratio - slope[:, np.newaxis] * inverse
        mode, sure = joint_mode(residual.T, errors)
        # How much wider than their own errors the residuals scatter.
        wider = np.maximum(sure * np.sqrt((1.0 / errors**2).sum()), 0.3)
        misfit = (residual - mode[:, np.newaxis]) / (4.685 * wider[:, np.newaxis] * errors)
        weights = (np.maximum(1.0 - (misfit**2).max(axis=0), 0.0) / errors) ** 2
        total = float(weights.sum())
        if total <= 0.0:
            return None
        # Only what varies about the mean tells a slope: the mode takes up the rest.
        centred = inverse - (inverse @ weights / total)[:, np.newaxis]
        spread = centred**2 @ weights
        if not (spread > 0.0).all():
            return None
        slope = (centred * ratio) @ weights / spread
    return slope, spread / wider**2


def _inverse_level(pair: PairFigures, vignette: Floats, level_ev: Floats, part: NDArray[np.int_]) -> Floats:
    """Return one over the levels (k, 3) of a pair's blocks, freed of vignette and of the frames' levels.

    The level is the mean of the two frames', whose noise does not lean the ratio.
    """
    loss = vignette_basis(pair.blocks.place_i[part]) + vignette_basis(pair.blocks.place_j[part])
    frames = 0.5 * (level_ev[pair.i] + level_ev[pair.j])
    level = pair.blocks.level_ev[part].astype(np.float64) + 0.5 * (loss @ vignette)[:, np.newaxis]
    return np.asarray(np.exp2(frames - level))
