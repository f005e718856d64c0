"""What typical ground would have shown where blocks of many colours were seen.

When the colour of the light changes, the camera RGB of a green field and of brown soil change by amounts
that differ by some per cent. A flight whose fields become woods would then take a change of the ground for
one of the light.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour
from pipeline.colour.ground import against_green, ground_response, lights_about
from pipeline.measure.look import PairFigures
from pipeline.sequence import Triple

Floats = NDArray[np.float64]


def as_typical(
    pairs: list[PairFigures], colour: CameraColour, neutral: Triple, ground: Triple
) -> list[PairFigures]:
    """Return the pairs with each block's ratio told as that of ground of the camera RGB `ground`.

    `neutral` is the camera RGB of a grey surface in the light of the flight. Green's ratio stays. A block
    of a colour that no light gives by the camera's matrices stays as it is.
    """
    lights = lights_about(colour, neutral)
    typical = ground_response(lights, ground)
    if not np.isfinite(typical).all():
        return pairs
    told = []
    for pair in pairs:
        ratio = pair.blocks.ratio_ev.astype(np.float64)
        own = ground_response(lights, np.exp2(pair.blocks.level_ev.astype(np.float64)))
        known = np.isfinite(own).all(axis=(1, 2))
        own[~known] = typical
        change = np.linalg.solve(own, against_green(ratio)[..., np.newaxis])[..., 0] @ typical.T
        ratio[:, [0, 2]] = ratio[:, 1:2] + change
        told.append(replace(pair, blocks=replace(pair.blocks, ratio_ev=ratio.astype(np.float32))))
    return told
